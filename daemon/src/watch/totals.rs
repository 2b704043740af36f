//! How much was handed out to all batches, so that each can account for what passed it by.

use fobwatch_core::reading::Quantity;

/// How many readings of each quantity were handed out, wherever they came from.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Totals([u64; Quantity::ALL.len()]);

impl Totals {
    pub(super) fn count(&mut self, quantity: Quantity) {
        for (known, own) in self.0.iter_mut().zip(Quantity::ALL) {
            *known += u64::from(own == quantity);
        }
    }

    /// Becomes `now`; by how much of each quantity that is more.
    pub(super) fn grow_to(&mut self, now: Self) -> impl Iterator<Item = (Quantity, u64)> + use<> {
        let before = std::mem::replace(self, now);
        let more = move |(now, before): (u64, u64)| now.saturating_sub(before);
        Quantity::ALL
            .into_iter()
            .zip(now.0.into_iter().zip(before.0).map(more))
    }
}
