//! The bottle with the gauge was never tight: what its gauge shows is the least that the others hold.

use std::sync::Arc;

use jiff::Timestamp;

use crate::{alert::AlertName, forecast::NeverTight};

use super::{
    Action, Monitor,
    astray::AGREES_IN_A_ROW,
    holds::{IN_A_ROW, Matter, Verdict},
};

impl Monitor {
    /// Told as a leak, unless one is told already.
    pub(super) fn judge_tightness(&mut self, now: Timestamp, out: &mut Vec<Action>) {
        let fitted = self.state.fitted.as_ref();
        let found = fitted.and_then(|fitted| fitted.outlook.never_tight);
        let verdict = Verdict::of(found.is_some(), found.is_none());
        let held = self.state.evidence.never_tight().is_some();
        let hold = self.state.holds.count(Matter::NeverTight, verdict);
        match found {
            Some(found) if held => self.hold_never_tight(Some(found)),
            Some(found) if hold.there >= IN_A_ROW && self.state.astray.leak.is_none() => {
                self.state.astray.leak = Some(self.batch.bottled_at);
                self.hold_never_tight(Some(found));
                let message = self.speaker().never_tight(&found);
                self.state
                    .board
                    .begins(AlertName::LeakSuspected.into(), now, message, out);
            }
            None if held && hold.gone >= AGREES_IN_A_ROW => {
                self.state.astray.leak = None;
                self.hold_never_tight(None);
                let message = self
                    .speaker()
                    .over("the pressure runs as in a tight bottle after all; the gauge counts again.");
                self.state
                    .board
                    .ends(&AlertName::LeakSuspected.into(), now, message, out);
            }
            _ => {}
        }
    }

    fn hold_never_tight(&mut self, found: Option<NeverTight>) {
        if self.state.evidence.never_tight() == found.as_ref() {
            return;
        }
        Arc::make_mut(&mut self.state.evidence).hold_never_tight(found);
        self.state.news = true;
        if let Some(others) = &mut self.state.others {
            Arc::make_mut(&mut others.evidence).hold_never_tight(found);
            others.news = true;
        }
    }
}
