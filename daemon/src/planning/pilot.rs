//! Which bottle to take as the pilot, and how the gauge goes onto it.

use fobwatch_core::batch::{Batch, Material};

/// Sentences.
pub(super) fn of(batch: &Batch) -> Vec<String> {
    let own = batch.sensor_vessel();
    let which = match own.material {
        Material::Pet => {
            "Your pilot is of plastic, as it should be: a new bottle made for fizzy drinks, never glass."
        }
        Material::Glass | Material::Steel => {
            "Take a new plastic bottle made for fizzy drinks as the pilot, never glass, and write it into the batch file under [pilot]."
        }
    };
    let share = own.fill.litres() / own.capacity.litres();
    let like = batch.bottle.fill.litres() / batch.bottle.capacity.litres();
    let filled = if (share - like).abs() <= 0.01 {
        format!(
            "Fill it as the others, to {:.0} mL of {:.0}",
            own.fill.ml(),
            own.capacity.ml()
        )
    } else {
        format!(
            "It is filled to {:.0} % and the others to {:.0} %: the nearer these are, the better it tells of them. Fill it",
            100.0 * share,
            100.0 * like
        )
    };
    vec![
        which.to_owned(),
        "Fit the gauge to the cap while the bottle is empty: a threaded fitting through the middle of the cap, a washer that seals on \
         both sides, stainless steel where it meets the drink, no copper or brass. Fill the bottle with water, close it, squeeze it under \
         water and look for bubbles; then read the gauge's zero in open air (`fobwatch check --tare`)."
            .to_owned(),
        format!(
            "{filled}, from the middle of the filling, tape the thermometer to its side below the level, and stand it among the others in \
             the same crate. It tells about its own bottle; the glass may be ahead of it."
        ),
    ]
}
