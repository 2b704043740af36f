//! The page on which a person sees to a batch: its alerts, its export, its end.

use fobwatch_core::{
    alert::{AlarmState, AlertName},
    engine::AlertView,
};
use maud::{Markup, html};

use super::{
    Context, Shown,
    amount::capital,
    caution,
    frame::{frame, refused},
};

/// What may be done to an alert.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Offer {
    /// Say that it was seen.
    Acknowledge,
    /// Set it aside for a time.
    Shelve,
    /// Bring it back.
    Unshelve,
    /// Clear what only a person clears.
    Reset,
    /// Take it out of service.
    TakeOut,
    /// Put it back into service.
    PutBack,
}

impl Offer {
    /// All of them, in the order in which they are shown.
    pub const ALL: [Self; 6] = [
        Self::Acknowledge,
        Self::Shelve,
        Self::Unshelve,
        Self::Reset,
        Self::TakeOut,
        Self::PutBack,
    ];

    /// Its name in the form, the same as in the API.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Acknowledge => "acknowledge",
            Self::Shelve => "shelve",
            Self::Unshelve => "unshelve",
            Self::Reset => "reset",
            Self::TakeOut => "take_out",
            Self::PutBack => "put_back",
        }
    }

    fn words(self) -> &'static str {
        match self {
            Self::Acknowledge => "I have seen this",
            Self::Shelve => "Set aside",
            Self::Unshelve => "Bring back now",
            Self::Reset => "Clear it",
            Self::TakeOut => "Take out of service",
            Self::PutBack => "Put back into service",
        }
    }

    /// What is asked before it is done; `None`: nothing.
    fn asks(self) -> Option<&'static str> {
        match self {
            Self::Shelve => Some("Why it can wait"),
            Self::Reset => Some("Why it is over"),
            Self::TakeOut => Some("Why nobody has to be told of it"),
            Self::Acknowledge | Self::Unshelve | Self::PutBack => None,
        }
    }
}

/// For how long an alert may be set aside from here.
const SHELVES: [(u32, &str); 4] = [
    (3_600, "1 hour"),
    (8 * 3_600, "8 hours"),
    (24 * 3_600, "1 day"),
    (72 * 3_600, "3 days"),
];

/// `offers`: what may be done to each alert, those that do not stand included. `wrong`: why the last thing was not done.
pub(super) fn document(
    shown: &Shown,
    offers: &[(AlertName, Vec<Offer>)],
    context: &Context,
    wrong: Option<&str>,
) -> Markup {
    let slug = shown.batch.name.slug();
    let (mut of_standing, quiet): (Vec<_>, Vec<_>) = offers
        .iter()
        .filter(|(_, offers)| !offers.is_empty())
        .partition(|(alert, _)| view(shown, *alert).is_some());
    of_standing.sort_by_key(|(alert, _)| std::cmp::Reverse(alert.priority()));
    let wrong: Vec<String> = wrong.map(str::to_owned).into_iter().collect();
    let address = |what: &str| format!("/batches/{slug}/{what}");
    frame(
        &format!("See to {}", shown.batch.name),
        context,
        &html! {
            (refused("Not done.", &wrong))
            @if shown.is_danger() {
                p class="press" { strong class="danger" { "Danger. " } (caution::KEEP_OUT) }
            }
            section {
                h2 { "Its alerts" }
                @if of_standing.is_empty() { p { "No alert of it stands." } }
                @for (alert, offers) in &of_standing {
                    @if let Some(view) = view(shown, *alert) { (standing(view, offers, &address("alerts"), context)) }
                }
                @if !quiet.is_empty() {
                    details {
                        summary { "Alerts that do not stand" }
                        p class="soft" { "One that does not fit this batch can be taken out of service: nobody is told of it \
                                          until it is put back. Those of pressure cannot." }
                        @for (alert, offers) in &quiet {
                            div class="see-to" {
                                h3 { (words(*alert)) }
                                @for offer in offers { (form(*alert, *offer, &address("alerts"))) }
                            }
                        }
                    }
                }
            }
            section {
                h2 { "Its data as files" }
                p { "As " code { "fobwatch export" } " writes them; " code { "fobwatch replay" } " goes over them again." }
                ul class="files" {
                    li { a class="more" href=(address("batch.toml")) download { "The batch file" } }
                    li { a class="more" href=(address("readings.csv")) download { "The readings of its sensors since it was sealed" } }
                    li { a class="more" href=(address("notes.jsonl")) download { "What was told of it" } }
                }
            }
            section {
                h2 { "Its end" }
                @if shown.is_danger() {
                    p { "A batch in danger is not ended from here. Once nobody can come to harm, " code { "fobwatch batch end" } " ends it." }
                } @else {
                    p { "Once all its bottles are drunk, opened or given away. Nobody watches it after that, and its sensors are \
                         free for another batch. Its data stays." }
                    form class="tell" method="post" action=(address("end")) {
                        label class="check" {
                            input type="checkbox" name="sure" value="yes" required;
                            span { "No sealed bottle of it is left" }
                        }
                        button class="quiet" { "End " (shown.batch.name) }
                    }
                }
            }
        },
    )
}

fn view(shown: &Shown, alert: AlertName) -> Option<&AlertView> {
    let told = |view: &&AlertView| {
        view.alert == alert && (view.present || view.latched || view.state != AlarmState::Normal)
    };
    shown.view.alerts.iter().find(told)
}

fn words(alert: AlertName) -> String {
    capital(&alert.name().replace('_', " "))
}

fn standing(view: &AlertView, offers: &[Offer], address: &str, context: &Context) -> Markup {
    let clock = context.clock();
    html! {
        div class="see-to" {
            h3 { (words(view.alert)) }
            p { (capital(&view.message)) }
            p class="soft" {
                "Since " (clock.moment(view.since)) ". "
                @match (view.state, view.shelved_until) {
                    (AlarmState::Shelved, Some(until)) => { "Set aside until " (clock.moment(until)) "." },
                    (AlarmState::OutOfService, _) => "Out of service.",
                    (AlarmState::Acknowledged, _) => "Somebody has seen it.",
                    _ => {},
                }
            }
            @for offer in offers { (form(view.alert, *offer, address)) }
        }
    }
}

/// A button, or what has to be said first, opened by a tap.
fn form(alert: AlertName, offer: Offer, address: &str) -> Markup {
    let id = format!("{}-{}", alert.name(), offer.name());
    let address = format!("{address}/{}", alert.name());
    let Some(asked) = offer.asks() else {
        return html! {
            form class="tap" method="post" action=(address) {
                input type="hidden" name="deed" value=(offer.name());
                button class="quiet" { (offer.words()) }
            }
        };
    };
    html! {
        details class="deed" id=(id) {
            summary { (offer.words()) "\u{2026}" span class="unseen" { " " (words(alert)) } }
            form class="tell" method="post" action=(address) {
                input type="hidden" name="deed" value=(offer.name());
                @if offer == Offer::Shelve {
                    label for={ (id) "-for" } { "Set aside for" }
                    select id={ (id) "-for" } name="for_s" {
                        @for (seconds, words) in SHELVES { option value=(seconds) selected[seconds == SHELVES[1].0] { (words) } }
                    }
                }
                label for={ (id) "-why" } { (asked) }
                input id={ (id) "-why" } name="reason" maxlength="500" required autocomplete="off";
                button class="quiet" { (offer.words()) }
            }
        }
    }
}
