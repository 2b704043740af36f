//! The data folder itself, held by this process: what is written waits in its place for the next `watch`.

use std::{
    collections::BTreeMap,
    panic::{AssertUnwindSafe, catch_unwind},
    path::{Path, PathBuf},
};

use fobwatch_core::{
    alert::AlertName,
    batch::{Batch, Slug},
    engine::{ClockSource, Monitor, Settings},
    note::{Note, NoteKind},
    reading::Reading,
};
use jiff::Timestamp;

use super::{CorrectedBatch, Diaries, Entries, FIRST, Keeper, Known, Noted, Standing, Wanted};
use crate::{
    claim,
    commands::Ended,
    config::{self, Config},
    corrected, decode,
    noted::Bounds,
    page::{self, Context, Shown, Told},
    rescue,
    store::Destination,
    store::{Appended, BatchId, StoreError, StoredBatch, Writer},
    watch::Claims,
    watch::{Clock, Left, WallClock, left},
    wish::Wish,
};

/// A data folder that no daemon holds.
pub(super) struct Folder {
    writer: Writer,
    path: PathBuf,
    config: Config,
    settings: Settings,
    /// The engines that were brought to the present: that may take seconds.
    engines: BTreeMap<BatchId, Monitor>,
    /// Whose the gauges are, once it was looked up.
    claims: Option<Claims>,
}

/// What the store says, as the end of a command.
pub(super) fn ended(error: StoreError) -> Ended {
    match error {
        StoreError::NameTaken { .. }
        | StoreError::NoSuchBatch { .. }
        | StoreError::Changed { .. }
        | StoreError::NotFinite { .. } => Ended::Refused(error.to_string()),
        _ => Ended::Failed(error.to_string()),
    }
}

impl Folder {
    /// Takes the folder's lock.
    ///
    /// # Errors
    /// Somebody holds it, or it cannot be used.
    pub(super) fn open(path: &Path, config: Config) -> Result<Self, StoreError> {
        let source = match config.clock {
            config::Clock::Wall => ClockSource::Ticks,
            config::Clock::Readings => ClockSource::Readings,
        };
        Ok(Self {
            writer: Writer::open(path)?,
            path: path.to_owned(),
            settings: config.settings(source),
            config,
            engines: BTreeMap::new(),
            claims: None,
        })
    }

    fn live(&self) -> Result<Vec<StoredBatch>, Ended> {
        let mut all = self.writer.reader().batches().map_err(ended)?;
        all.retain(|batch| batch.ended_at.is_none());
        Ok(all)
    }

    fn stored(&self, slug: &Slug) -> Result<StoredBatch, Ended> {
        let found = self.live()?.into_iter().find(|batch| batch.slug == *slug);
        found.ok_or_else(|| Ended::Refused(format!("no live batch answers to `{slug}`")))
    }

    /// How the channels that carry alerts did when the daemon ended, in sentences.
    fn channels(&self) -> Result<Vec<String>, Ended> {
        let backlog = self.writer.reader().backlog().map_err(ended)?;
        let mut known: Vec<String> = Destination::all(&self.config)
            .into_iter()
            .map(|of| of.name)
            .collect();
        if known.is_empty() {
            // A command without the daemon's configuration cannot tell who was struck from it.
            known.extend(backlog.iter().map(|of| of.destination.clone()));
        }
        let zone = &self.config.display.zone;
        Ok(page::of_channels(&backlog, &known, WallClock.now(), zone))
    }

    /// Entries have changed, and with them whose the gauges are.
    fn forget(&mut self) {
        self.engines.clear();
        self.claims = None;
    }

    /// The engine as it was left.
    fn left(&mut self, stored: &StoredBatch) -> Result<&Monitor, Ended> {
        let monitor = match self.engines.remove(&stored.id) {
            Some(monitor) => monitor,
            None => self.bring(stored)?,
        };
        Ok(self.engines.entry(stored.id).or_insert(monitor))
    }

    fn bring(&mut self, stored: &StoredBatch) -> Result<Monitor, Ended> {
        let reader = self.writer.reader();
        let claims = match self.claims.take() {
            Some(claims) => claims,
            None => Claims::of(&reader).map_err(ended)?,
        };
        let now = WallClock.now();
        let attempt = AssertUnwindSafe(|| left(&reader, stored, &self.settings, &claims, now));
        let brought = catch_unwind(attempt);
        self.claims = Some(claims);
        match brought {
            Ok(Ok(monitor)) => Ok(monitor),
            Ok(Err(Left::Store(error))) => Err(ended(error)),
            Ok(Err(Left::Refused(bad))) => Err(Ended::Failed(format!(
                "{} was accepted once and is refused by this program: {bad}",
                stored.name
            ))),
            Err(_panic) => Err(Ended::Failed(format!(
                "the reckoning of {} failed; start `fobwatch watch`, which sets it aside and says where",
                stored.name
            ))),
        }
    }

