//! The members' draws from the prior: few of them stand for all of it.
//!
//! Of each number of a point they lie evenly (see [`Random::stratified`]), and no two numbers go together by chance: sixty-four independent draws of two numbers
//! correlate by an eighth, and since all batches begin with the same draws, all would be told a content too wide or too narrow, and too high or too low, in
//! the same way. Each number is regressed on those before it and takes its own values in the order of what is left (Owen 1994, Journal of the
//! American Statistical Association 89, 1517, after Iman and Conover 1982), so its values stay as even as they were.

use std::{borrow::Cow, sync::LazyLock};

use nalgebra::DVector;

use super::{
    SEED,
    course::Problem,
    prior::ALL,
    random::{Random, STRATA, Strata},
};

/// How often a number is regressed: the second time takes away most of what the order of its values brought back.
const TURNS: usize = 2;

/// Of the numbers that come as the batch grows older, with how many before it each has nothing in common. All cannot be: there are more of them than members.
const LATEST: usize = 10;

/// Of what is yet to come: so many of the next surprises, and of the ways of the room, have nothing in common with a member's own numbers. A day's worth, and
/// how the room stands now.
const SOON: usize = 5;
const ROOM_SOON: usize = 8;

/// Members of the posterior.
pub(super) const MEMBERS: usize = 64;

/// The values of one number, one for each member.
type Column = [f64; MEMBERS];

const _: () = assert!(MEMBERS == STRATA, "each member has a stratum of its own");

/// One draw for each member. What was drawn for a younger batch stays as the batch gets more numbers.
pub(super) struct Draws {
    /// In the order of a point.
    columns: Vec<Column>,
}

impl Draws {
    /// For the points of a problem.
    pub(super) fn new(problem: &Problem, seed: u64) -> Self {
        let knots = problem.frame.knots.len();
        Self {
            columns: drawn(
                seed,
                &[(1, 0, ALL), (1, ALL, ALL + knots), (2, 0, problem.air_knots)],
            ),
        }
    }

    /// That of one member.
    pub(super) fn of(&self, member: usize) -> DVector<f64> {
        let of_member = |column: &Column| column.get(member).copied().unwrap_or(0.0);
        DVector::from_iterator(self.columns.len(), self.columns.iter().map(of_member))
    }
}

/// What each member draws of the time to come, for as long as the batch lives.
#[derive(Clone)]
pub(super) struct Ahead {
    surprises: Coming,
    room: Coming,
}

/// Draws of one kind, in the order in which they are asked for; where those beyond them come from.
#[derive(Clone)]
struct Coming {
    columns: Vec<Column>,
    kind: [u64; 2],
}

/// Streams of the time to come: what comes soon of both, and what comes later of each, with how many take a member to the horizon.
const AHEAD: u64 = 4;
const SURPRISES: (u64, u64) = (5, 88);
const ROOM: (u64, u64) = (6, 251);

/// All batches draw alike: the table is made once, and is as good as a constant.
static USUAL: LazyLock<Ahead> = LazyLock::new(|| Ahead::drawn(SEED));

impl Ahead {
    pub(super) fn new(seed: u64) -> Cow<'static, Self> {
        if seed == SEED {
            Cow::Borrowed(&*USUAL)
        } else {
            Cow::Owned(Self::drawn(seed))
        }
    }

    fn drawn(seed: u64) -> Self {
        let mut surprises = drawn(seed, &[(1, 0, ALL), (AHEAD, 0, SOON + ROOM_SOON)]).split_off(ALL);
        let room = surprises.split_off(SOON);
        Self {
            surprises: Coming::new(surprises, seed, SURPRISES),
            room: Coming::new(room, seed, ROOM),
        }
    }

    /// Standard normals of a member's surprises, one after the other.
    pub(super) fn surprises(&self, member: usize) -> impl FnMut() -> f64 {
        self.surprises.one_by_one(member)
    }

    /// And of the ways of the room.
    pub(super) fn room(&self, member: usize) -> impl FnMut() -> f64 {
        self.room.one_by_one(member)
    }
}

impl Coming {
    fn new(soon: Vec<Column>, seed: u64, (kind, most): (u64, u64)) -> Self {
        let first = u64::try_from(soon.len()).unwrap_or(u64::MAX);
        let mut columns = soon;
        columns.extend((first..most).map(|place| even(&[seed, kind, place])));
        Self {
            columns,
            kind: [seed, kind],
        }
    }

    fn one_by_one(&self, member: usize) -> impl FnMut() -> f64 {
        let [seed, kind] = self.kind;
        let mut places = 0..;
        move || {
            let place = places.next().unwrap_or(usize::MAX);
            let known = self.columns.get(place).and_then(|column| column.get(member));
            known.copied().unwrap_or_else(|| {
                let [place, member] = [place, member].map(|n| u64::try_from(n).unwrap_or(u64::MAX));
                Random::stratified(&[seed, kind, place], member)
            })
        }
    }
}

