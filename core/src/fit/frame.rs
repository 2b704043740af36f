//! What all lives of one batch share: drink, vessels, place, and the nodes of time.

use super::{
    Handling,
    climate::Climate,
    evidence::Evidence,
    knots::between,
    prior::{Known, Taught},
    series::{MONTHS_H, OLD_H, WEEKS_H},
};
use crate::batch::Material;
use crate::physics::{
    air::{SealedAir, air_share},
    chart::Chart,
    headspace::Vessel,
    solubility::sugar_mol_per_l,
    sugar::as_hexose_g_per_l,
};

/// Spread of the discrepancy on the log rate, and how long it remembers, h.
const SURPRISE: f64 = 0.5;
const SURPRISE_H: f64 = 120.0;

/// Its spread ahead. What the data bend the past into is not all there is to come: on drawn batches (tuning seeds) half of the past's spread and
/// less was seen. What is asked for safety counts with the whole.
const SURPRISE_LIKELY: f64 = 0.2;

/// Sucrose split while a g/L of CO2 is made and there is much of it, g/L: over four times what that takes (common practice, no source: all of it
/// within the first days).
const SPLIT_PER_CO2: f64 = 9.0;

/// Sucrose at which the enzyme that splits it works at half its pace, g/L: 25 mmol/L for baker's yeast (Gascon and Lampen 1968, J. Biol. Chem. 243,
/// 1567, from memory).
const HALF_SATED: f64 = 8.6;

/// Hours between its knots in the first week, in the first month, and after.
const KNOTS_H: [f64; 3] = [6.0, 24.0, 96.0];
const FIRST_WEEK_H: f64 = 168.0;

/// Shared by all lives.
#[derive(Clone, Debug)]
pub(super) struct Frame {
    pub(super) sucrose_g_per_l: f64,
    pub(super) hexose_g_per_l: f64,
    pub(super) unfermentable_g_per_l: f64,
    pub(super) sugar_mol_per_l: f64,
    /// The part of it that the culture eats.
    pub(super) fermentable_mol_per_l: f64,
    pub(super) alcohol_percent: f64,
    pub(super) known: Known,
    pub(super) pilot: Vessel,
    /// The bottles are of plastic, as the sensor vessel may be: they lose CO2 through their walls too.
    pub(super) bottles_of_plastic: bool,
    pub(super) bottle: Vessel,
    pub(super) worst: Vessel,
    pub(super) bottle_air: SealedAir,
    pub(super) worst_air: SealedAir,
    pub(super) sealed_k: f64,
    pub(super) air_share: f64,
    pub(super) ambient_bar: f64,
    pub(super) fridge_c: f64,
    pub(super) target_g_per_l: f64,
    pub(super) limit_bar: f64,
    /// Hours since sealing of each node; the last is the present.
    pub(super) nodes: Vec<f64>,
    /// Index of the node at or after which each venting happened.
    pub(super) ventings: Vec<usize>,
    pub(super) climate: Climate,
    pub(super) chart: Chart,
    /// Hours since sealing of the discrepancy's knots.
    pub(super) knots: Vec<f64>,
    /// For each step between two nodes the knot before its middle, and how far that lies on the way to the next.
    halfway: Vec<(usize, f64)>,
    /// Something was measured or noted, so the discrepancy has data to follow.
    pub(super) followed: bool,
}

