//! What the fit may use.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::{
    Handling, Observed, Surroundings,
    prior::pool,
    series::Series,
    told::{Notes, Told},
};
use crate::{
    batch::Batch,
    culture::{Expectation, Lesson},
    forecast::NeverTight,
    note::Palate,
};

/// Hours of the gauge's life that are told finely: half-hour medians across the first transient would bias its zero.
const FINE_H: u8 = 3;

/// All that the fit may use, condensed as it arrives so that a live batch stays small.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Evidence {
    batch: Batch,
    surroundings: Surroundings,
    expectation: Option<Expectation>,
    /// What the household means by its words.
    #[serde(default)]
    pub(super) palate: Palate,
    pub(super) gauge: Series,
    pub(super) absolute: Series,
    pub(super) ambient: Series,
    pub(super) liquid: Series,
    pub(super) room: Series,
    pub(super) gravity: Series,
    #[serde(default)]
    pub(super) notes: Notes,
    pub(super) handlings: Vec<(f64, Handling)>,
    doubts: Vec<(f64, Option<f64>)>,
    /// The sensor vessel was never tight: what its gauge shows is the least that the other bottles have.
    #[serde(default)]
    never_tight: Option<NeverTight>,
}

impl Evidence {
    /// Nothing observed.
    #[must_use]
    pub fn new(batch: Batch, surroundings: Surroundings) -> Self {
        Self {
            batch,
            surroundings,
            expectation: None,
            palate: Palate::USUAL,
            gauge: Series::fine_for(FINE_H),
            absolute: Series::fine_for(FINE_H),
            ambient: Series::default(),
            liquid: Series::default(),
            room: Series::default(),
            gravity: Series::default(),
            notes: Notes::default(),
            handlings: Vec::new(),
            doubts: Vec::new(),
            never_tight: None,
        }
    }

    /// The same, with what earlier batches taught of the culture. Lessons of another culture, of this batch or of later ones are
    /// left out ([`Lesson::silent_for`] says why), and of one batch the first counts; without any it is a usual culture again.
    #[must_use]
    pub fn with_history(mut self, lessons: &[Lesson]) -> Self {
        let mut heard: Vec<Lesson> = Vec::new();
        for lesson in lessons
            .iter()
            .filter(|lesson| lesson.silent_for(&self.batch).is_none())
        {
            let of = |lesson: &Lesson| (lesson.bottled_at, lesson.batch.clone());
            if !heard.iter().any(|known| of(known) == of(lesson)) {
                heard.push(lesson.clone());
            }
        }
        self.expectation = Expectation::of(&heard, self.batch.bottled_at, &pool());
        self
    }

    /// The same, with that expectation of its culture.
    #[cfg(test)]
    pub(super) fn expecting(mut self, expectation: crate::culture::Expectation) -> Self {
        self.expectation = Some(expectation);
        self
    }

    /// The same, with what the household's words were found to mean ([`super::tastings()`] of its earlier batches).
    #[must_use]
    pub fn with_palate(mut self, palate: Palate) -> Self {
        self.palate = palate;
        self
    }

    /// What the household means by its words.
    #[must_use]
    pub fn palate(&self) -> &Palate {
        &self.palate
    }

    /// What the culture's earlier batches say of this one, if they are known.
    #[must_use]
    pub fn expectation(&self) -> Option<&Expectation> {
        self.expectation.as_ref()
    }

    /// Takes one observation, measured at `at`. Late ones (older than what came before) are welcome; those from before
    /// the sealing are left out.
    pub fn observe(&mut self, at: Timestamp, observed: Observed) {
        let at_h = self.hours(at);
        if at_h < 0.0 {
            return;
        }
        match observed {
            Observed::Gauge(p) => self.gauge.take(at_h, p.bar()),
            Observed::Absolute(p) => self.absolute.take(at_h, p.bar()),
            Observed::Ambient(p) => self.ambient.take(at_h, p.bar()),
            Observed::Liquid(t) => self.liquid.take(at_h, t.celsius()),
            Observed::Room(t) => self.room.take(at_h, t.celsius()),
            Observed::Gravity(g) => self.gravity.take(at_h, g.specific()),
        }
    }

    /// Takes what a person found out at `at`; those from before the sealing are left out.
    pub fn tell(&mut self, at: Timestamp, told: Told) {
        let at_h = self.hours(at);
        if at_h >= 0.0 {
            self.notes.take(at_h, told);
        }
    }

