//! One batch in full: where it stands, its picture, what if it were forgotten, its culture, its sensors.

use fobwatch_core::{
    alert::sentence,
    batch::{Headspace, Material},
    engine::{Place, SensorView},
    forecast::Forecast,
};
use maud::{Markup, html};

use super::{
    Context, Shown,
    amount::{self, capital, volumes},
    caution, chart,
    need::{self, Entry, Urgency, stand},
    noted,
    shown::is_old,
    tell,
};

/// The section of a batch. `anchor` is its id, `points` how finely its curve is drawn.
pub(super) fn section(
    shown: &Shown,
    anchor: &str,
    entries: &[Entry<'_>],
    context: &Context,
    points: usize,
) -> Markup {
    let head = format!("{anchor}-head");
    html! {
        section class="batch" id=(anchor) aria-labelledby=(head) {
            h2 id=(head) { (heading(shown)) }
            @for entry in entries.iter().filter(|entry| entry.urgency <= Urgency::DangerAhead) {
                p class="alarm-line" { strong class="danger" { "Danger: " } (entry.heading) }
            }
            p class="press" { (pressure(shown, context)) }
            p class="soft" { (bottles(shown, context)) }
            @if let Some(said) = need::weighed_from(shown, context) { p class="soft" { (said) } }
            @match chart::draw(shown, anchor, context, points) {
                Some(picture) => figure {
                    figcaption {
                        "CO\u{2082} in the drink, volumes" span class="soft" { "; dark band: one time in two, pale: nine in ten" }
                        @if shown.standing().next().is_some() { span class="soft" { "; wedge at the foot: an alert" } }
                    }
                    (picture)
                },
                None => p { "No curve yet: it is drawn with the first forecast." },
            }
            div class="columns" {
                @if let Some(forecast) = shown.forecast() {
                    div { h3 { "If it were forgotten" } (forgotten(shown, forecast, context)) }
                    div { h3 { "The culture" } (culture(shown, forecast)) }
                }
            }
            (noted::list(shown, context))
            details id={ (anchor) "-sensors" } {
                summary { (of_sensors(shown, context)) }
                (sensors(shown, context))
            }
            @if shown.is_danger() {
                h3 { "Leave these bottles alone" }
                p { (caution::KEEP_OUT) " " a href="#gone-wrong" { "Gone wrong? What to do" } }
                p class="ways" {
                    a class="more" href={ "/batches/" (shown.batch.name.slug()) "/tell" } { "Tell what was seen before" }
                    a class="more" href={ "/batches/" (shown.batch.name.slug()) "/see-to" } { "See to its alerts, export it" }
                }
            } @else {
                h3 { "Tell what you did" }
                (tell::below(shown))
            }
        }
    }
}

fn heading(shown: &Shown) -> String {
    let name = shown.subject();
    match shown.forecast() {
        Some(forecast) => {
            let (now, wish) = (forecast.co2.p50.volumes(), shown.batch.target.co2.volumes());
            let comes = forecast.target_at.is_some_and(|when| when.p50.is_some());
            let so_far = if shown.is_chilled() && now < 0.97 * wish {
                "is in the fridge"
            } else if !shown.is_chilled() && !comes && now < 0.97 * wish {
                "is not on its way"
            } else if now < 0.1 * wish {
                "is still nearly flat"
            } else if now < 0.75 * wish {
                "is on its way"
            } else if now < 0.97 * wish {
                "is nearly there"
            } else if now <= 1.1 * wish {
                "is as fizzy as you wanted"
            } else {
                "is fizzier than you wanted"
            };
            format!(
                "{name} {so_far}: {} of {}.",
                volumes_figure(now),
                amount::wish(shown.batch.target.co2)
            )
        }
        None => format!("{name} is waiting for its first forecast."),
    }
}

fn volumes_figure(volumes: f64) -> String {
    format!("{volumes:.1}")
}

fn pressure(shown: &Shown, context: &Context) -> String {
    let units = context.units();
    let limit = units.limit(shown.batch.bottle.pressure_limit);
    let mut text = match shown.view.fullest() {
        Some(fullest) => format!(
            "Fullest bottle: about {}\u{a0}{}, at most {}, of your limit of {limit}.",
            units.in_bottle(fullest.now.p50),
            units.of_pressure(),
            units.at_most(shown.most_now().unwrap_or(fullest.now.p95)),
        ),
        None => format!("The pressure is not known; your limit is {limit}. Treat the bottles as live."),
    };
    match shown.gauge() {
        Some((at, read)) => text.push_str(&format!(
            " The gauge read {} {}.",
            units.pressure(read),
            context.clock().ago(at)
        )),
        None => text.push_str(" No trusted gauge is heard: nobody can vouch for the pressure."),
    }
    if let Some(forecast) = shown.forecast() {
        text.push(' ');
        text.push_str(&stand(shown, forecast));
    }
    text
}

fn bottles(shown: &Shown, context: &Context) -> String {
    let (batch, bottle) = (&shown.batch, &shown.batch.bottle);
    let number = usize::try_from(bottle.count).unwrap_or(usize::MAX);
    let material = match bottle.material {
        Material::Glass => "glass",
        Material::Pet => "plastic",
        Material::Steel => "steel",
    };
    let clock = context.clock();
    let place = match (&shown.view.apart, shown.view.place) {
        (Some(apart), Place::Fridge) if apart.count >= bottle.count => {
            "noted as moved to the fridge, not seen to cool yet".to_owned()
        }
        (Some(apart), Place::Fridge) => format!("in the fridge but for {}", apart.count),
        (_, Place::Fridge) => "in the fridge".to_owned(),
        (_, Place::Room) => "in the room".to_owned(),
    };
    let mut text = format!(
        "{} of {:.0}\u{a0}mL in {material}, {place}; sealed {}.",
        capital(&amount::count(number, "bottle", "bottles")),
        bottle.capacity.ml(),
        clock.moment(batch.bottled_at),
    );
    if bottle.headspace == Headspace::Foam {
        text.push_str(" Capped on foam.");
    }
    if batch.pilot.is_some() {
        text.push_str(
            " The sensors sit on a bottle of their own: it tells about itself, the others may be ahead.",
        );
    }
    if let Some(source) = &bottle.limit_source {
        text.push_str(&format!(" Your limit: {source}."));
    }
    text
}

fn forgotten(shown: &Shown, forecast: &Forecast, context: &Context) -> Markup {
    let units = context.units();
    let clock = context.clock();
    let end = &forecast.if_forgotten;
    let limit = shown.batch.bottle.pressure_limit;
    let over = end.pressure.p95 >= limit;
    let passes = forecast.limit_at.map(|when| match (when.p05, when.p50) {
        (Some(early), Some(likely)) => format!(
            "It would pass your limit most likely {}, as early as {}.",
            clock.moment(likely),
            clock.moment(early)
        ),
        (Some(early), None) => format!(
            "It may pass your limit from {} on, though more likely not within 60 days.",
            clock.moment(early)
        ),
        (None, _) => String::new(),
    });
    html! {
        p {
            "If nobody moves or opens them for 60 days, the fullest bottle reaches about "
            (units.pressure(end.pressure.p50)) ", and may reach " (units.at_most(end.pressure.p95))
            "; your limit is " (units.limit(limit)) ". "
            @if over {
                strong class="danger" { "Danger: " }
                "do not forget it. "
                @if let Some(passes) = &passes { (passes) }
            } @else {
                "That stays within your limit."
            }
        }
        p {
            "It would hold about " (volumes(end.co2.p50)) " of CO\u{2082} and about "
            (percent(end.alcohol.p50.percent())) " of alcohol, perhaps " (percent(end.alcohol.p95.percent())) ". "
            (legal(end.alcohol.p95.percent()))
        }
    }
}

fn percent(value: f64) -> String {
    format!("{value:.1}\u{a0}%")
}

/// Lines that laws draw: 0.5 % (26 USC 5052), 1.2 % (Regulation (EU) No 1169/2011, article 9(1)(k)).
fn legal(most: f64) -> &'static str {
    if most >= 1.2 {
        "That may pass 0.5\u{a0}% and 1.2\u{a0}%, where laws draw lines."
    } else if most >= 0.5 {
        "That may pass 0.5\u{a0}%, where laws draw a line."
    } else {
        "The estimate is no test for a label or an authority."
    }
}