impl Frame {
    /// Of what is known at `now_h`.
    pub(super) fn new(evidence: &Evidence, now_h: f64) -> Self {
        let batch = evidence.batch();
        let drink = &batch.drink;
        let nodes = nodes(now_h, &evidence.handlings);
        let climate = Climate::new(evidence, &nodes);
        let knots = knots(now_h);
        let bottle_shape = {
            let mut plain = batch.clone();
            plain.pilot = None;
            plain.sensor_vessel()
        };
        let pilot = Vessel::of(&batch.sensor_vessel());
        let bottle = Vessel::of(&bottle_shape);
        let worst = bottle.filled_by(batch.bottle.fill_tolerance.cubic_metres());
        let share = air_share(batch.bottle.headspace);
        let sealed_k = climate.past.first().copied().unwrap_or(21.0) + 273.15;
        let ambient = evidence.air_when_sealed();
        let (sucrose, hexose, other) = (
            drink.sucrose.grams_per_litre(),
            drink.hexose.grams_per_litre(),
            drink.unfermentable.grams_per_litre(),
        );
        let dose = drink.culture_dose.map(|dose| dose.ml_per_l());
        let known = Known {
            taught: match evidence.expectation() {
                Some(expectation) => Taught::new(expectation, dose),
                None => Taught::usual(dose),
            },
            dose,
            co2: drink.co2.map(|co2| co2.grams_per_litre()),
            ceiling: drink.alcohol_ceiling.map(|a| a.percent()),
            celsius_doubt: climate.past_doubt,
            gas_space_doubt: (0.5 * batch.bottle.fill_tolerance.cubic_metres()
                / (pilot.capacity - pilot.drink))
                .clamp(0.0, 0.3),
            plastic: batch.sensor_vessel().material == Material::Pet,
            follows: (bottle.capacity / 0.5e-3).clamp(0.1, 100.0).cbrt(),
        };
        let ventings = evidence
            .handlings
            .iter()
            .filter(|(h, handling)| *handling == Handling::Vented && *h <= now_h)
            .map(|(h, _)| nodes.partition_point(|node| node < h))
            .collect();
        Self {
            sucrose_g_per_l: sucrose,
            hexose_g_per_l: as_hexose_g_per_l(sucrose, hexose),
            unfermentable_g_per_l: other,
            // The culture splits the sucrose: over the batch's time half of it counts twice.
            sugar_mol_per_l: sugar_mol_per_l(1.5 * sucrose + other, hexose),
            fermentable_mol_per_l: sugar_mol_per_l(1.5 * sucrose, hexose),
            alcohol_percent: drink.alcohol.map_or(0.0, |a| a.percent()),
            known,
            pilot,
            bottles_of_plastic: batch.bottle.material == Material::Pet,
            bottle,
            worst,
            bottle_air: bottle.air_shut_in(sealed_k, ambient, share),
            worst_air: worst.air_shut_in(sealed_k, ambient, share),
            sealed_k,
            air_share: share,
            ambient_bar: ambient * 1e-5,
            fridge_c: batch.target.fridge.celsius(),
            target_g_per_l: batch.target.co2.grams_per_litre(),
            limit_bar: batch.bottle.pressure_limit.bar(),
            halfway: halfway(&knots, &nodes),
            knots,
            followed: true,
            nodes,
            ventings,
            climate,
            chart: Chart::new(),
        }
    }

    /// The reference drink: 80 g/L of sucrose in a 0.5 L bottle that holds 0.475 L, capped as filled at 20 degC.
    pub(super) fn reference(&self) -> Self {
        const SUCROSE: f64 = 80.0;
        let vessel = Vessel {
            capacity: 0.5e-3,
            drink: 0.475e-3,
        };
        let air = vessel.air_shut_in(293.15, 101_325.0, 1.0);
        Self {
            sucrose_g_per_l: SUCROSE,
            hexose_g_per_l: as_hexose_g_per_l(SUCROSE, 0.0),
            unfermentable_g_per_l: 0.0,
            sugar_mol_per_l: sugar_mol_per_l(SUCROSE, 0.0),
            fermentable_mol_per_l: sugar_mol_per_l(SUCROSE, 0.0),
            alcohol_percent: 0.0,
            known: Known {
                dose: Some(25.0),
                co2: None,
                ceiling: None,
                plastic: false,
                ..self.known
            },
            bottles_of_plastic: false,
            pilot: vessel,
            bottle: vessel,
            worst: vessel,
            bottle_air: air,
            worst_air: air,
            sealed_k: 293.15,
            air_share: 1.0,
            ambient_bar: 1.013_25,
            ventings: Vec::new(),
            ..self.clone()
        }
    }

    /// Sucrose that is split once `made` g/L of CO2 were made, g/L.
    ///
    /// The culture splits sucrose outside its cells and faster than it eats. Its enzyme is sated while there is much (Michaelis-Menten), so
    /// that what is split goes with what is made, `dS/dmade = -k S/(S + Km)`: `S + Km ln(S/S0) = S0 - k made`, by Newton's steps. On tuning
    /// batches the content by gravity alone lay 0.15 volumes too low at the target where what is split faded with what is left.
    pub(super) fn split(&self, made: f64) -> f64 {
        let whole = self.sucrose_g_per_l;
        if whole <= 0.0 || made <= 0.0 {
            return 0.0;
        }
        let left = whole - SPLIT_PER_CO2 * made;
        // The logarithm of the share that is left; from the right of the root each step comes nearer.
        let mut log = if left > 0.0 {
            ((left + HALF_SATED) / (whole + HALF_SATED)).ln()
        } else {
            (HALF_SATED / (whole + HALF_SATED)).ln().min(0.0)
        };
        for _ in 0..6 {
            let there = whole * log.exp();
            log -= (there + HALF_SATED * log - left) / (there + HALF_SATED);
        }
        whole * (1.0 - log.exp())
    }

