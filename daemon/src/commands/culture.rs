//! `fobwatch culture`: the diary of a starter.

use std::{
    io::Write,
    path::{Path, PathBuf},
};

use clap::Args;
use fobwatch_core::{
    batch::CultureName,
    culture::{Diary, DiaryEntry, Tended},
};
use jiff::Timestamp;
use serde_json::{Map, Value, json as object};

use super::{
    Ended,
    export::whole,
    json,
    keeper::{Diaries, Empty, Found, Where},
    local, proof, read, say,
};
use crate::page::{self, Context, SPOILT};

/// Keep the diary of a culture: feeds, rest, splits, looks, proofs.
#[derive(Debug, Args)]
#[command(
    after_help = "Deeds: started, fed, taken, chilled, warmed, split_from, looked, proofed, holds, free_of, discarded, taken_back.\n\n\
                  Examples:\n  fobwatch culture\n  fobwatch culture 'jar two'\n  fobwatch culture 'jar two' started --allergens barley --text 'from a \
                  friend'\n  fobwatch culture 'jar two' fed --grams 20 --text 'ginger and sugar'\n  fobwatch culture 'jar two' taken_back --time '2026-03-05 15:00'\n  fobwatch culture 'jar two' looked --text 'foams, \
                  smells of bread'\n  fobwatch culture 'jar three' split_from --parent 'jar two'\n  fobwatch culture 'jar two' proofed --of 'proof of jar two 3'\n  \
                  fobwatch culture 'jar two' --to jar-two.jsonl\n  fobwatch culture --file jar-two.jsonl\n\n\
                  Allergens are inherited: by cultures that are split from this one, and by the labels of its batches. A proof is a small plastic bottle \
                  of fed starter under the gauge for 6 to 12 h, with a batch file of its own (`fobwatch batch example proof`); `--of` \
                  names it. What it taught stands in the diary, and `plan --history`, `replay --history` and `compare --history` take it from the file that --to wrote."
)]
pub(super) struct CultureCommand {
    /// The culture, by the name that batch files give it; without it, all
    #[arg(value_name = "NAME", value_parser = culture)]
    culture: Option<CultureName>,
    /// What happened; without it, the diary is told
    #[arg(value_name = "DEED", value_parser = tended, requires = "culture")]
    deed: Option<Tended>,
    /// How much was fed or taken, in grams
    #[arg(long, value_name = "GRAMS", requires = "deed", value_parser = super::number)]
    grams: Option<f64>,
    /// The culture that it was split from
    #[arg(long, value_name = "NAME", requires = "deed", value_parser = culture)]
    parent: Option<CultureName>,
    /// Allergens that came in with it, between commas
    #[arg(long, value_name = "NAMES", requires = "deed", value_delimiter = ',')]
    allergens: Vec<String>,
    /// In words
    #[arg(long, value_name = "TEXT", requires = "deed")]
    text: Option<String>,
    /// When it happened, as '2026-03-05 15:00' on your own clock, or with its offset; without it, now
    #[arg(long, value_name = "TIME", requires = "deed", value_parser = super::note::time)]
    time: Option<Timestamp>,
    /// With `proofed`: the proof, by its name in the data folder, or its folder with batch.toml and readings.csv
    #[arg(long, value_name = "NAME|DIR", requires = "deed")]
    of: Option<PathBuf>,
    /// Take entries from a file instead, one JSON object a line: all or none
    #[arg(long, value_name = "FILE", conflicts_with_all = ["deed", "to"])]
    file: Option<PathBuf>,
    /// Write the diary into this file, one JSON object a line
    #[arg(long, value_name = "FILE", conflicts_with = "deed")]
    to: Option<PathBuf>,
    /// JSON records
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    place: Where,
}

impl CultureCommand {
    pub(super) fn run(self) -> Result<(), Ended> {
        if let Some(file) = &self.file {
            return self.take(&read(file)?, Some(file));
        }
        if let (Some(culture), Some(Tended::TakenBack)) = (&self.culture, self.deed) {
            return self.take_back(culture);
        }
        if let (Some(culture), Some(deed)) = (&self.culture, self.deed) {
            let line = self.line(culture, deed)?;
            return self.take(&line.to_string(), None);
        }
        self.tell()
    }

