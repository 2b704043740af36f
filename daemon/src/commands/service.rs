//! `fobwatch service`: an alert is taken out of service, or put back.

use clap::Args;
use fobwatch_core::alert::{AlarmState, AlertName};

use super::{
    Ended,
    keeper::{Empty, Where},
    meant::{alert_named, carry_out, meant_or_only, who},
};
use crate::wish::{DeedName, Wish};

/// Take an alert of a batch out of service, with a reason, until somebody puts it back with --back.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  fobwatch service outside_temperature --out --reason 'it stands in the cellar on purpose'\n  fobwatch \
                  service outside_temperature --back --batch 'hibiscus 12'\n\nUnlike a shelved alert it does not come back by itself. \
                  limit_near, over_limit and sudden_loss cannot be taken out of service."
)]
pub(super) struct Service {
    /// Which alert
    #[arg(value_name = "ALERT", value_parser = alert_named)]
    alert: AlertName,
    /// Take it out of service
    #[arg(long, requires = "reason", required_unless_present = "back")]
    out: bool,
    /// Why
    #[arg(long, value_name = "TEXT", requires = "out")]
    reason: Option<String>,
    /// Put it back into service
    #[arg(long, conflicts_with = "out")]
    back: bool,
    /// Of which batch, by its name or slug; needed when several are watched
    #[arg(long, value_name = "NAME")]
    batch: Option<String>,
    /// Who does it; without it, the user that runs this
    #[arg(long, value_name = "WHO")]
    who: Option<String>,
    /// A JSON record
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    place: Where,
}

impl Service {
    pub(super) fn run(self) -> Result<(), Ended> {
        let mut found = self.place.find(Empty::Refuse)?;
        let states: &[AlarmState] = if self.back {
            &[AlarmState::OutOfService]
        } else {
            &[AlarmState::Unacknowledged, AlarmState::Acknowledged]
        };
        let meant = meant_or_only(&mut found, self.alert, self.batch.as_deref(), states)?;
        let wish = Wish {
            deed: if self.back {
                DeedName::PutBack
            } else {
                DeedName::TakeOut
            },
            who: who(self.who.as_deref()),
            for_s: None,
            reason: self.reason,
        };
        let name = &meant.0;
        carry_out(&mut found, &meant, self.alert, &wish, self.json, |_at| {
            if self.back {
                format!("{} of {name} is back in service.", self.alert)
            } else {
                format!(
                    "{} of {name} is out of service: nobody is told of it until `fobwatch service {} --back`.",
                    self.alert, self.alert
                )
            }
        })
    }
}
