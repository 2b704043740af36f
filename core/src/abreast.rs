//! Several lives abreast: the same arithmetic on one number or on a row of them, so that a processor reckons some at once and need not
//! wait for each. Every place of a row gets, bit for bit, what a number alone would get.

use std::ops::{Add, Div, Mul, Neg, Sub};

/// Lives in a row. With four the compiler keeps a step in registers, and a processor's divisions overlap.
pub(crate) const ABREAST: usize = 4;

/// One number for each of them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Row(pub(crate) [f64; ABREAST]);

impl Row {
    /// What each place gets.
    #[inline(always)]
    pub(crate) fn by_place(of: impl Fn(usize) -> f64) -> Self {
        let mut row = [0.0; ABREAST];
        for (place, value) in row.iter_mut().enumerate() {
            *value = of(place);
        }
        Self(row)
    }
}

/// A number, or a row of them. What compares gives a mask, and [`Real::pick`] chooses by it.
pub(crate) trait Real:
    Copy
    + Neg<Output = Self>
    + Add<Output = Self>
    + Sub<Output = Self>
    + Mul<Output = Self>
    + Div<Output = Self>
    + Add<f64, Output = Self>
    + Sub<f64, Output = Self>
    + Mul<f64, Output = Self>
{
    type Mask: Copy;

    /// The same number at every place.
    fn of(value: f64) -> Self;

    /// A function of each number.
    fn map(self, of: impl Fn(f64) -> f64) -> Self;

    /// The same for two numbers each.
    fn map_with(self, other: Self, of: impl Fn(f64, f64) -> f64) -> Self;

    /// Some figures that belong to each number.
    fn read<const N: usize>(self, of: impl Fn(f64) -> [f64; N]) -> [Self; N];

    /// Where a comparison holds.
    fn holds(self, other: Self, of: impl Fn(f64, f64) -> bool) -> Self::Mask;

    /// `there` where the mask holds, `here` elsewhere.
    fn pick(mask: Self::Mask, there: Self, here: Self) -> Self;

    /// Where either holds.
    fn either(one: Self::Mask, other: Self::Mask) -> Self::Mask;

    /// Whether it holds everywhere.
    fn everywhere(mask: Self::Mask) -> bool;

    #[inline(always)]
    fn no_less(self, than: f64) -> Self {
        self.map(|value| value.max(than))
    }

    #[inline(always)]
    fn within(self, low: f64, high: f64) -> Self {
        self.map(|value| value.clamp(low, high))
    }

    #[inline(always)]
    fn larger(self, other: Self) -> Self {
        self.map_with(other, f64::max)
    }

    #[inline(always)]
    fn smaller(self, other: Self) -> Self {
        self.map_with(other, f64::min)
    }

    #[inline(always)]
    fn e_to(self) -> Self {
        self.map(f64::exp)
    }

    #[inline(always)]
    fn root(self) -> Self {
        self.map(f64::sqrt)
    }
}

impl Real for f64 {
    type Mask = bool;

    #[inline(always)]
    fn of(value: f64) -> Self {
        value
    }

    #[inline(always)]
    fn map(self, of: impl Fn(f64) -> f64) -> Self {
        of(self)
    }

    #[inline(always)]
    fn map_with(self, other: Self, of: impl Fn(f64, f64) -> f64) -> Self {
        of(self, other)
    }

    #[inline(always)]
    fn read<const N: usize>(self, of: impl Fn(f64) -> [f64; N]) -> [Self; N] {
        of(self)
    }

    #[inline(always)]
    fn holds(self, other: Self, of: impl Fn(f64, f64) -> bool) -> bool {
        of(self, other)
    }

    #[inline(always)]
    fn pick(mask: bool, there: Self, here: Self) -> Self {
        if mask { there } else { here }
    }

    #[inline(always)]
    fn either(one: bool, other: bool) -> bool {
        one || other
    }

    #[inline(always)]
    fn everywhere(mask: bool) -> bool {
        mask
    }
}

impl Real for Row {
    type Mask = [bool; ABREAST];

    #[inline(always)]
    fn of(value: f64) -> Self {
        Self([value; ABREAST])
    }

