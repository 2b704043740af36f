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
            "Take a new plastic bottle made for fizzy drinks as the pilot, never glass, as large as the others if you can get it, and enter its figures as \
             those of the pilot."
        }
    };
    let mut said = vec![which.to_owned()];
    said.extend(of_its_size(batch));
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
    said.extend([
        "Fit the gauge to the cap while the bottle is empty: a threaded fitting through the middle of the cap, a washer that seals on \
         both sides, stainless steel where it meets the drink, no copper or brass. Fill the bottle with water, close it, squeeze it under \
         water and look for bubbles; then read the gauge's zero in open air (`fobwatch check --tare`)."
            .to_owned(),
        format!(
            "{filled}, from the middle of the filling, tape the thermometer to its side below the level, and stand it among the others in \
             the same crate. It tells about its own bottle; the glass may be ahead of it."
        ),
    ]);
    said
}

/// How well it stands for the others by its size, and how full it had best be for the gas space of the gauge.
fn of_its_size(batch: &Batch) -> Vec<String> {
    let Some(own) = &batch.pilot else {
        return Vec::new();
    };
    let mut said = Vec::new();
    let size = own.capacity.litres() / batch.bottle.capacity.litres();
    if !(0.8..=1.25).contains(&size) {
        // A bottle follows its room in a time that grows with its width, so with the cube root of what it holds.
        let slower = size.cbrt();
        let (pace, factor) = if slower > 1.0 {
            ("more slowly", slower)
        } else {
            ("faster", 1.0 / slower)
        };
        said.push(format!(
            "It holds {:.0} mL and the others {:.0}: it warms and cools about {factor:.1} times {pace} than they do, so on a day that changes it is behind or \
             ahead of them. One of their size tells best.",
            own.capacity.ml(),
            batch.bottle.capacity.ml(),
        ));
    }
    let dead = own.dead_volume.litres();
    // As full as leaves it, with the gauge's own gas space, the share of gas that the others have.
    let share = (batch.bottle.capacity.litres() - batch.bottle.fill.litres()) / batch.bottle.fill.litres();
    let best = (own.capacity.litres() + dead) / (1.0 + share);
    let fits = best < 0.99 * own.capacity.litres();
    if fits && (best / own.fill.litres() - 1.0).abs() > 0.01 {
        said.push(format!(
            "Its pressure runs most like theirs if it holds as much gas for its drink as they do: with the gas space of the gauge that is at {:.0} mL of drink in it, \
             where you entered {:.0}.",
            1_000.0 * best,
            own.fill.ml(),
        ));
    }
    said
}