fn culture(shown: &Shown, forecast: &Forecast) -> Markup {
    let name = shown
        .batch
        .culture
        .as_ref()
        .map_or_else(|| "The culture".to_owned(), |culture| capital(culture.as_str()));
    let vigour = &forecast.vigour;
    let pace = if vigour.p05.ratio() > 1.1 {
        "is livelier than the reference culture"
    } else if vigour.p95.ratio() < 0.9 {
        "is slower than the reference culture"
    } else {
        "is about as lively as the reference culture, as far as can be told"
    };
    let lag = &forecast.lag;
    html! {
        p {
            (name) " " (pace) ": " (format!("{:.1}", vigour.p50.ratio())) " times its pace ("
            (format!("{:.1} to {:.1}", vigour.p05.ratio(), vigour.p95.ratio())) "). "
            "Its lag, the hours before it gets going, is about " (format!("{:.0}", lag.p50.0)) " hours ("
            (format!("{:.0} to {:.0}", lag.p05.0, lag.p95.0)) ")."
        }
    }
}

/// The sensors in a few words: more of them is a tap further.
fn of_sensors(shown: &Shown, context: &Context) -> String {
    let all = &shown.view.sensors;
    let words = ["Silent", "Doubtful", "Old"].map(|word| {
        let of = all.iter().filter(|heard| trouble(heard, context) == Some(word));
        (of.count(), word.to_lowercase())
    });
    let told: Vec<String> = words
        .iter()
        .filter(|(count, _)| *count > 0)
        .map(|(count, word)| format!("{} {word}", amount::number(*count)))
        .collect();
    match (all.len(), told.is_empty()) {
        (0, _) => "No sensor".to_owned(),
        (some, true) => format!(
            "{} as they should be",
            capital(&amount::count(some, "sensor", "sensors"))
        ),
        (some, false) => format!(
            "{}: {}",
            capital(&amount::count(some, "sensor", "sensors")),
            told.join(", ")
        ),
    }
}

