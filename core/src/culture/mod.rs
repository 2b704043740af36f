//! What one batch taught about its culture, and what several of them say of the next one.
//!
//! [`Lesson`] is the record of one batch, made by [`crate::fit::lesson`] and kept as JSON; [`Expectation`] is what the lessons of one
//! culture say of its next batch, made by [`crate::fit::Evidence::with_history`]. A lesson is told from the batch's own data and the
//! wide beliefs of the literature ([`Pool`]) alone, never from other lessons, so that nothing is counted twice;
//! where it is looked for is where usual cultures are.

mod diary;
mod expect;
mod lesson;
mod liveliness;
mod pool;

pub use diary::{CultureState, DIARY, Diary, DiaryEntry, Tended, UnknownTended};
pub use expect::Expectation;
#[cfg(test)]
pub(crate) use expect::between;
pub(crate) use expect::{DOSE_DOUBT, DOSED};
pub use lesson::{BadLesson, Lesson, SCHEMA, TRAITS, Trait};
pub use liveliness::{Liveliness, Normal};
pub use pool::Pool;

/// How many traits a culture has.
pub const COUNT: usize = 14;
