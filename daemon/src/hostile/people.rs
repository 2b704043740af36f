//! What people write: notes, words, diaries, records of cultures, batch files with their recipes, configuration files.

use fobwatch_core::{
    batch::BatchFile,
    culture::{Diary, Lesson},
    document::BadDocument,
    engine::{ClockSource, Event, Monitor},
    note::{Firmness, Liveliness, Palate, Sample, Tasting},
    plain,
    quantity::LiquidVolume,
};
use jiff::{SignedDuration, Timestamp, tz::TimeZone};

use super::{CONFIG, PLUM, arrival, told, told_in_lines};
use crate::{config::Config, corrected, decode, noted::Bounds, store::Destination};

/// Notes, one a line. One that was taken reads back the same.
pub fn notes(bytes: &[u8]) {
    for note in decode::notes::lines(bytes) {
        match note {
            Ok(note) => {
                let line = decode::notes::write(&note);
                assert_eq!(decode::notes::read(line.as_bytes()), Ok(note), "{line}");
            }
            Err(bad) => told(&bad),
        }
    }
    let bounds = Bounds {
        bottles: PLUM.bottle.count,
        squeezable: true,
        sealed_at: PLUM.bottled_at,
        now: PLUM.bottled_at + SignedDuration::from_hours(50),
        clock: ClockSource::Ticks,
        zone: TimeZone::UTC,
        known: Vec::new(),
    };
    match bounds.read(bytes) {
        Ok(notes) => {
            assert!(!notes.is_empty());
            for note in notes {
                let latest = bounds.now + SignedDuration::from_hours(1);
                assert!((bounds.sealed_at..latest).contains(&note.at), "{note:?}");
                let numbers = note.bottles.iter().flatten();
                assert!(numbers.into_iter().all(|n| (1..=bounds.bottles).contains(n)));
            }
        }
        Err(why) => told_in_lines(&why),
    }
}

/// Entries of diaries, one a line. What was taken reads back the same, and tells of each culture.
pub fn diary(bytes: &[u8]) {
    let entries = match decode::diary::entries(bytes, arrival(), &TimeZone::UTC) {
        Ok(entries) => entries,
        Err(why) => return told_in_lines(&why),
    };
    for entry in &entries {
        let line = serde_json::to_string(entry).expect("an entry can be written");
        let again = decode::diary::entries(line.as_bytes(), arrival(), &TimeZone::UTC);
        assert_eq!(again.as_deref(), Ok(std::slice::from_ref(entry)), "{line}");
    }
    let diary = Diary::new(entries);
    for culture in diary.cultures() {
        let state = diary.state(culture, Timestamp::MAX).expect("it has an entry");
        assert_eq!(state.allergens, diary.allergens(culture, Timestamp::MAX));
        assert!(diary.lessons(culture, Timestamp::MAX).len() <= diary.entries().len());
    }
}

/// A record of a culture. It reads back the same, and what the next batch begins with is finite.
pub fn lesson(bytes: &[u8]) {
    let lesson: Lesson = match serde_json::from_slice(bytes) {
        Ok(lesson) => lesson,
        Err(why) => return told(&plain::line(&why.to_string(), 300)),
    };
    let text = serde_json::to_string(&lesson).expect("a record can be written");
    let again: Lesson = serde_json::from_str(&text).expect("our own record is one");
    assert_eq!(again, lesson);
    if let Some(why) = lesson.silent_for(&PLUM) {
        told(&why);
    }
    let settings = CONFIG.settings(ClockSource::Ticks);
    let monitor = Monitor::new(PLUM.clone(), settings).with_history(&[lesson.clone(), lesson]);
    let request = monitor.forecast_request(PLUM.bottled_at);
    let known = serde_json::to_string(&*request.evidence).expect("evidence can be written");
    // JSON writes what is not finite as null.
    assert!(!known.contains("[null") && !known.contains(",null]"), "{known}");
}

