//! The comparison in sentences.

use fobwatch_core::compare::{BatchStanding, Comparison, CultureStanding, Pair, Reason, SinceFeed, Standing};

use crate::{config::Display, wording::local};

/// What vigour means.
pub(crate) const VIGOUR: &str = "Vigour 1 makes at most 0.033 volumes of CO2 an hour in the reference drink at 20 degC. In brackets stands where it \
                                 lies nine times in ten.";

/// The same where the range stands under each figure.
pub(crate) const VIGOUR_ON_PAGE: &str = "Vigour 1 makes at most 0.033 volumes of CO2 an hour in the reference drink at 20 degC. Under each figure \
                                         stands where it lies nine times in ten.";

/// For people at a terminal.
pub(crate) fn of(comparison: &Comparison, display: &Display) -> Vec<String> {
    let mut told = vec![
        VIGOUR.to_owned(),
        String::new(),
        "Cultures, the liveliest first:".to_owned(),
    ];
    told.extend(comparison.cultures.iter().map(|of| format!("  {}", culture(of))));
    if !comparison.pairs.is_empty() {
        told.push(String::new());
        told.extend(comparison.pairs.iter().map(pair));
    }
    told.push(String::new());
    told.push("Batches:".to_owned());
    told.extend(
        comparison
            .batches
            .iter()
            .map(|of| format!("  {}", batch(of, display))),
    );
    told
}

/// One culture in a sentence or two.
pub(crate) fn culture(of: &CultureStanding) -> String {
    let batches = match of.batches {
        1 => "from one batch".to_owned(),
        some => format!("from {some} batches"),
    };
    let trend = of.trend.map_or_else(String::new, |trend| {
        let (low, middle, high) = (trend.0.p05, trend.0.p50, trend.0.p95);
        let way = if low > 0.0 {
            "it grows livelier"
        } else if high < 0.0 {
            "it grows weaker"
        } else {
            "no trend is sure yet"
        };
        format!(" Over time {way}: {middle:+.0} % in 30 days ({low:+.0} to {high:+.0}).")
    });
    format!("{}, {batches}: {}.{trend}", of.culture, standing(&of.standing))
}

fn standing(of: &Standing) -> String {
    let vigour = &of.vigour;
    let lag = &of.lag;
    format!(
        "vigour {:.2} ({:.2} to {:.2}), lag {:.0} h ({:.0} to {:.0})",
        vigour.p50.ratio(),
        vigour.p05.ratio(),
        vigour.p95.ratio(),
        lag.p50.0,
        lag.p05.0,
        lag.p95.0,
    ) + &of.ceiling.map_or_else(String::new, |ceiling| {
        format!(
            ", gives up near {:.1} % vol ({:.1} to {:.1})",
            ceiling.p50.percent(),
            ceiling.p05.percent(),
            ceiling.p95.percent()
        )
    })
}

/// How sure it is that one is livelier.
pub(crate) fn pair(of: &Pair) -> String {
    let chance = of.chance.share();
    if chance < 0.65 {
        return format!(
            "{} and {} cannot be told apart: {} that {} is the livelier one.",
            of.culture,
            of.than,
            sure(chance),
            of.culture
        );
    }
    format!(
        "{} is livelier than {}: {} sure.",
        of.culture,
        of.than,
        sure(chance)
    )
}

/// No more certainty than such a reckoning can tell.
fn sure(chance: f64) -> String {
    if chance > 0.99 {
        "over 99 %".to_owned()
    } else if chance < 0.01 {
        "under 1 %".to_owned()
    } else {
        format!("{:.0} %", 100.0 * chance)
    }
}

/// One batch in a few sentences.
pub(crate) fn batch(of: &BatchStanding, display: &Display) -> String {
    let mut text = format!(
        "{} ({}), bottled {}: {}.",
        of.batch,
        of.culture,
        local(of.bottled_at, &display.zone),
        standing(&of.standing)
    );
    if let Some(chance) = of.livelier_than_before {
        text.push_str(&format!(
            " Livelier than the one before it: {}.",
            sure(chance.share())
        ));
    }
    match of.stands_out.as_deref() {
        None => {}
        Some([]) => text.push_str(
            " It stands apart from the others of its culture; neither temperature nor dose nor sugar explains it.",
        ),
        Some(reasons) => {
            let why: Vec<String> = reasons.iter().map(reason).collect();
            text.push_str(&format!(
                " It stands apart from the others of its culture: {}. So it counts neither for the trend nor for the feed.",
                why.join(", ")
            ));
        }
    }
    text
}

fn reason(of: &Reason) -> String {
    match *of {
        Reason::Temperature(by) if by > 0.0 => format!("it stood {by:.0} K warmer than they"),
        Reason::Temperature(by) => format!("it stood {:.0} K cooler than they", -by),
        Reason::Dose(times) => format!("its dose of culture is {times:.1} times theirs"),
        Reason::Sugar(times) => format!("its sugar is {times:.1} times theirs"),
        Reason::SeenBriefly(hours) => format!("it was seen for {hours:.0} h only"),
    }
}

/// What a culture loses, or gains, with the days since its feed.
pub(crate) fn fed(told: &SinceFeed) -> String {
    let change = told.change;
    let name = &told.culture;
    let way = if change.p95 < 0.0 {
        format!(
            "{name} loses vigour with every day since its feed: about {:.0} % a day",
            -change.p50
        )
    } else if change.p05 > 0.0 {
        format!(
            "{name} gains vigour with every day since its feed: about {:.0} % a day",
            change.p50
        )
    } else {
        format!("Whether {name} loses vigour with the days since its feed cannot be told yet")
    };
    format!(
        "{way} (between {:+.0} and {:+.0} %), by {} batches.",
        change.p05, change.p95, told.batches
    )
}

#[cfg(test)]
mod tests {
    use fobwatch_core::{batch::CultureName, forecast::Quantiles};

    use super::*;

    #[test]
    fn what_cannot_be_told_is_said_so() {
        let told = |p05, p50, p95| {
            fed(&SinceFeed {
                culture: CultureName::new("jar two").unwrap(),
                batches: 4,
                change: Quantiles { p05, p50, p95 },
            })
        };
        assert_eq!(
            told(-8.0, -5.2, -1.0),
            "jar two loses vigour with every day since its feed: about 5 % a day (between -8 and -1 %), by 4 batches."
        );
        assert!(told(-8.0, -2.0, 3.0).contains("cannot be told yet (between -8 and +3 %)"));
        assert!(told(1.0, 2.0, 3.0).contains("gains"));
    }
}
