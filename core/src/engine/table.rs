//! Every alert as a line of a table: made from the constants that judge, and pinned by a test.
#![doc = include_str!("alerts.md")]

use jiff::SignedDuration;

use super::{
    Rules,
    advice::{GONE_IN_A_ROW, MOVE_DEADBAND, SOON_DEADBAND},
    astray::{
        AGREES_IN_A_ROW, ALLOWED_C, DEADBAND_K, NEVER_BEGAN_AFTER, NEVER_BEGAN_GAIN, OUTSIDE_IN_A_ROW,
        RISING_IN_A_ROW, RISING_OVER_PER_H, RISING_PER_H, SETTLED, STALL_AFTER, STALL_GAIN, STALL_IN_A_ROW,
        STALL_OVER_GAIN, STALL_OVER_GAIN_BY_GRAVITY, STALL_SHARE, WARM_FOR,
    },
    gauge::{FAST, FROM_BAR, FROM_SELDOM_BAR, FROM_UNHEARD_BAR, NEAR_ZERO_BAR, UNHEARD},
    health::{GOOD_RUN, IMPOSSIBLE_RUN, LEAPS_TOO_MANY, REMEMBERED, STUCK_AFTER},
    holds::IN_A_ROW,
    limit::{CHANCE_DEADBAND, FIRST_IN_A_ROW, NEAR_GONE_IN_A_ROW, PRESSURE_DEADBAND},
    readings::AT_MOST_EVERY,
};
use crate::alert::{AlertName, Priority};

/// What one alert needs to begin and to end, in words.
struct Line {
    condition: String,
    on: String,
    off: String,
    deadband: String,
    suppressed_by: &'static str,
}

/// The table of every alert under `rules`, in Markdown. Evaluations come every 30 minutes of data time.
#[must_use]
pub fn alert_table(rules: &Rules) -> String {
    let mut out = String::from(
        "\n| alert | priority | condition | on-delay | off-delay | deadband | latches | shelved, out of service | comes back unresolved | \
         suppressed by |\n| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |\n",
    );
    for alert in AlertName::ALL {
        let line = line(alert, rules);
        let manner = alert.manner();
        let yes = |is| if is { "yes" } else { "no" };
        let aside = match (manner.may_be_shelved, manner.may_be_taken_out) {
            (true, true) => "yes, yes",
            (true, false) => "24 h at most, no",
            (false, _) => "no, no",
        };
        let back = if alert.is_of_pressure() {
            format!(
                "every {} unseen, every {} seen",
                span(rules.remind_every),
                span(rules.remind_every.saturating_mul(2))
            )
        } else {
            "no".to_owned()
        };
        out.push_str(&format!(
            "| `{alert}` | {} | {} | {} | {} | {} | {} | {aside} | {back} | {} |\n",
            priority(alert.priority()),
            line.condition,
            line.on,
            line.off,
            line.deadband,
            yes(manner.latches),
            line.suppressed_by,
        ));
    }
    out
}