/// Words of a note. What they say does not hang on capitals; what a household means stays within what is believed.
pub fn words(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else {
        return;
    };
    let loud = text.to_ascii_uppercase();
    assert_eq!(Liveliness::in_words(text), Liveliness::in_words(&loud));
    assert_eq!(Firmness::in_words(text), Firmness::in_words(&loud));
    assert_eq!(Sample::in_words(text), Sample::in_words(&loud));

    let lines = || text.lines().filter(|line| !line.is_empty());
    let tastings: Vec<Tasting> = lines()
        .map(|line| Tasting {
            text: line.to_owned(),
            share: f64::from(line.as_bytes()[0]) / 64.0,
            doubt: f64::from(line.as_bytes()[line.len() - 1]) / 640.0,
        })
        .collect();
    let palate = Palate::of(&tastings);
    assert!((0.5..=2.0).contains(&palate.factor()), "{palate:?}");
    assert!(usize::try_from(palate.tastings()).is_ok_and(|count| count <= tastings.len()));
    for own in palate.own() {
        assert!(own.share.is_finite() && own.share > 0.0, "{own:?}");
        assert!(own.spread.is_finite() && own.spread > 0.0, "{own:?}");
    }
    for line in lines() {
        if let Some(own) = palate.in_own_words(line) {
            assert!(line.to_lowercase().contains(&own.word), "{own:?} in {line}");
        }
    }
}

/// A batch file. All its problems have a line; one without any begins an engine that keeps its memory.
pub fn batch(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else {
        return;
    };
    let file = match BatchFile::from_toml(text, "plum.toml") {
        Ok(file) => file,
        Err(bad) => return problems(&bad, text),
    };
    let batch = &file.batch;
    let slug = batch.name.slug();
    let plain = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
    assert!(
        !slug.as_str().is_empty() && slug.as_str().chars().all(plain),
        "{slug:?}"
    );
    for number in [
        batch.bottle.pressure_limit.bar(),
        batch.bottle.fill.ml(),
        batch.target.co2.volumes(),
        batch.drink.sucrose.grams_per_litre(),
    ] {
        assert!(number.is_finite() && number >= 0.0, "{number}");
    }
    assert!(batch.bottle.fill <= batch.bottle.capacity);
    for warning in &file.warnings {
        told(warning);
    }
    if let Some(recipe) = &file.recipe {
        let ten = LiquidVolume::from_ml(10_000.0).expect("ten litres");
        for recipe in [Ok(recipe.clone()), recipe.scaled_to(ten)].into_iter().flatten() {
            let _ = (recipe.drink(), recipe.allergens());
            if let Ok(sugars) = recipe.sugars() {
                let grams = sugars.fermentable_as_hexose_g_per_l();
                assert!(grams.is_finite() && grams >= 0.0, "{grams}");
                let _ = sugars.gravity();
            }
        }
    }
    // Corrected, what held before is kept to the letter, and what is stored reads as what was meant.
    if let Some(mended) = corrected::with(text, &[("bottle.count", Some("3"))]) {
        match corrected::corrected(text, &mended, "Ada", arrival(), []) {
            Ok(done) => {
                assert_eq!(done.batch.bottle.count, 3);
                assert!(corrected::held(&done.text, text) && corrected::held(&done.text, &mended));
                let earlier = corrected::earlier(&done.text);
                assert_eq!(
                    earlier.first().map(String::as_str),
                    Some(corrected::entries(text))
                );
            }
            Err(not) => told_in_lines(&not.to_string()),
        }
    }
    let settings = CONFIG.settings(ClockSource::Ticks);
    let mut monitor = Monitor::new(batch.clone(), settings.clone());
    if let Ok(at) = batch.bottled_at.checked_add(SignedDuration::from_mins(5)) {
        let _ = monitor.step(Event::Tick { at });
    }
    let kept = monitor.snapshot();
    let again = Monitor::restore(&kept, batch.clone(), settings).expect("our own snapshot is one");
    assert_eq!(again.snapshot(), kept);
}

/// A configuration file. All its problems have a line.
pub fn config(bytes: &[u8]) {
    let Ok(text) = std::str::from_utf8(bytes) else {
        return;
    };
    match Config::from_toml(text, "kitchen.toml") {
        Ok(config) => {
            let _ = (config.settings(ClockSource::Ticks), Destination::all(&config));
            for source in &config.mqtt {
                told(&source.name());
            }
        }
        Err(bad) => problems(&bad, text),
    }
}

/// Each problem has a line of the file, and a sentence.
pub(super) fn problems(bad: &BadDocument, text: &str) {
    assert!(!bad.problems.is_empty());
    told_in_lines(&bad.to_string());
    let lines = text.split('\n').count();
    for problem in &bad.problems {
        assert!((1..=lines).contains(&problem.line), "{problem} of {lines} lines");
    }
}