    /// From `at` on the sensor vessel is handled so.
    pub fn handle(&mut self, at: Timestamp, handling: Handling) {
        let at_h = self.hours(at).max(0.0);
        let place = self.handlings.partition_point(|(h, _)| *h <= at_h);
        self.handlings.insert(place, (at_h, handling));
    }

    /// The evidence of bottles that stayed in the room when the sensor vessel left it at `at`: what that vessel showed from
    /// then on, and where it went, is not theirs; the room and its air are.
    #[must_use]
    pub fn of_those_that_stayed(&self, at: Timestamp) -> Self {
        let at_h = self.hours(at);
        let mut theirs = self.clone();
        for series in [
            &mut theirs.gauge,
            &mut theirs.absolute,
            &mut theirs.liquid,
            &mut theirs.gravity,
        ] {
            series.forget_from(at_h);
        }
        theirs.notes.forget_from(at_h, Told::of_sensor_vessel);
        theirs.handlings.retain(|(h, _)| *h < at_h);
        theirs
    }

    /// Gauge readings measured from `from` until before `until` (`None`: from there on) do not count.
    /// Called again with the same `from`, the later call stands.
    pub fn doubt_gauge(&mut self, from: Timestamp, until: Option<Timestamp>) {
        let (from, until) = (self.hours(from), until.map(|until| self.hours(until)));
        self.doubts.retain(|(known, _)| known.total_cmp(&from).is_ne());
        self.doubts.push((from, until));
    }

    /// The sensor vessel is held to have leaked from the start, or no longer: what its gauge shows only bounds from below what the bottles have,
    /// and they hold about as much as a life that leaks has made.
    pub fn hold_never_tight(&mut self, found: Option<NeverTight>) {
        self.never_tight = found;
    }

    /// That the sensor vessel is held to have leaked from the start.
    #[must_use]
    pub fn never_tight(&self) -> Option<&NeverTight> {
        self.never_tight.as_ref()
    }

    /// The same evidence, the gauge taken at its word.
    pub(super) fn as_if_tight(&self) -> Self {
        Self {
            never_tight: None,
            ..self.clone()
        }
    }

    /// The batch.
    #[must_use]
    pub fn batch(&self) -> &Batch {
        &self.batch
    }

    /// The place.
    #[must_use]
    pub fn surroundings(&self) -> &Surroundings {
        &self.surroundings
    }

    /// Pressure of the air that the bottles shut in, Pa: as a barometer tells it on its first day, else as the altitude lets
    /// expect. What that may be off lies within the doubt of the trapped air.
    pub(super) fn air_when_sealed(&self) -> f64 {
        let told = self.ambient.points(f64::MAX, |_| true);
        let day = told.first().map_or(0.0, |first| first.at_h + 24.0);
        let first_day = told.iter().take_while(|point| point.at_h <= day);
        let (count, sum) = first_day.fold((0.0, 0.0), |(count, sum), point| (count + 1.0, sum + point.value));
        if count > 0.0 {
            1e5 * sum / count
        } else {
            self.surroundings.usual_ambient.pascal()
        }
    }

    /// In how many spans of time the sensor vessel was measured before `until_h`.
    pub(super) fn heard(&self, until_h: f64) -> usize {
        [&self.gauge, &self.absolute, &self.gravity]
            .map(|series| series.filled(until_h))
            .iter()
            .sum()
    }

    /// Hours from the sealing to `at`.
    pub(super) fn hours(&self, at: Timestamp) -> f64 {
        at.duration_since(self.batch.bottled_at).as_secs_f64() / 3_600.0
    }

    /// Whether a pressure measured `at_h` counts: not doubted, and the bottle not opened before.
    pub(super) fn trusts_pressure(&self, at_h: f64) -> bool {
        let doubted = self
            .doubts
            .iter()
            .any(|(from, until)| at_h >= *from && until.is_none_or(|until| at_h < until));
        !doubted && !self.opened(at_h)
    }

    /// Whether the sensor vessel was opened before `at_h`.
    pub(super) fn opened(&self, at_h: f64) -> bool {
        self.handlings
            .iter()
            .any(|(h, handling)| *handling == Handling::Opened && at_h >= *h)
    }
}
