//! Entries of cultures' diaries as a person hands them in: JSON objects, one a line; all are taken or none.

use fobwatch_core::{
    culture::{DIARY, DiaryEntry},
    plain,
};
use jiff::{SignedDuration, Timestamp, tz::TimeZone};
use serde_json::{Value, json};

use crate::moment;

/// A wall clock that runs ahead by so little is nobody's mistake.
const AHEAD: SignedDuration = SignedDuration::from_mins(10);

/// Reads entries; one without a time gets `now`, and `record` may be left out.
///
/// # Errors
/// Every problem, each with its line: then none may be taken.
pub fn entries(body: &[u8], now: Timestamp, zone: &TimeZone) -> Result<Vec<DiaryEntry>, String> {
    let body = body.strip_prefix(b"\xef\xbb\xbf").unwrap_or(body);
    let (mut taken, mut wrong) = (Vec::new(), Vec::new());
    for (line, number) in body.split(|byte| *byte == b'\n').zip(1_u32..) {
        if line.iter().all(u8::is_ascii_whitespace) {
            continue;
        }
        match one(line, now, zone) {
            Ok(entry) => taken.push(entry),
            Err(why) => wrong.push((number, why)),
        }
    }
    if taken.is_empty() && wrong.is_empty() {
        return Err("there is no entry in it; allowed: one JSON object a line".to_owned());
    }
    match wrong.as_slice() {
        [] => Ok(taken),
        [(_, why)] if taken.is_empty() => Err(why.clone()),
        all => {
            let told: Vec<String> = all
                .iter()
                .map(|(line, why)| format!("line {line}: {why}"))
                .collect();
            Err(told.join("\n"))
        }
    }
}

fn one(line: &[u8], now: Timestamp, zone: &TimeZone) -> Result<DiaryEntry, String> {
    let mut value: Value = serde_json::from_slice(line).map_err(|error| format!("no JSON: {error}"))?;
    let Value::Object(entry) = &mut value else {
        return Err(
            "an entry is a JSON object, as {\"culture\": \"jar two\", \"deed\": \"fed\", \"grams\": 20}"
                .to_owned(),
        );
    };
    entry.entry("record").or_insert_with(|| json!(DIARY));
    entry.entry("time").or_insert_with(|| json!(now));
    let entry: DiaryEntry =
        serde_json::from_value(value).map_err(|error| plain::line(&error.to_string(), 300))?;
    if entry.at > now.checked_add(AHEAD).unwrap_or(Timestamp::MAX) {
        return Err(format!(
            "`time` is {}; allowed: up to the present, {}, as \"{}\" on your own clock",
            moment::local(entry.at, zone),
            moment::local(now, zone),
            moment::typed(now, zone)
        ));
    }
    Ok(entry)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn entries_get_the_present_and_all_are_taken_or_none() {
        let now: Timestamp = "2026-03-02T07:00:00Z".parse().unwrap();
        let good = br#"{"culture":"jar two","deed":"fed","grams":20}"#;
        let read = entries(good, now, &TimeZone::UTC).unwrap();
        assert_eq!(read[0].at, now);
        let both = [&good[..], b"\n", br#"{"culture":"jar two","deed":"sung_to"}"#].concat();
        assert!(
            entries(&both, now, &TimeZone::UTC)
                .unwrap_err()
                .starts_with("line 2: `deed` is `sung_to`; allowed: started")
        );
        let planned = br#"{"culture":"jar two","deed":"fed","time":"2026-03-03T07:00:00Z"}"#;
        let why = entries(planned, now, &TimeZone::UTC).unwrap_err();
        assert!(
            why.contains("allowed: up to the present, ")
                && why.contains(" UTC, as \"")
                && !why.contains("00Z"),
            "{why}"
        );
        assert!(
            entries(b"\n", now, &TimeZone::UTC)
                .unwrap_err()
                .contains("no entry")
        );
        assert!(
            entries(b"[1]", now, &TimeZone::UTC)
                .unwrap_err()
                .contains("a JSON object")
        );
    }
}
