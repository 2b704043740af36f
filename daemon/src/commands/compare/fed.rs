//! What each culture loses, or gains, with the days since its feed: from the diaries.

use std::path::Path;

use fobwatch_core::{
    compare::{Entry, since_feed},
    culture::{DIARY, Diary, DiaryEntry},
};
use serde_json::json as object;

use super::super::{Ended, history, json, read};
use crate::{config::Config, craft::words, store::Store, watch::data_folder};

/// The diary of a folder of earlier batches: lines of its files that are records of a diary.
pub(super) fn of_folder(folder: &Path) -> Result<Diary, Ended> {
    let mut found = Vec::new();
    for path in history::entries(folder)?
        .iter()
        .filter(|path| history::is_record(path))
    {
        for (line, number) in read(path)?.lines().zip(1_u32..) {
            let value: Option<serde_json::Value> = serde_json::from_str(line).ok();
            let Some(value) = value.filter(|value| value.get("record").is_some_and(|record| record == DIARY))
            else {
                continue;
            };
            let entry: DiaryEntry = serde_json::from_value(value)
                .map_err(|error| Ended::Refused(format!("{}, line {number}: {error}", path.display())))?;
            found.push(entry);
        }
    }
    Ok(Diary::new(found))
}

/// The diary of the data folder.
pub(super) fn of_store(data: Option<std::path::PathBuf>, config: &Config) -> Result<Diary, Ended> {
    let data = data_folder(data, config).map_err(|none| Ended::Refused(none.to_string()))?;
    let read = Store::read_folder(&data, |reader| reader.diary());
    read.map(Diary::new)
        .map_err(|error| Ended::Failed(error.to_string()))
}

/// In words.
pub(super) fn said(entries: &[Entry], diary: &Diary) -> Vec<String> {
    since_feed(entries, diary).iter().map(words::fed).collect()
}

/// As JSON records.
pub(super) fn records(entries: &[Entry], diary: &Diary) -> Result<Vec<String>, Ended> {
    since_feed(entries, diary)
        .iter()
        .map(|told| {
            let change = told.change;
            json(&object!({
                "record": "since_feed", "culture": told.culture, "batches": told.batches,
                "vigour_percent_per_day": { "p05": change.p05, "p50": change.p50, "p95": change.p95 },
            }))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn diaries_lie_beside_other_records() {
        let folder = tempfile::tempdir().unwrap();
        let line = r#"{"record":"diary","culture":"jar two","time":"2026-03-01T08:00:00Z","deed":"fed"}"#;
        std::fs::write(
            folder.path().join("jars.jsonl"),
            format!("{line}\n{{\"record\":\"forecast\"}}\n\n"),
        )
        .unwrap();
        assert_eq!(of_folder(folder.path()).unwrap().entries().len(), 1);
        // The file alone does, too, and no other.
        let (jars, other) = (folder.path().join("jars.jsonl"), folder.path().join("jars.csv"));
        assert_eq!(of_folder(&jars).unwrap().entries().len(), 1);
        std::fs::write(&other, "").unwrap();
        let why = of_folder(&other).unwrap_err().to_string();
        assert!(why.contains("jars.csv is a file; allowed: a folder"), "{why}");
        std::fs::remove_file(other).unwrap();
        std::fs::write(folder.path().join("bad.jsonl"), line.replace("fed", "sung_to")).unwrap();
        let why = of_folder(folder.path()).unwrap_err().to_string();
        assert!(why.contains("bad.jsonl, line 1: `deed` is `sung_to`"), "{why}");
    }
}