    /// The discrepancy at its knots, from independent standard normals: log of the rate's factor.
    pub(super) fn surprises(&self, z: &[f64]) -> Vec<f64> {
        let mut out = Vec::with_capacity(self.knots.len());
        let mut before: Option<(f64, f64)> = None;
        // Where nobody was heard, a past is what was likely to come.
        let spread = if self.followed { SURPRISE } else { SURPRISE_LIKELY };
        for (h, z) in self.knots.iter().zip(z) {
            let value = match before {
                None => SURPRISE * z,
                Some((t, d)) => {
                    let keep = (-(h - t) / SURPRISE_H).exp();
                    keep * d + spread * (1.0 - keep * keep).sqrt() * z
                }
            };
            out.push(value);
            before = Some((*h, value));
        }
        out
    }

    /// The discrepancy half-way from the node before `node` to it.
    pub(super) fn surprise_into(&self, surprises: &[f64], node: usize) -> f64 {
        let Some((knot, part)) = self.halfway.get(node.wrapping_sub(1)) else {
            return 0.0;
        };
        match (surprises.get(*knot), surprises.get(knot + 1)) {
            (Some(low), Some(high)) => low + (high - low) * part,
            (Some(low), None) => *low,
            (None, _) => 0.0,
        }
    }

    /// How much more tightly rates are held that wander no more than is likely, as a ratio of precisions.
    pub(super) fn steadiness(&self) -> f64 {
        if self.followed {
            (SURPRISE / SURPRISE_LIKELY).powi(2)
        } else {
            1.0
        }
    }

    /// The discrepancy at `h`, linear between its knots.
    pub(super) fn surprise_at(&self, surprises: &[f64], h: f64) -> f64 {
        let after = self.knots.partition_point(|t| *t <= h);
        let (Some(low), Some(t0)) = (
            surprises.get(after.wrapping_sub(1)),
            self.knots.get(after.wrapping_sub(1)),
        ) else {
            return surprises.first().copied().unwrap_or(0.0);
        };
        match (surprises.get(after), self.knots.get(after)) {
            (Some(high), Some(t1)) => between(&[*low, *high], t1 - t0, h - t0),
            _ => *low,
        }
    }

    /// The knot before `h`, and how far `h` lies on the way to the next, 0 to 1.
    pub(super) fn knot_at(&self, h: f64) -> (usize, f64) {
        let knot = self.knots.partition_point(|t| *t <= h).saturating_sub(1);
        match (self.knots.get(knot), self.knots.get(knot + 1)) {
            (Some(t0), Some(t1)) => (knot, ((h - t0) / (t1 - t0)).clamp(0.0, 1.0)),
            _ => (knot, 0.0),
        }
    }

    /// One way the discrepancy may go from `last` on, as it is likely and as it may at worst: knots six hours apart, then a day.
    pub(super) fn surprises_ahead(
        last: f64,
        normals: &mut dyn FnMut() -> f64,
        nodes: &[f64],
    ) -> [Vec<f64>; 2] {
        let first = nodes.first().copied().unwrap_or(0.0);
        let until = nodes.last().copied().unwrap_or(0.0);
        let mut knots = vec![(first, [last; 2])];
        while let Some((h, ways)) = knots.last().copied().filter(|(h, _)| *h <= until) {
            let span = if h - first < FIRST_WEEK_H {
                KNOTS_H[0]
            } else {
                KNOTS_H[1]
            };
            let keep = (-span / SURPRISE_H).exp();
            let fresh = (1.0 - keep * keep).sqrt() * normals();
            let [likely, worst] = ways;
            let ways = [
                keep * likely + SURPRISE_LIKELY * fresh,
                keep * worst + SURPRISE * fresh,
            ];
            knots.push((h + span, ways));
        }
        let mut out = [(); 2].map(|()| Vec::with_capacity(nodes.len()));
        let mut pairs = knots.windows(2).peekable();
        for h in nodes {
            while pairs.peek().is_some_and(|pair| pair[1].0 <= *h) {
                pairs.next();
            }
            let Some([(h0, from), (h1, to)]) = pairs.peek() else {
                break;
            };
            let part = (h - h0) / (h1 - h0);
            for ((out, from), to) in out.iter_mut().zip(from).zip(to) {
                out.push(from + (to - from) * part);
            }
        }
        out
    }
}

