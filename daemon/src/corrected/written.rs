//! The text of a batch with the entries that held before; and single entries, changed in it.

use jiff::Timestamp;

use super::entries_of;

/// Begins entries that held before. No batch file has such a comment of its own.
const UNTIL: &str = "# --- entries until ";

/// The entries as they hold.
pub(crate) fn entries(text: &str) -> &str {
    let mut at = 0;
    for line in text.split_inclusive('\n') {
        if line.starts_with(UNTIL) {
            return &text[..at];
        }
        at += line.len();
    }
    text
}

/// The entries that held before, the newest first, to the letter.
pub(crate) fn earlier(text: &str) -> Vec<String> {
    let mut all: Vec<Vec<&str>> = Vec::new();
    for line in text[entries(text).len()..].split('\n') {
        if line.starts_with(UNTIL) {
            all.push(Vec::new());
        } else if let (Some(last), Some(line)) = (all.last_mut(), line.strip_prefix("# ")) {
            last.push(line);
        }
    }
    all.into_iter().map(|lines| lines.join("\n")).collect()
}

/// Whether two texts say the same of a batch, line for line.
pub(super) fn same_entries(one: &str, other: &str) -> bool {
    entries(one).trim_end() == entries(other).trim_end()
}

/// Whether the entries of a file hold in a stored text, or held before they were corrected.
pub(crate) fn held(stored: &str, file: &str) -> bool {
    same_entries(stored, file) || earlier(stored).iter().any(|earlier| same_entries(earlier, file))
}

/// The text once `given` holds.
pub(super) fn corrected(stored: &str, given: &str, who: &str, at: Timestamp) -> String {
    let (before, history) = stored.split_at(entries(stored).len());
    let mut text = entries(given).trim_end().to_owned();
    let who = fobwatch_core::plain::line(who, 80);
    text.push_str(&format!("\n{UNTIL}{at}, corrected by {who} ---\n"));
    for line in before.split('\n') {
        text.push_str(&format!("# {line}\n"));
    }
    text.push_str(history);
    text
}

/// The text with single entries changed, each a key such as `bottle.fill_ml` and its value as TOML writes it; `None`: left out. All else, comments
/// too, stays as it is. `None` where the file writes its tables in a way that is not changed line by line.
pub(crate) fn with(text: &str, changed: &[(&str, Option<&str>)]) -> Option<String> {
    let mut lines: Vec<String> = entries(text).lines().map(str::to_owned).collect();
    for (key, value) in changed {
        put(&mut lines, key, *value);
    }
    let written = lines.join("\n") + "\n";
    // What was meant, found by reading it.
    let mut wanted = entries_of(text);
    for (key, value) in changed {
        match value {
            Some(value) => wanted.insert(
                (*key).to_owned(),
                entries_of(&format!("x = {value}")).remove("x")?,
            ),
            None => wanted.remove(*key),
        };
    }
    (entries_of(&written) == wanted).then_some(written)
}

fn put(lines: &mut Vec<String>, key: &str, value: Option<&str>) {
    let (section, name) = key.rsplit_once('.').unwrap_or(("", key));
    let line = value.map(|value| format!("{name} = {value}"));
    let mut here = "";
    let (mut begins, mut found) = (section.is_empty().then_some(0), None);
    for (place, line) in lines.iter().enumerate() {
        let line = line.trim();
        if let Some(rest) = line.strip_prefix('[') {
            here = rest.split(']').next().unwrap_or_default().trim();
            if here == section {
                begins = Some(place + 1);
            }
        } else if here == section
            && let Some((left, _)) = line.split_once('=')
            && left.trim() == name
        {
            found = Some(place);
        }
    }
    match (found, begins, line) {
        (Some(place), _, Some(line)) => lines[place] = line,
        (Some(place), _, None) => {
            lines.remove(place);
        }
        (None, Some(place), Some(line)) => lines.insert(place, line),
        (None, None, Some(line)) => lines.extend([String::new(), format!("[{section}]"), line]),
        (None, _, None) => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn entries_are_changed_and_all_else_stays() {
        let text = "name = \"plum 1\" # mine\n[drink]\nsucrose_g_per_l = 60 # weighed\n\n[bottle] # glass\nfill_ml = 475\n";
        let changed = with(
            text,
            &[
                ("drink.sucrose_g_per_l", Some("65.5")),
                ("bottle.count", Some("8")),
                ("culture", Some("\"jar two\"")),
                ("pilot.material", Some("\"pet\"")),
            ],
        );
        assert_eq!(
            changed.as_deref(),
            Some(
                "culture = \"jar two\"\nname = \"plum 1\" # mine\n[drink]\nsucrose_g_per_l = 65.5\n\n[bottle] # glass\ncount = 8\nfill_ml = 475\n\n\
                 [pilot]\nmaterial = \"pet\"\n"
            )
        );
        assert_eq!(
            with(text, &[("bottle.fill_ml", None)]).as_deref(),
            Some("name = \"plum 1\" # mine\n[drink]\nsucrose_g_per_l = 60 # weighed\n\n[bottle] # glass\n")
        );
    }

    #[test]
    fn a_table_in_a_line_is_left_to_its_writer() {
        let text = "name = \"plum 1\"\nbottle = { fill_ml = 475 }\n";
        assert_eq!(with(text, &[("bottle.fill_ml", Some("470"))]), None);
    }
}