    #[inline(always)]
    fn map(mut self, of: impl Fn(f64) -> f64) -> Self {
        for value in &mut self.0 {
            *value = of(*value);
        }
        self
    }

    #[inline(always)]
    fn map_with(mut self, other: Self, of: impl Fn(f64, f64) -> f64) -> Self {
        for (value, other) in self.0.iter_mut().zip(other.0) {
            *value = of(*value, other);
        }
        self
    }

    #[inline(always)]
    fn read<const N: usize>(self, of: impl Fn(f64) -> [f64; N]) -> [Self; N] {
        let mut out = [Self([0.0; ABREAST]); N];
        for (place, value) in self.0.into_iter().enumerate() {
            for (out, figure) in out.iter_mut().zip(of(value)) {
                out.0[place] = figure;
            }
        }
        out
    }

    #[inline(always)]
    fn holds(self, other: Self, of: impl Fn(f64, f64) -> bool) -> Self::Mask {
        let mut mask = [false; ABREAST];
        for (place, holds) in mask.iter_mut().enumerate() {
            *holds = of(self.0[place], other.0[place]);
        }
        mask
    }

    #[inline(always)]
    fn pick(mask: Self::Mask, there: Self, here: Self) -> Self {
        Self::by_place(|place| {
            if mask[place] {
                there.0[place]
            } else {
                here.0[place]
            }
        })
    }

    #[inline(always)]
    fn either(one: Self::Mask, other: Self::Mask) -> Self::Mask {
        let mut mask = [false; ABREAST];
        for (place, holds) in mask.iter_mut().enumerate() {
            *holds = one[place] || other[place];
        }
        mask
    }

    #[inline(always)]
    fn everywhere(mask: Self::Mask) -> bool {
        mask.iter().fold(true, |all, holds| all & holds)
    }
}

macro_rules! by_place {
    ($($operation:ident $function:ident)*) => {$(
        impl $operation for Row {
            type Output = Self;

            #[inline(always)]
            fn $function(self, other: Self) -> Self {
                self.map_with(other, f64::$function)
            }
        }

        impl $operation<f64> for Row {
            type Output = Self;

            #[inline(always)]
            fn $function(self, other: f64) -> Self {
                self.map(|value| f64::$function(value, other))
            }
        }
    )*};
}

by_place! { Add add Sub sub Mul mul Div div }

impl Neg for Row {
    type Output = Self;

    #[inline(always)]
    fn neg(self) -> Self {
        self.map(f64::neg)
    }
}

/// What can stand abreast: its kind with a row in the place of each number.
pub(crate) trait Abreast: Copy {
    type Rows: Copy;

    /// Some of them as one.
    fn abreast(of: [&Self; ABREAST]) -> Self::Rows;

    /// The one at a place.
    fn at(rows: &Self::Rows, place: usize) -> Self;
}

impl Abreast for f64 {
    type Rows = Row;

    #[inline(always)]
    fn abreast(of: [&Self; ABREAST]) -> Row {
        Row(of.map(|value| *value))
    }

    #[inline(always)]
    fn at(rows: &Row, place: usize) -> Self {
        rows.0[place]
    }
}

/// Up to [`ABREAST`] as a row, not none: what is missing at its end goes twice.
#[inline(always)]
pub(crate) fn in_row<T>(some: &[T]) -> [&T; ABREAST] {
    std::array::from_fn(|place| &some[place.min(some.len() - 1)])
}

/// A struct whose every field can stand abreast.
macro_rules! abreast {
    ($name:ident { $($field:ident),* $(,)? }) => {
        impl $crate::abreast::Abreast for $name {
            type Rows = $name<$crate::abreast::Row>;

            #[inline]
            fn abreast(of: [&Self; $crate::abreast::ABREAST]) -> Self::Rows {
                $name { $($field: $crate::abreast::Abreast::abreast(of.map(|one| &one.$field)),)* }
            }

            #[inline]
            fn at(rows: &Self::Rows, place: usize) -> Self {
                $name { $($field: $crate::abreast::Abreast::at(&rows.$field, place),)* }
            }
        }
    };
}
pub(crate) use abreast;