fn sensors(shown: &Shown, context: &Context) -> Markup {
    if shown.view.sensors.is_empty() {
        return html! {
            p { "No sensor has been heard. The forecast rests on the batch file alone." }
        };
    }
    html! {
        table class="sensors" {
            thead { tr { th scope="col" { "what" } th scope="col" { "last value" } th scope="col" { "heard" } } }
            tbody { @for heard in &shown.view.sensors { (sensor(heard, context)) } }
        }
    }
}

/// The word in a box beside it, if it is not as it should be.
fn trouble(heard: &SensorView, context: &Context) -> Option<&'static str> {
    if heard.silent {
        Some("Silent")
    } else if heard.doubt.is_some() {
        Some("Doubtful")
    } else if is_old(heard, context.now) {
        Some("Old")
    } else {
        None
    }
}

fn sensor(heard: &SensorView, context: &Context) -> Markup {
    let word = trouble(heard, context);
    html! {
        tr class=[word.map(|_| "old")] {
            th scope="row" { (capital(sentence::quantity(heard.quantity))) small { (heard.source) } }
            td {
                span class="value" {
                    @match &heard.last {
                        Some(measured) => (context.units().measured(measured)),
                        None => "nothing yet",
                    }
                }
                @if let Some(word) = word { " " span class="word" { (word) } }
            }
            td {
                @match heard.at {
                    Some(at) => time datetime=(at) { (context.clock().ago(at)) },
                    None => "not since sealing",
                }
            }
        }
    }
}

/// The name as one word of a shell.
pub(crate) fn quoted(name: &str) -> String {
    format!("'{}'", name.replace('\'', r"'\''"))
}
