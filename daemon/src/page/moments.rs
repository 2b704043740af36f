//! A choice of moments for the move: how it would end, and how full the fullest bottle may be until then.

use fobwatch_core::{alert::AlertName, forecast::Quantiles, quantity::Co2Volumes, recipe::alcohol};
use jiff::{SignedDuration, Timestamp};
use maud::{Markup, html};

use super::{
    Context, Shown,
    amount::{capital, volumes},
    geometry::between,
};

/// A moment nearer to the one before is not told.
const APART: SignedDuration = SignedDuration::from_hours(2);
/// Waiting for so long beyond the best moment is told too.
const WAITED: [SignedDuration; 2] = [SignedDuration::from_hours(6), SignedDuration::from_hours(12)];
/// An end so near to the wish is the wish, in volumes.
const NEAR: f64 = 0.15;

/// One row.
struct Moment {
    words: String,
    best: bool,
    /// Content 72 h after a move then.
    ends: String,
    /// The same beside the wish, in words.
    how: &'static str,
    /// The most that the fullest bottle may hold until then; `None`: it may pass the limit.
    most: Option<String>,
    /// Alcohol that it ends with.
    alcohol: String,
}

/// The table; nothing where nothing is known or nobody may go near.
pub(super) fn table(shown: &Shown, context: &Context) -> Option<Markup> {
    let moments = moments(shown, context)?;
    Some(html! {
        table class="moments" {
            caption class="soft" { "If you move them, about" }
            thead {
                tr {
                    th scope="col" { "when" }
                    th scope="col" { "it ends at" }
                    th scope="col" { "fullest bottle, at most" }
                    th scope="col" { "alcohol" }
                }
            }
            tbody {
                @for moment in &moments {
                    tr class=[moment.best.then_some("best")] {
                        th scope="row" { (moment.words) }
                        @match &moment.most {
                            Some(most) => { td { (moment.ends) small { (moment.how) } } td class="value" { (most) } td class="value" { (moment.alcohol) } },
                            None => td colspan="3" { strong class="danger" { "Danger: may pass your limit. Do not wait." } },
                        }
                    }
                }
            }
        }
    })
}

fn moments(shown: &Shown, context: &Context) -> Option<Vec<Moment>> {
    if shown.is_danger() || shown.behind || shown.is_chilled() || shown.is_none_left() {
        return None;
    }
    let (forecast, outlook) = (shown.forecast()?, shown.outlook()?);
    let due = forecast.move_at?.p50?.max(context.now);
    // Where the move is asked for already, the table says nothing else.
    let best = match shown.alert(AlertName::MoveToFridge) {
        Some(_) => context.now,
        None => due,
    };
    let mut times: Vec<Timestamp> = vec![context.now];
    let waited = WAITED.iter().filter_map(|more| best.saturating_add(*more).ok());
    for at in std::iter::once(best).chain(waited) {
        let last = times.last().copied()?;
        if at == best || at.duration_since(last) >= APART {
            times.retain(|before| at.duration_since(*before) >= APART);
            times.push(at);
        }
    }
    let (clock, units) = (context.clock(), context.units());
    let limit = shown.batch.bottle.pressure_limit;
    let wish = shown.batch.target.co2.volumes();
    let content = |at| between(&outlook.curve, at, |point| point.co2.p50.volumes());
    let now = content(context.now)?;
    let known = times.iter().filter_map(|at| {
        // A move at the best moment ends at the wish, that is what makes it best; one at another moment differs by what the
        // curve gains between them.
        let ends = if *at == context.now || best == context.now {
            outlook.after_move_now.p50.volumes() + (content(*at)? - now).max(0.0)
        } else {
            wish + content(*at)? - content(best)?
        };
        let until = outlook
            .curve
            .iter()
            .filter(|point| (context.now..=*at).contains(&point.at));
        let mut most = shown.most_now()?;
        for point in until {
            if point.worst_bottle.p95 > most {
                most = point.worst_bottle.p95;
            }
        }
        let how = if ends < wish - NEAR {
            "lighter than you wanted"
        } else if ends > wish + NEAR {
            "fizzier than you wanted"
        } else {
            "as you wanted"
        };
        let ends = Co2Volumes::from_volumes(ends).ok()?;
        Some(Moment {
            words: if *at == context.now {
                "Now".to_owned()
            } else {
                capital(&clock.moment(*at))
            },
            best: *at == best,
            alcohol: format!("{:.1}\u{a0}%", alcohol(&shown.batch, certain(ends)).p50.percent()),
            ends: volumes(ends),
            how,
            // Told as the limit itself it would look safe.
            most: (most < limit && units.at_most(most) != units.at_most(limit)).then(|| units.at_most(most)),
        })
    });
    let known: Vec<Moment> = known.collect();
    (known.len() > 1).then_some(known)
}

fn certain(co2: Co2Volumes) -> Quantiles<Co2Volumes> {
    Quantiles {
        p05: co2,
        p50: co2,
        p95: co2,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::page::fixture::{Made, alert, context, danger, hibiscus, pear};

    #[test]
    fn waiting_is_fizzier_and_fuller_and_past_the_limit_no_number_stands() {
        let moments = moments(&hibiscus(), &context()).unwrap();
        assert!(
            moments[0].words == "Now" && moments[0].how.contains("lighter"),
            "{}",
            moments[0].ends
        );
        let best = moments.iter().position(|moment| moment.best).unwrap();
        assert!(
            best > 0 && moments[best].how.contains("as you wanted"),
            "{}",
            moments[best].ends
        );
        assert!(moments.last().unwrap().how.contains("fizzier"));
        // 2.8 volumes made in the closed bottle go with 0.7 % of alcohol (OIML R 22: 1.9 volumes with 0.5 %).
        assert_eq!(moments[best].alcohol, "0.7\u{a0}%");

        let weak = Made {
            limit_bar: 2.5,
            ..Made::new("plum 1")
        };
        let drawn = table(&weak.shown(), &context()).unwrap().into_string();
        let row = drawn.split("<tr").last().unwrap();
        assert!(
            row.contains("Do not wait") && !row.contains("volumes") && !row.contains("bar"),
            "{row}"
        );
    }

    #[test]
    fn where_the_move_is_asked_for_now_is_best_and_what_is_told_as_the_limit_is_past_it() {
        let mut asked = Made {
            age_h: 70.0,
            ..Made::new("lime and mint 3")
        };
        let mut shown = asked.shown();
        shown.view.alerts = vec![alert(AlertName::MoveToFridge, 1, "Move them.")];
        let told = moments(&shown, &context()).unwrap();
        assert!(told[0].words == "Now" && told[0].best && told[1..].iter().all(|moment| !moment.best));
        assert!(told.last().unwrap().how.contains("fizzier"));
        // A limit that the last moment only just keeps, told to a tenth of a bar.
        let most = told.last().unwrap().most.clone().unwrap();
        asked.limit_bar = most.split('\u{a0}').next().unwrap().parse().unwrap();
        let mut shown = asked.shown();
        shown.view.alerts = vec![alert(AlertName::MoveToFridge, 1, "Move them.")];
        let told = moments(&shown, &context()).unwrap();
        assert_eq!(told.last().unwrap().most, None);
        assert!(told[0].most.is_some());
    }

    #[test]
    fn nothing_is_offered_where_nobody_may_go_or_nothing_is_to_be_moved() {
        assert!(table(&danger(), &context()).is_none());
        assert!(table(&pear(), &context()).is_none());
        let mut behind = hibiscus();
        behind.behind = true;
        assert!(table(&behind, &context()).is_none());
    }
}