    /// The entry as it is handed in.
    fn line(&self, culture: &CultureName, deed: Tended) -> Result<Value, Ended> {
        let mut entry = Map::new();
        entry.insert("culture".to_owned(), object!(culture));
        entry.insert("deed".to_owned(), object!(deed.name()));
        let mut put = |key: &str, value: Option<Value>| {
            if let Some(value) = value {
                entry.insert(key.to_owned(), value);
            }
        };
        put("grams", self.grams.map(|grams| object!(grams)));
        put("parent", self.parent.as_ref().map(|parent| object!(parent)));
        let allergens: Vec<&str> = self
            .allergens
            .iter()
            .map(|one| one.trim())
            .filter(|one| !one.is_empty())
            .collect();
        put("allergens", (!allergens.is_empty()).then(|| object!(allergens)));
        put("text", self.text.as_ref().map(|text| object!(text)));
        put("time", self.time.map(|time| object!(time)));
        match (deed, &self.of) {
            (Tended::Proofed, Some(folder)) => {
                let proof = proof::of(folder, culture, &self.place)?;
                put("lesson", Some(object!(proof.lesson)));
                if self.time.is_none() {
                    put("time", Some(object!(proof.ended_at)));
                }
            }
            (Tended::Proofed, None) => {
                return Err(Ended::Refused(
                    "a proof needs what it showed; allowed: --of NAME, the batch of the proof, or --of DIR, a folder with its batch.toml and readings.csv".to_owned(),
                ));
            }
            (_, Some(_)) => return Err(Ended::Refused("--of stands only with `proofed`".to_owned())),
            (_, None) => {}
        }
        Ok(Value::Object(entry))
    }

    /// Takes back the one entry of the minute that was named.
    fn take_back(&self, culture: &CultureName) -> Result<(), Ended> {
        let Some(at) = self.time else {
            return Err(Ended::Refused(format!(
                "which entry is to be taken back? allowed: --time with its minute, as `fobwatch culture '{culture}'` tells it"
            )));
        };
        let mut found = self.place.find(Empty::Refuse)?;
        let diary = Diary::new(found.keeper.diary()?.entries);
        let of_minute = |entry: &&DiaryEntry| (0..60).contains(&entry.at.duration_since(at).as_secs());
        let meant: Vec<&DiaryEntry> = diary.of(culture).filter(of_minute).collect();
        let said = |entry: &&DiaryEntry| {
            self.text
                .as_deref()
                .is_none_or(|text| entry.mark().starts_with(text.trim()))
        };
        match meant.iter().copied().filter(said).collect::<Vec<_>>().as_slice() {
            [one] => {
                found.keeper.tend(&json(&one.taken_back())?)?;
                say(&format!("Taken back of {culture}: {}.", one.mark()))
            }
            _ => {
                let marks: Vec<String> = meant.iter().map(|entry| format!("'{}'", entry.mark())).collect();
                Err(Ended::Refused(match marks.as_slice() {
                    [] => format!(
                        "no entry of {culture} is of that minute; `fobwatch culture '{culture}'` tells them"
                    ),
                    marks => format!(
                        "several entries of {culture} may be meant; allowed: --text with the beginning of one: {}",
                        marks.join(", ")
                    ),
                }))
            }
        }
    }

    fn take(&self, lines: &str, file: Option<&Path>) -> Result<(), Ended> {
        let mut found = self.place.find(Empty::Begin)?;
        let new = found.keeper.tend(lines).map_err(|ended| match (ended, file) {
            (Ended::Refused(why), Some(file)) => Ended::Refused(format!("{}: {why}", file.display())),
            (ended, _) => ended,
        })?;
        if file.is_some() {
            return say(&format!(
                "{new} entries were new; those that were there already stay as they are."
            ));
        }
        let Some(culture) = &self.culture else {
            return Ok(());
        };
        let diary = Diary::new(found.keeper.diary()?.entries);
        if self.json {
            let state = diary.state(culture, Timestamp::MAX);
            return say(&json(
                &object!({ "record": "culture_state", "culture": culture, "new": new, "state": state }),
            )?);
        }
        say(&format!("Noted of {culture}."))?;
        if let Some(state) = diary.state(culture, Timestamp::MAX)
            && let Some(at) = state.discarded_at
            && self.deed != Some(Tended::Discarded)
        {
            let at = local(at, &found.zone);
            say(&format!(
                "It was noted as thrown out on {at}. If it is another one under the old name, note `started` or `split_from` first."
            ))?;
        }
        if let Some(parent) = &self.parent
            && diary.of(parent).next().is_none()
        {
            say(&page::unknown_parent(parent))?;
        }
        if let Some(state) = diary.state(culture, Timestamp::MAX)
            && state.looks_spoilt
            && self.deed == Some(Tended::Looked)
        {
            say(SPOILT)?;
        }
        Ok(())
    }

