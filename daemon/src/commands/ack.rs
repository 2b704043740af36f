//! `fobwatch ack`: somebody has seen an alert, or clears one that stays until a person does.

use clap::Args;
use fobwatch_core::alert::{AlarmState, AlertName};

use super::{
    Ended,
    keeper::{Empty, Where},
    meant::{alert_named, carry_out, meant, who},
};
use crate::wish::{DeedName, Wish};

/// Say that you have seen an alert; with --clear, clear one that stays until a person does.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  fobwatch ack move_to_fridge\n  fobwatch ack limit_near --batch 'hibiscus 12' --who Ada\n  fobwatch ack \
                  over_limit --batch 'hibiscus 12' --clear --reason 'cold for two days, let off with care'\n\nover_limit and \
                  sudden_loss stay until they are cleared with a reason, and cannot be cleared while their condition is there."
)]
pub(super) struct Ack {
    /// Which alert
    #[arg(value_name = "ALERT", value_parser = alert_named)]
    alert: AlertName,
    /// Of which batch, by its name or slug; needed when several have it
    #[arg(long, value_name = "NAME")]
    batch: Option<String>,
    /// Who has seen it; without it, the user that runs this
    #[arg(long, visible_alias = "as", value_name = "WHO")]
    who: Option<String>,
    /// Clear what is latched
    #[arg(long, requires = "reason")]
    clear: bool,
    /// Why it may be cleared
    #[arg(long, value_name = "TEXT", requires = "clear")]
    reason: Option<String>,
    /// A JSON record
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    place: Where,
}

impl Ack {
    pub(super) fn run(self) -> Result<(), Ended> {
        let mut found = self.place.find(Empty::Refuse)?;
        let states: &[AlarmState] = if self.clear {
            &[AlarmState::Unacknowledged, AlarmState::Acknowledged]
        } else {
            &[AlarmState::Unacknowledged, AlarmState::ReturnedUnacknowledged]
        };
        let meant = meant(&mut found, self.alert, self.batch.as_deref(), states)?;
        let wish = Wish {
            deed: if self.clear {
                DeedName::Reset
            } else {
                DeedName::Acknowledge
            },
            who: who(self.who.as_deref()),
            for_s: None,
            reason: self.reason,
        };
        let name = &meant.0;
        carry_out(&mut found, &meant, self.alert, &wish, self.json, |_at| {
            if self.clear {
                format!("{} of {name} is cleared by {}.", self.alert, wish.who)
            } else {
                format!(
                    "{} of {name} is acknowledged by {}. It goes on until its condition ends.",
                    self.alert, wish.who
                )
            }
        })
    }
}
