//! `fobwatch link`

use clap::{Args, Subcommand};
use jiff::{Timestamp, tz::TimeZone};

use super::{
    Ended,
    keeper::{Empty, Where},
    local, say,
};
use crate::gate::link::{self, Opens};

/// Make, list and revoke secret addresses: one batch to look at and nothing else, or the calendar of all.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  fobwatch link new 'plum 1'\n  fobwatch link list\n  fobwatch link revoke 1"
)]
pub(super) struct LinkCommand {
    #[command(subcommand)]
    action: Action,
}

#[derive(Debug, Subcommand)]
enum Action {
    New(New),
    List(List),
    Revoke(Revoke),
}

/// Make a link; it is shown once, and kept as a hash.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  fobwatch link new 'plum 1'\n  fobwatch link new --calendar")]
struct New {
    /// The batch to be looked at
    #[arg(required_unless_present = "calendar")]
    batch: Option<String>,
    /// Expected moves of all batches, for a calendar that cannot log in
    #[arg(long, conflicts_with = "batch")]
    calendar: bool,
    #[command(flatten)]
    place: Where,
}

/// List the links, without their secrets.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  fobwatch link list")]
struct List {
    #[command(flatten)]
    place: Where,
}

/// Take a link back: it opens nothing from then on.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  fobwatch link revoke 1")]
struct Revoke {
    /// Its number in the list
    number: u32,
    #[command(flatten)]
    place: Where,
}

impl LinkCommand {
    pub(super) fn run(self) -> Result<(), Ended> {
        match self.action {
            Action::New(new) => new.run(),
            Action::List(list) => list.run(),
            Action::Revoke(revoke) => revoke.run(),
        }
    }
}

impl New {
    fn run(self) -> Result<(), Ended> {
        let folder = self.place.folder()?;
        let opens = match &self.batch {
            None => Opens::Calendar,
            Some(name) => {
                let known = self.place.find(Empty::Refuse)?.batch(name)?;
                Opens::Batch {
                    slug: known.slug.to_string(),
                    bottled_at: known.bottled_at,
                }
            }
        };
        let path = match opens {
            Opens::Batch { .. } => "/shared/",
            Opens::Calendar => "/calendar/",
        };
        let secret = link::add(&folder, opens, Timestamp::now()).map_err(|error| {
            Ended::Failed(format!(
                "the link cannot be kept in {}: {error}",
                folder.display()
            ))
        })?;
        let ending = if self.calendar { ".ics" } else { "" };
        eprintln!(
            "After the address of your page, with https://. Whoever has it can look until it is revoked; it is not shown again."
        );
        say(&format!("{path}{secret}{ending}"))
    }
}

impl List {
    fn run(self) -> Result<(), Ended> {
        let folder = self.place.folder()?;
        let links = link::list(&folder).map_err(|error| {
            Ended::Failed(format!(
                "the links of {} cannot be read: {error}",
                folder.display()
            ))
        })?;
        if links.is_empty() {
            return say("There are no links.");
        }
        for link in links {
            let what = match &link.opens {
                Opens::Batch { slug, .. } => slug.as_str(),
                Opens::Calendar => "the calendar of all batches",
            };
            let made = local(link.made, &TimeZone::system());
            say(&format!("{}: {what}, made {made}", link.number))?;
        }
        Ok(())
    }
}

impl Revoke {
    fn run(self) -> Result<(), Ended> {
        let folder = self.place.folder()?;
        let revoked = link::revoke(&folder, self.number).map_err(|error| {
            Ended::Failed(format!(
                "the links of {} cannot be kept: {error}",
                folder.display()
            ))
        })?;
        if revoked {
            say(&format!("Link {} opens nothing any more.", self.number))
        } else {
            Err(Ended::Refused(format!(
                "there is no link {}; allowed: a number of `fobwatch link list`",
                self.number
            )))
        }
    }
}