    fn tell(&self) -> Result<(), Ended> {
        let mut found = self.place.find(Empty::Refuse)?;
        let Diaries { entries, at } = found.keeper.diary()?;
        let kept: Vec<DiaryEntry> = match &self.culture {
            // Its allergens and lessons come from those that it was split from, too.
            Some(culture) if self.to.is_some() || self.json => with_parents(&entries, culture),
            Some(_) | None => entries,
        };
        if let Some(path) = &self.to {
            let lines: Vec<String> = kept.iter().map(json).collect::<Result<_, _>>()?;
            whole(path, |out| {
                lines
                    .iter()
                    .try_for_each(|line| writeln!(out, "{line}"))
                    .map_err(|error| Ended::Failed(format!("{} cannot be written: {error}", path.display())))
            })?;
            return say(&format!("{} holds {} entries.", path.display(), lines.len()));
        }
        if self.json {
            return kept.iter().try_for_each(|entry| say(&json(entry)?));
        }
        self.words(&found, &Diary::new(kept), at)
    }

    fn words(&self, found: &Found, diary: &Diary, at: Timestamp) -> Result<(), Ended> {
        let context = Context {
            now: at,
            display: found.display.clone(),
            demo: false,
            unstored: None,
            servers: Vec::new(),
        };
        let known: Vec<CultureName> = diary.cultures().into_iter().cloned().collect();
        if known.is_empty() {
            return say(
                "No culture has a diary yet; `fobwatch culture 'jar two' fed --grams 20` begins one.",
            );
        }
        match &self.culture {
            Some(culture) if known.contains(culture) => {
                say(&format!("{culture}:"))?;
                page::tended(diary, culture, &context)
                    .iter()
                    .try_for_each(|line| say(line))
            }
            Some(culture) => {
                let names: Vec<String> = known.iter().map(|name| format!("'{name}'")).collect();
                Err(Ended::Refused(format!(
                    "no culture with a diary is named `{culture}`; allowed: {}",
                    names.join(", ")
                )))
            }
            None => {
                for culture in &known {
                    say(&format!("{culture}:"))?;
                    let lines = page::tended(diary, culture, &context);
                    // The entries themselves are indented; the list tells how each stands.
                    for line in lines.iter().filter(|line| !line.starts_with(' ')) {
                        say(&format!("  {line}"))?;
                    }
                }
                Ok(())
            }
        }
    }
}

/// The entries of a culture, and of those that it was split from.
fn with_parents(entries: &[DiaryEntry], culture: &CultureName) -> Vec<DiaryEntry> {
    let mut wanted = vec![culture.clone()];
    let mut next = 0;
    while let Some(name) = wanted.get(next).cloned() {
        let own = entries.iter().filter(|entry| entry.culture == name);
        for parent in own.filter_map(|entry| entry.parent.as_ref()) {
            if !wanted.contains(parent) {
                wanted.push(parent.clone());
            }
        }
        next += 1;
    }
    entries
        .iter()
        .filter(|entry| wanted.contains(&entry.culture))
        .cloned()
        .collect()
}

fn culture(text: &str) -> Result<CultureName, String> {
    CultureName::new(text).map_err(|bad| bad.to_string())
}

fn tended(text: &str) -> Result<Tended, String> {
    text.parse()
        .map_err(|unknown: fobwatch_core::culture::UnknownTended| unknown.to_string())
}