    /// When something that a person does to a batch happens.
    fn now(&mut self, stored: &StoredBatch) -> Result<Timestamp, Ended> {
        match self.settings.clock {
            ClockSource::Ticks => Ok(WallClock.now()),
            ClockSource::Readings => Ok(self.left(stored)?.clock()),
        }
    }
}

impl Keeper for Folder {
    fn name(&self) -> String {
        format!("the data folder {}", self.path.display())
    }

    fn watches(&self) -> bool {
        false
    }

    fn caution(&self) -> Option<&'static str> {
        Some(
            "no fobwatch runs: nobody listens to the sensors and nothing warns of pressure until `fobwatch watch` is started",
        )
    }

    fn status(&mut self, of: &Wanted) -> Result<Told, Ended> {
        let mut shown = Vec::new();
        let mut live = self.live()?;
        if let Wanted::Only(slug) = of {
            live.retain(|stored| stored.slug == *slug);
        }
        for stored in live {
            match self.left(&stored) {
                Ok(monitor) => shown.push(Shown::from(monitor)),
                // One bad batch hides no other.
                Err(why) => eprintln!("error: {why}. Treat its bottles as live."),
            }
        }
        let now = match self.settings.clock {
            ClockSource::Ticks => WallClock.now(),
            ClockSource::Readings => {
                let clocks = shown.iter().map(|shown| shown.view.at);
                clocks.max().unwrap_or_else(|| WallClock.now())
            }
        };
        let context = Context {
            now,
            display: self.config.display.clone(),
            demo: false,
            unstored: None,
            servers: self.channels()?,
        };
        let mut told = page::told(&shown, &context);
        if *of == Wanted::First {
            told.batches.truncate(FIRST);
        }
        Ok(told)
    }

    fn batches(&mut self) -> Result<Vec<Known>, Ended> {
        let known = |stored: StoredBatch| {
            let place = format!("the stored batch `{}`", stored.name);
            let (batch, _warnings) =
                Batch::from_toml(&stored.text, &place).map_err(|bad| Ended::Failed(bad.to_string()))?;
            Ok(Known {
                batch: stored.name,
                slug: stored.slug,
                bottled_at: batch.bottled_at,
                bottles: batch.bottle.count,
                target_co2_volumes: batch.target.co2.volumes(),
                limit_bar: batch.bottle.pressure_limit.bar(),
                counts_from: None,
            })
        };
        self.live()?.into_iter().map(known).collect()
    }

    fn add(&mut self, batch: &Batch, text: &str) -> Result<Vec<String>, Ended> {
        let live = self.live()?;
        let read = live
            .iter()
            .filter_map(|other| Batch::from_toml(&other.text, "the stored batch").ok());
        let others: Vec<Batch> = read.map(|(other, _warnings)| other).collect();
        claim::free(batch, &others).map_err(|claimed| Ended::Refused(claimed.to_string()))?;
        // What it names is no longer of the others.
        self.forget();
        self.writer
            .add_batch(batch, text, WallClock.now())
            .map_err(ended)?;
        Ok(claim::borrowed(batch, &others))
    }

    fn correct(&mut self, batch: &Known, entries: &Entries, who: &str) -> Result<CorrectedBatch, Ended> {
        let stored = self.stored(&batch.slug)?;
        let text = match entries {
            Entries::Whole(text) => text.clone(),
            Entries::Some(some) => corrected::with_json(&stored.text, some).map_err(Ended::Refused)?,
        };
        let live = self.live()?;
        let read = live
            .iter()
            .filter_map(|other| Batch::from_toml(&other.text, "the stored batch").ok());
        let others: Vec<Batch> = read.map(|(other, _warnings)| other).collect();
        let now = self.now(&stored)?;
        let done = corrected::corrected(&stored.text, &text, who, now, &others)
            .map_err(|not| Ended::Refused(not.told(&self.config.display.zone)))?;
        if !done.changes.is_empty() {
            self.writer
                .correct_batch(stored.id, &done, WallClock.now())
                .map_err(ended)?;
            self.forget();
        }
        Ok(CorrectedBatch {
            slug: done.batch.name.slug(),
            batch: done.batch.name,
            changes: done.changes,
            warnings: done.warnings,
        })
    }

    fn end(&mut self, batch: &Known) -> Result<(), Ended> {
        self.forget();
        self.writer
            .end_batch(batch.batch.as_str(), WallClock.now())
            .map(|_id| ())
            .map_err(ended)
    }

    fn note(&mut self, batch: &Known, lines: &str) -> Result<Vec<Noted>, Ended> {
        let stored = self.stored(&batch.slug)?;
        let now = self.now(&stored)?;
        let known = self.writer.reader().all_notes(stored.id).map_err(ended)?;
        let present = (now, self.settings.clock);
        let own = stored
            .read_again()
            .map_err(|bad| Ended::Failed(bad.to_string()))?;
        let bounds = Bounds::of(&own, known, present, &self.config.display.zone);
        let notes = bounds.read(lines.as_bytes()).map_err(Ended::Refused)?;
        let now = WallClock.now();
        if self.settings.clock == ClockSource::Ticks {
            // The engine's clock stands where the last daemon left it, and nothing is noted after its clock: without this
            // a move of today would count as made then, and the bottles as cold since.
            self.writer.append_clock(now).map_err(ended)?;
        }
        let mut noted = Vec::new();
        for note in notes {
            self.writer.append_note(stored.id, &note, now).map_err(ended)?;
            noted.push(Noted {
                time: note.at,
                kind: note.kind,
                counts_from: None,
            });
        }
        if noted.iter().any(|note| note.kind == NoteKind::TakenBack) {
            self.forget();
        }
        Ok(noted)
    }

    fn notes(&mut self, batch: &Known) -> Result<Vec<Note>, Ended> {
        let stored = self.stored(&batch.slug)?;
        self.writer.reader().all_notes(stored.id).map_err(ended)
    }

    fn diary(&mut self) -> Result<Diaries, Ended> {
        Ok(Diaries {
            entries: self.writer.reader().diary().map_err(ended)?,
            at: WallClock.now(),
        })
    }

    fn tend(&mut self, lines: &str) -> Result<usize, Ended> {
        let now = WallClock.now();
        let entries = decode::diary::entries(lines.as_bytes(), now, &self.config.display.zone)
            .map_err(Ended::Refused)?;
        self.writer.append_diary(&entries, now).map_err(ended)
    }

    fn take(&mut self, readings: &[Reading]) -> Result<usize, Ended> {
        let now = WallClock.now();
        if self.settings.clock == ClockSource::Ticks {
            // As with a note: they came now, not when the last daemon stopped.
            self.writer.append_clock(now).map_err(ended)?;
        }
        let appended = self.writer.append_readings(readings, now).map_err(ended)?;
        let new = appended.iter().filter(|one| matches!(one, Appended::New(_)));
        Ok(new.count())
    }

    fn alerts(&mut self) -> Result<Vec<Standing>, Ended> {
        let mut alerts = Vec::new();
        for stored in self.live()? {
            let view = self.left(&stored)?.view();
            alerts.extend(view.alerts.into_iter().map(|alert| Standing {
                batch: stored.name.clone(),
                slug: stored.slug.clone(),
                alert: alert.alert,
                state: alert.state,
            }));
        }
        Ok(alerts)
    }

    fn rescue(&mut self, batch: &Slug, at: Option<Timestamp>) -> Result<rescue::Told, Ended> {
        let stored = self.stored(batch)?;
        let now = self.now(&stored)?;
        let (ambient, display) = (
            self.settings.surroundings.usual_ambient,
            self.config.display.clone(),
        );
        let monitor = self.left(&stored)?;
        let at = rescue::moment(at, now.max(monitor.clock()), &display.zone).map_err(Ended::Refused)?;
        Ok(rescue::told(monitor, at, ambient, &display))
    }

    fn obey(&mut self, batch: &Slug, alert: AlertName, wish: &Wish) -> Result<Timestamp, Ended> {
        let stored = self.stored(batch)?;
        let at = self.now(&stored)?;
        let command = wish.command(alert, at).map_err(Ended::Refused)?;
        self.left(&stored)?
            .permits(&command)
            .map_err(|why| Ended::Refused(why.to_string()))?;
        let now = WallClock.now();
        self.writer
            .append_command(stored.id, &command, now)
            .map_err(ended)?;
        Ok(at)
    }
}
