//! Notes that tell the fit something: a hydrometer, a dial, a squeeze, an opened bottle.

use crate::{
    fit::Told,
    note::{Firmness, Liveliness, Note, NoteKind, Sample},
    quantity::{GaugePressure, Unit},
    reading::{Measured, Quantity},
};

use super::{Action, Monitor, intake::Sensor, others::Apart, readings::by_eye, whereabouts::Place};
use std::sync::Arc;

use jiff::Timestamp;

/// A dial is read to this at worst, bar; a written `2` may have been `2.0`.
const DIAL_BAR: f64 = 0.2;
/// The same of a hydrometer: `1.02` is `1.020`.
const HYDROMETER: f64 = 0.002;

impl Monitor {
    /// Gives the fit what `note` found out at `at`, if it can be reckoned with.
    pub(super) fn noted_finding(&mut self, note: &Note, at: Timestamp, out: &mut Vec<Action>) {
        let text = note.text.as_deref().unwrap_or_default();
        match note.kind {
            NoteKind::Gauge => {
                let Some((Measured::Pressure(pressure), step)) = read(note, Quantity::Pressure, DIAL_BAR)
                else {
                    return;
                };
                if let Some(source) = by_eye() {
                    let quantity = Quantity::Pressure;
                    self.watch_limit(&Sensor { source, quantity }, at, pressure, out);
                }
                let step = GaugePressure::from_bar(step).unwrap_or(GaugePressure::ZERO);
                self.tell(at, Told::ByEye { pressure, step }, None);
            }
            NoteKind::Gravity => {
                if let Some((Measured::Gravity(gravity), step)) = read(note, Quantity::Gravity, HYDROMETER) {
                    let sample = Sample::in_words(text);
                    self.tell(
                        at,
                        Told::Hydrometer {
                            gravity,
                            step,
                            sample,
                        },
                        note.bottles.as_deref(),
                    );
                }
            }
            NoteKind::Squeezed => {
                if let Some(firmness) = Firmness::in_words(text) {
                    self.tell(at, Told::Squeezed(firmness), None);
                }
            }
            NoteKind::Opened | NoteKind::Tasted => {
                let own = || {
                    let own = self.state.evidence.palate().in_own_words(text)?;
                    let (share, spread) = (own.share, own.spread);
                    Some(Told::InOwnWords { share, spread })
                };
                if let Some(told) = Liveliness::in_words(text).map(Told::Tasted).or_else(own) {
                    self.tell(at, told, note.bottles.as_deref());
                }
            }
            NoteKind::MovedToFridge
            | NoteKind::TakenOut
            | NoteKind::Vented
            | NoteKind::GivenAway
            | NoteKind::Broken
            | NoteKind::Corrected
            | NoteKind::Confirmed
            | NoteKind::TakenBack
            | NoteKind::Other => {}
        }
    }

    /// To the evidence of the bottles that it speaks of; without `bottles`, of those with the sensors.
    fn tell(&mut self, at: Timestamp, told: Told, bottles: Option<&[u32]>) {
        let whereabouts = &self.state.whereabouts;
        let mut chilled = bottles
            .into_iter()
            .flatten()
            .map(|number| whereabouts.chilled.contains(number));
        // Of a few that were put elsewhere by their numbers; bottles of both places in one note say nothing.
        let elsewhere = match (chilled.next(), whereabouts.sensors) {
            (None, _) => false,
            (Some(first), place) => {
                if chilled.any(|other| other != first) {
                    return;
                }
                !whereabouts.chilled.is_empty() && first != (place == Place::Fridge)
            }
        };
        if !elsewhere {
            Arc::make_mut(&mut self.state.evidence).tell(at, told);
            self.state.news = true;
        }
        if let Some(others) = &mut self.state.others {
            let theirs = match others.why {
                Apart::Unconfirmed => true,
                Apart::Stayed => elsewhere,
            };
            if theirs {
                Arc::make_mut(&mut others.evidence).tell(at, told);
                others.news = true;
            }
        }
    }
}

/// The number of a note as `quantity`, and the smallest step of it as it was written, no more than `coarsest`, in the
/// quantity's usual unit.
fn read(note: &Note, quantity: Quantity, coarsest: f64) -> Option<(Measured, f64)> {
    let value = note.value?;
    let unit: Unit = note.unit.as_ref()?.parse().ok()?;
    let written = value.to_string();
    let decimals = written.split_once('.').map_or(0, |(_, after)| after.len());
    let step = 10_f64.powi(-i32::try_from(decimals).unwrap_or(0).min(9));
    let usual = |value: f64| {
        let measured = Measured::new(quantity, value, unit).ok()?;
        let number = match measured {
            Measured::Pressure(p) => p.bar(),
            Measured::Gravity(g) => g.specific(),
            _ => return None,
        };
        Some((measured, number))
    };
    let (measured, here) = usual(value)?;
    let there = usual(value + step).map_or(coarsest, |(_, there)| (there - here).abs());
    Some((measured, there.min(coarsest)))
}
