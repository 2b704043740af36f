//! The curves as a file.

use std::{fs, path::Path};

use fobwatch_core::compare::Comparison;

use super::super::Ended;
use crate::craft::cultures::Gathered;
use crate::page::{Curve, Screen, compared};

/// Writes the picture; batches of which only a record is left have no curve.
pub(super) fn write(file: &Path, gathered: &[Gathered], comparison: &Comparison) -> Result<(), Ended> {
    // Panels in the order of the sentences.
    let mut curves: Vec<Curve<'_>> = Vec::new();
    for culture in &comparison.cultures {
        let own = gathered
            .iter()
            .filter(|batch| batch.entry.lesson.culture == culture.culture);
        curves.extend(own.map(|batch| Curve {
            culture: batch.entry.lesson.culture.as_str(),
            batch: batch.entry.lesson.batch.as_str(),
            bottled_at: batch.entry.lesson.bottled_at,
            past: &batch.past,
        }));
    }
    curves.retain(|curve| curve.past.len() > 1);
    if curves.is_empty() {
        return Err(Ended::Failed(
            "there is no curve to draw: of these batches only their records are left".to_owned(),
        ));
    }
    fs::write(file, compared(&curves, Screen::Wide))
        .map_err(|error| Ended::Failed(format!("{} cannot be written: {error}", file.display())))
}
