//! `fobwatch shelve`: an alert is set aside for a time.

use clap::Args;
use fobwatch_core::alert::{AlarmState, AlertName};
use jiff::SignedDuration;

use super::{
    Ended,
    keeper::{Empty, Where},
    local,
    meant::{alert_named, carry_out, meant, who},
    span,
};
use crate::wish::{DeedName, Wish};

/// Set an alert aside for a time, with a reason; or bring it back with --unshelve.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  fobwatch shelve sensor_silent --for 8h --reason 'the gauge is being cleaned'\n  fobwatch shelve \
                  move_to_fridge --for 30m --reason 'the fridge is full' --batch 'hibiscus 12'\n  fobwatch shelve sensor_silent \
                  --unshelve\n\nFor at most 30 days. over_limit cannot be shelved."
)]
pub(super) struct Shelve {
    /// Which alert
    #[arg(value_name = "ALERT", value_parser = alert_named)]
    alert: AlertName,
    /// For how long, as 8h, 30m or 2d
    #[arg(
        long = "for",
        value_name = "TIME",
        value_parser = span::read,
        required_unless_present = "unshelve",
        allow_hyphen_values = true
    )]
    length: Option<SignedDuration>,
    /// Why
    #[arg(long, value_name = "TEXT", required_unless_present = "unshelve")]
    reason: Option<String>,
    /// Bring it back before its time
    #[arg(long, conflicts_with_all = ["length", "reason"])]
    unshelve: bool,
    /// Of which batch, by its name or slug; needed when several have it
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

impl Shelve {
    pub(super) fn run(self) -> Result<(), Ended> {
        let mut found = self.place.find(Empty::Refuse)?;
        let states: &[AlarmState] = if self.unshelve {
            &[AlarmState::Shelved]
        } else {
            &[AlarmState::Unacknowledged, AlarmState::Acknowledged]
        };
        let meant = meant(&mut found, self.alert, self.batch.as_deref(), states)?;
        let wish = Wish {
            deed: if self.unshelve {
                DeedName::Unshelve
            } else {
                DeedName::Shelve
            },
            who: who(self.who.as_deref()),
            for_s: self.length.map(|length| length.as_secs()),
            reason: self.reason,
        };
        let (name, zone) = (&meant.0, found.zone.clone());
        carry_out(&mut found, &meant, self.alert, &wish, self.json, |at| {
            let until = self.length.and_then(|length| at.checked_add(length).ok());
            match until {
                Some(until) => format!(
                    "{} of {name} is shelved until {}; then it comes back if its condition is still there.",
                    self.alert,
                    local(until, &zone)
                ),
                None => format!("{} of {name} is back in sight.", self.alert),
            }
        })
    }
}
