//! What a person is asked to look up, until somebody confirms it.

use super::Monitor;
use crate::{forecast::Odd, note::Note};

impl Monitor {
    /// Entries that the readings speak against, and nobody has confirmed.
    pub(super) fn asked(&self) -> impl Iterator<Item = Odd> {
        let odd = self.state.fitted.iter().flat_map(|fitted| &fitted.outlook.odd);
        odd.copied().filter(|odd| !self.state.confirmed.contains(odd))
    }

    /// The question rests: of what the note names, else of all that is asked.
    pub(super) fn noted_confirmed(&mut self, note: &Note) {
        let said = note.text.as_deref().unwrap_or_default().to_lowercase();
        let named = |odd: &Odd| said.contains(odd.name());
        let mut meant: Vec<Odd> = Odd::ALL.into_iter().filter(named).collect();
        if meant.is_empty() {
            meant = self.asked().collect();
        }
        self.state.confirmed.extend(meant);
    }
}