/// Nodes of the past: close while the bottle settles, then half an hour for the last day and where something was done to the
/// bottles, else an hour and, later, two; coarser for what is weeks old, and for the ripe drink of a batch that is months old: a
/// clock that is off by years is not to cost minutes. Half a day, not a whole one, takes the room's swing out.
fn nodes(now_h: f64, handlings: &[(f64, Handling)]) -> Vec<f64> {
    let calm = |h: f64| !handlings.iter().any(|(at, _)| (h - 13.0..h + 1.0).contains(at));
    let mut out = vec![0.0];
    let mut h = 0.0;
    while h < now_h {
        let age = now_h - h;
        let (a_day, longer) = (calm(h) && age > 24.0, calm(h) && age > 48.0);
        let step = if age > MONTHS_H && h > OLD_H {
            12.0
        } else if age > OLD_H {
            4.0
        } else if age > WEEKS_H {
            if longer && h >= 12.0 { 2.0 } else { 1.0 }
        } else if h < 3.0 {
            if a_day { 0.25 } else { 0.125 }
        } else {
            let close = if h < 12.0 { 0.25 } else { 0.5 };
            close
                * if longer {
                    4.0
                } else if a_day {
                    2.0
                } else {
                    1.0
                }
        };
        h = if h + 1.2 * step >= now_h { now_h } else { h + step };
        out.push(h);
    }
    out
}

fn knots(now_h: f64) -> Vec<f64> {
    let mut out = vec![0.0];
    let mut h = 0.0;
    while h < now_h {
        h += if h < FIRST_WEEK_H {
            KNOTS_H[0]
        } else if h < OLD_H {
            KNOTS_H[1]
        } else if h < MONTHS_H {
            KNOTS_H[2]
        } else {
            4.0 * KNOTS_H[2]
        };
        out.push(h);
    }
    out
}

fn halfway(knots: &[f64], nodes: &[f64]) -> Vec<(usize, f64)> {
    nodes
        .windows(2)
        .map(|pair| {
            let h = 0.5 * pair.iter().sum::<f64>();
            let knot = knots.partition_point(|t| *t <= h).saturating_sub(1);
            match (knots.get(knot), knots.get(knot + 1)) {
                (Some(t0), Some(t1)) => (knot, (h - t0) / (t1 - t0)),
                _ => (knot, 0.0),
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn widest_between(nodes: &[f64], from_h: f64, to_h: f64) -> f64 {
        let spans = nodes
            .windows(2)
            .filter(|pair| pair[0] >= from_h && pair[1] <= to_h);
        spans.map(|pair| pair[1] - pair[0]).fold(0.0, f64::max)
    }

    #[test]
    fn the_older_the_past_the_longer_its_steps() {
        let nodes = nodes(100.0, &[]);
        assert!(nodes.windows(2).all(|pair| pair[0] < pair[1]));
        assert!((nodes[nodes.len() - 1] - 100.0).abs() < 1e-9);
        let spans = [(0.0, 3.0), (3.0, 12.0), (12.0, 50.0), (54.0, 74.0), (78.0, 100.0)];
        let widest = spans.map(|(from_h, to_h)| widest_between(&nodes, from_h, to_h));
        assert_eq!(widest.map(|h| h.to_string()), ["0.25", "1", "2", "1", "0.5"]);
        assert!((widest_between(&super::nodes(20.0, &[]), 0.0, 12.0) - 0.25).abs() < 1e-9);
    }

    #[test]
    fn around_a_move_they_stay_close_for_ten_days() {
        let nodes = nodes(200.0, &[(60.0, Handling::Fridge)]);
        assert!((widest_between(&nodes, 60.0, 73.0) - 0.5).abs() < 1e-9);
        assert!((widest_between(&nodes, 80.0, 160.0) - 2.0).abs() < 1e-9);
    }
}