fn line(alert: AlertName, rules: &Rules) -> Line {
    match alert {
        AlertName::FridgeSoon => Line {
            condition: format!(
                "the move is at most {} away; where it is better made before a night or a time away, that moment is",
                span(rules.notice)
            ),
            on: evaluations(IN_A_ROW),
            off: evaluations(GONE_IN_A_ROW),
            deadband: format!(
                "ends beyond {}",
                span(
                    rules
                        .notice
                        .saturating_add(rules.notice.checked_div(SOON_DEADBAND).unwrap_or_default())
                )
            ),
            suppressed_by: "`move_to_fridge`; `over_limit`, `sudden_loss`, or an estimate at the limit",
        },
        AlertName::MoveToFridge => Line {
            condition: "the median content 72 h after a move made now reaches the target; with waking hours or a time away also the last \
                        moment before it, if that ends nearer"
                .to_owned(),
            on: evaluations(IN_A_ROW),
            off: evaluations(GONE_IN_A_ROW),
            deadband: format!("ends {MOVE_DEADBAND} volumes below the target"),
            suppressed_by: "`over_limit`, `sudden_loss`, or an estimate at the limit",
        },
        AlertName::LimitNear => Line {
            condition: format!(
                "the worst bottle passes the limit within 24 h with a chance of {}, or {} is not ruled out while no trustworthy gauge is heard; \
                 or the limit comes before the move is due",
                percent(rules.limit_chance.share()),
                percent(rules.limit_chance_blind.share())
            ),
            on: format!(
                "{}; without a gauge {}; the limit before the move {}",
                evaluations(IN_A_ROW),
                evaluations(1),
                evaluations(FIRST_IN_A_ROW)
            ),
            off: format!(
                "{}; in the fridge {}",
                evaluations(NEAR_GONE_IN_A_ROW),
                evaluations(IN_A_ROW)
            ),
            deadband: format!("ends below {} of the chance", percent(CHANCE_DEADBAND)),
            suppressed_by: "nothing",
        },
        AlertName::OverLimit => Line {
            condition: "the 95 % estimate of the worst bottle is at the limit, or a gauge reads it".to_owned(),
            on: format!(
                "none; a single reading that leaps by more than {:.1} bar waits for the next one, or the estimate",
                rules.leap.bar()
            ),
            off: evaluations(IN_A_ROW),
            deadband: format!("ends below {} of the limit", percent(PRESSURE_DEADBAND)),
            suppressed_by: "nothing",
        },
        AlertName::SuddenLoss => Line {
            condition: format!(
                "the gauge falls from above {FROM_BAR} bar ({FROM_SELDOM_BAR} if it is read so seldom that more time passes) to below {NEAR_ZERO_BAR} bar within {}, or from above {FROM_UNHEARD_BAR} bar while it was not heard for {} at most, and nobody noted an opening of that bottle",
                span(FAST),
                span(UNHEARD)
            ),
            on: "the next reading".to_owned(),
            off: evaluations(1),
            deadband: "none".to_owned(),
            suppressed_by: "nothing",
        },
        AlertName::LeakSuspected => Line {
            condition: "a leak explains the pressure better than all else, and the temperature-corrected pressure fell; or the pressure's course broke within 9 h as no culture's does; or, looked at each 6 h, a leak since the sealing explains all of the course better than a tight bottle does".to_owned(),
            on: evaluations(IN_A_ROW),
            off: evaluations(AGREES_IN_A_ROW),
            deadband: "ends when the gauge reads within the 90 % expected without it; one since the sealing when it explains no more".to_owned(),
            suppressed_by: "an opened pilot",
        },
        AlertName::Stalled => Line {
            condition: format!(
                "after {} and warm for {}, less than {STALL_GAIN} volumes gained in {} (after {} {NEVER_BEGAN_GAIN} in one that never began; more by a float alone), below {} of the target",
                span(STALL_AFTER),
                span(WARM_FOR),
                span(WARM_FOR),
                span(NEVER_BEGAN_AFTER),
                percent(STALL_SHARE)
            ),
            on: evaluations(STALL_IN_A_ROW),
            off: evaluations(IN_A_ROW),
            deadband: format!(
                "ends above {STALL_OVER_GAIN} volumes gained ({STALL_OVER_GAIN_BY_GRAVITY} by a float alone), or at the target"
            ),
            suppressed_by: "`leak_suspected`, the fridge, no gauge or float heard",
        },
        AlertName::OutsideTemperature => Line {
            condition: format!(
                "the drink stands below {} or above {} degC",
                ALLOWED_C[0], ALLOWED_C[1]
            ),
            on: evaluations(OUTSIDE_IN_A_ROW),
            off: evaluations(IN_A_ROW),
            deadband: format!("{DEADBAND_K} K"),
            suppressed_by: "the fridge, and the way into it; a silent or suspect thermometer",
        },
        AlertName::RisingInFridge => Line {
            condition: format!(
                "chilled for {}, and surely gains more than {} volumes a day",
                span(SETTLED),
                per_day(RISING_PER_H)
            ),
            on: evaluations(RISING_IN_A_ROW),
            off: evaluations(RISING_IN_A_ROW),
            deadband: format!("ends below {} volumes a day", per_day(RISING_OVER_PER_H)),
            suppressed_by: "no gauge heard",
        },
        AlertName::SensorSilent => Line {
            condition: format!(
                "nothing for {} usual intervals and at least {}",
                rules.silent_intervals,
                span(rules.silent_at_least)
            ),
            on: format!("the silence itself; again {} after it ended", span(AT_MOST_EVERY)),
            off: "the next reading".to_owned(),
            deadband: "none".to_owned(),
            suppressed_by: "the silence of another quantity of the same source; a gauge's by a gauge's alone",
        },
        AlertName::SensorSuspect => Line {
            condition: format!(
                "stuck for {} while the model moves, {LEAPS_TOO_MANY} leaps in {REMEMBERED} readings, {IMPOSSIBLE_RUN} impossible values, times a \
                 day ahead, several sources; a creeping gauge at {}",
                span(STUCK_AFTER),
                evaluations(IN_A_ROW)
            ),
            on: "as the condition says".to_owned(),
            off: format!(
                "{} and {GOOD_RUN} good readings; leaps {REMEMBERED}, stuck 3; creeping {}",
                span(AT_MOST_EVERY),
                evaluations(AGREES_IN_A_ROW)
            ),
            deadband: "none".to_owned(),
            suppressed_by: "nothing",
        },
    }
}

fn priority(priority: Priority) -> &'static str {
    match priority {
        Priority::Low => "low",
        Priority::Medium => "medium",
        Priority::High => "high",
        Priority::Critical => "critical",
    }
}

fn evaluations(in_a_row: u8) -> String {
    match in_a_row {
        1 => "1 evaluation".to_owned(),
        more => format!("{more} evaluations"),
    }
}

fn span(duration: SignedDuration) -> String {
    let minutes = duration.as_secs() / 60;
    if minutes % 60 == 0 {
        format!("{} h", minutes / 60)
    } else {
        format!("{minutes} min")
    }
}

fn percent(share: f64) -> String {
    format!("{:.0} %", 100.0 * share)
}

fn per_day(per_hour: f64) -> String {
    format!("{:.2}", 24.0 * per_hour)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_table_in_the_docs_is_what_judges() {
        let table = alert_table(&Rules::default());
        if std::env::var_os("FOBWATCH_WRITE_TABLE").is_some() {
            let place = concat!(env!("CARGO_MANIFEST_DIR"), "/src/engine/alerts.md");
            std::fs::write(place, &table).unwrap();
        }
        assert_eq!(
            table,
            include_str!("alerts.md"),
            "write it anew: FOBWATCH_WRITE_TABLE=1 cargo test -p fobwatch-core table"
        );
        for alert in AlertName::ALL {
            assert!(table.contains(&format!("| `{alert}` |")), "{alert}");
        }
    }
}