/// Numbers of some kinds, from a place to before another: the first kind's have nothing in common with each other, nor the others' with those.
fn drawn(seed: u64, kinds: &[(u64, usize, usize)]) -> Vec<Column> {
    let mut columns: Vec<Column> = Vec::new();
    let mut directions: Vec<Column> = Vec::new();
    for (kind, from, until) in kinds {
        let before = directions.len();
        for place in *from..*until {
            let latest = directions.len().saturating_sub(LATEST).max(before);
            let (shared, own) = match before {
                0 => (&directions[..], &[][..]),
                _ => (&directions[..ALL], &directions[latest..]),
            };
            let place = u64::try_from(place).unwrap_or(u64::MAX);
            let values = even(&[seed, *kind, place]);
            let column = apart_from(values, || shared.iter().chain(own));
            directions.push(direction(column));
            columns.push(column);
        }
    }
    columns
}

/// Values of one number that cover it evenly.
fn even(stream: &[u64]) -> Column {
    let mut values = [0.0; MEMBERS];
    let strata = Strata::of(stream);
    for (value, member) in values.iter_mut().zip(0_u64..) {
        *value = strata.normal(member);
    }
    values
}

/// The same values in such an order that they have next to nothing in common with the others, given as directions.
fn apart_from<'d, O: Iterator<Item = &'d Column>>(mut values: Column, others: impl Fn() -> O) -> Column {
    let mut even = values;
    even.sort_by(f64::total_cmp);
    for _ in 0..TURNS {
        let mut left = direction(values);
        for other in others() {
            let common: f64 = left.iter().zip(other).map(|(a, b)| a * b).sum();
            left.iter_mut()
                .zip(other)
                .for_each(|(left, other)| *left -= common * other);
        }
        let mut order: [usize; MEMBERS] = std::array::from_fn(|member| member);
        order.sort_by(|a, b| left[*a].total_cmp(&left[*b]));
        for (value, member) in even.iter().zip(order) {
            values[member] = *value;
        }
    }
    values
}

/// A column less its mean, of length one.
fn direction(mut column: Column) -> Column {
    let count: f64 = column.iter().map(|_| 1.0).sum();
    let mean = column.iter().sum::<f64>() / count;
    column.iter_mut().for_each(|value| *value -= mean);
    let length = column.iter().map(|value| value * value).sum::<f64>().sqrt();
    let per_length = 1.0 / length.max(f64::MIN_POSITIVE);
    column.iter_mut().for_each(|value| *value *= per_length);
    column
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Of a batch that is weeks old.
    fn columns(knots: usize) -> Vec<Column> {
        drawn(7, &[(1, 0, ALL), (1, ALL, ALL + knots), (2, 0, 8)])
    }

    fn correlation(one: &Column, other: &Column) -> f64 {
        let (one, other) = (direction(*one), direction(*other));
        one.iter().zip(&other).map(|(a, b)| a * b).sum()
    }

    #[test]
    fn no_two_numbers_go_together_by_chance() {
        let columns = columns(40);
        for (index, column) in columns.iter().enumerate() {
            for other in &columns[..index.min(ALL)] {
                let found = correlation(column, other);
                assert!(found.abs() < 0.1, "{index}: {found}");
            }
        }
        // As independent draws do.
        let chance: Vec<Column> = (0..40).map(|place| even(&[7, 9, place])).collect();
        assert!(
            chance
                .windows(2)
                .any(|pair| correlation(&pair[0], &pair[1]).abs() > 0.2)
        );
    }

    #[test]
    fn each_number_covers_its_values_as_evenly_as_before() {
        for (place, column) in (0_u64..).zip(columns(3)).take(ALL) {
            let sorted = |mut column: Column| {
                column.sort_by(f64::total_cmp);
                column.map(f64::to_bits)
            };
            assert_eq!(sorted(column), sorted(even(&[7, 1, place])));
        }
    }

    #[test]
    fn what_was_drawn_stays_as_a_batch_grows_older() {
        let (young, old) = (columns(3), columns(40));
        assert_eq!(young[..ALL + 3], old[..ALL + 3]);
        assert_eq!(young[ALL + 3..], old[ALL + 40..]);
    }

    #[test]
    fn what_is_to_come_owes_nothing_to_what_is() {
        let ahead = Ahead::new(7);
        let own = columns(0);
        let of = |normals: &dyn Fn(usize) -> f64| -> Column { std::array::from_fn(normals) };
        let first = [
            of(&|member| ahead.surprises(member)()),
            of(&|member| ahead.room(member)()),
        ];
        for own in &own[..ALL] {
            assert!(first.iter().all(|ahead| correlation(ahead, own).abs() < 0.1));
        }
        assert!(correlation(&first[0], &first[1]).abs() < 0.1);
        let mut later = ahead.room(5);
        let many: Vec<f64> = (0..200).map(|_| later()).collect();
        assert!(many.windows(2).all(|pair| pair[0].to_bits() != pair[1].to_bits()));
    }
}
