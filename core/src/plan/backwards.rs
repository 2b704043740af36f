//! Backwards: which dose, room or hour of sealing makes the move to the fridge right at a given moment.

use jiff::{SignedDuration, Timestamp};

use super::Prospect;
use crate::{
    batch::Batch,
    culture::Lesson,
    fit::Surroundings,
    forecast::{Forecast, When},
    quantity::{CultureDose, Temperature},
};

/// Doses that are tried, mL/L: recipes take up to an eighth of a litre (common practice, no source), and beyond that it is another drink.
pub const DOSES_ML_PER_L: [f64; 2] = [5.0, 125.0];

/// Rooms that are tried, degC: from above where `outside_temperature` warns to below it.
pub const ROOMS_C: [f64; 2] = [14.0, 30.0];

/// Halvings of a search; after eight the dose is told to 2 % and the room to a tenth of a degree.
const HALVINGS: u32 = 8;

/// Middles that come as near as this are right: nobody knows the day to the hour.
const NEAR: SignedDuration = SignedDuration::from_hours(3);

/// What may be changed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Change {
    /// The dose of the culture.
    Dose(CultureDose),
    /// The temperature of the room.
    Room(Temperature),
}

/// A change, and what comes of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Way {
    /// The change.
    pub change: Change,
    /// When the move is right then. Its middle is what was wanted, or as near as it gets.
    pub move_at: Option<When>,
    /// The middle lies where it was wanted.
    pub fits: bool,
    /// All that is expected then.
    pub forecast: Forecast,
}

/// Reckons with one batch, its culture and place.
#[derive(Clone, Copy, Debug)]
pub struct Backwards<'a> {
    /// The batch as it is planned.
    pub batch: &'a Batch,
    /// What earlier batches taught of its culture.
    pub lessons: &'a [Lesson],
    /// The place.
    pub surroundings: &'a Surroundings,
}

impl Backwards<'_> {
    /// The dose with which the middle of the move lies at `wanted`, in a room of `room`.
    #[must_use]
    pub fn dose(&self, room: Temperature, wanted: Timestamp) -> Option<Way> {
        let [low, high] = DOSES_ML_PER_L.map(f64::ln);
        self.search([low, high], wanted, |ln| {
            let dose = CultureDose::from_ml_per_l(ln.exp()).ok()?;
            let mut batch = self.batch.clone();
            batch.drink.culture_dose = Some(dose);
            Some((Change::Dose(dose), self.forecast(&batch, room)))
        })
    }

    /// The room in which the middle of the move lies at `wanted`, the dose as the batch file has it.
    #[must_use]
    pub fn room(&self, wanted: Timestamp) -> Option<Way> {
        self.search(ROOMS_C, wanted, |celsius| {
            let room = Temperature::from_celsius(celsius).ok()?;
            Some((Change::Room(room), self.forecast(self.batch, room)))
        })
    }

    fn forecast(&self, batch: &Batch, room: Temperature) -> Forecast {
        Prospect::new(batch, self.lessons, room, self.surroundings).forecast()
    }

    /// Higher values are quicker. The end that comes nearer, if neither end reaches over `wanted`.
    fn search(
        &self,
        [low, high]: [f64; 2],
        wanted: Timestamp,
        with: impl Fn(f64) -> Option<(Change, Forecast)>,
    ) -> Option<Way> {
        let mut quick = with(high)?;
        if middle(&quick.1).is_none_or(|at| at > wanted) {
            return Some(way(quick, wanted));
        }
        let slow = with(low)?;
        if middle(&slow.1).is_some_and(|at| at < wanted) {
            return Some(way(slow, wanted));
        }
        let (mut below, mut above) = (low, high);
        for _halving in 0..HALVINGS {
            let half = 0.5 * (below + above);
            let tried = with(half)?;
            match middle(&tried.1) {
                Some(at) if at <= wanted => (above, quick) = (half, tried),
                _ => below = half,
            }
        }
        // The quicker side of the gap: what is ready a little early can be moved a little early.
        Some(way(quick, wanted))
    }
}

/// When the move is right as likely as not; the target itself where no move is told.
fn middle(forecast: &Forecast) -> Option<Timestamp> {
    forecast.move_at.and_then(|when| when.p50)
}

fn way((change, forecast): (Change, Forecast), wanted: Timestamp) -> Way {
    let move_at = forecast.move_at;
    let off = middle(&forecast).map(|at| wanted.duration_since(at).abs());
    Way {
        change,
        move_at,
        fits: off.is_some_and(|off| off <= NEAR),
        forecast,
    }
}
