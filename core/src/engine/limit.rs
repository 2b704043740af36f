//! The alerts about the pressure limit by the forecast: `over_limit` and `limit_near`. What the raw gauge says by itself
//! stands in `gauge`.

use jiff::Timestamp;

use crate::{
    alert::{
        AlertName,
        sentence::{AtLimit, Carry, Hearing},
    },
    quantity::GaugePressure,
};

use super::{
    Action, Monitor,
    board::Key,
    evaluate::Group,
    holds::{IN_A_ROW, Matter, Verdict},
    target::{self, Above},
};

/// A pressure alert ends below this share of the limit (TRADE, 9: a deadband of 2 % for pressure).
pub(super) const PRESSURE_DEADBAND: f64 = 0.98;
/// `limit_near` ends below this share of the chance that raises it ...
pub(super) const CHANCE_DEADBAND: f64 = 0.5;
/// ... for so many evaluations in a row: 12 h, half of the day that it looks ahead. In the fridge two do.
pub(super) const NEAR_GONE_IN_A_ROW: u8 = 24;
/// The limit must come before the move, or no longer, for so many evaluations in a row: 3 h. The first forecasts rest on
/// the batch file alone and leap as readings come in.
pub(super) const FIRST_IN_A_ROW: u8 = 6;

impl Monitor {
    fn limit(&self) -> GaugePressure {
        self.batch.bottle.pressure_limit
    }

    /// A bottle may be at its limit, or may have burst: nobody is to go near them.
    pub(super) fn must_not_be_carried(&self, all: &[Group]) -> bool {
        let may_be = all
            .iter()
            .any(|group| group.outlook.worst_bottle_now.p95 >= self.limit());
        may_be || self.state.board.stands(&AlertName::OverLimit.into()) || self.has_lost_pressure()
    }

    /// A sudden loss that no person has looked into, and that the gauge has not taken back by reading as before.
    pub(super) fn has_lost_pressure(&self) -> bool {
        let lost = self.state.gauges.values().any(|watch| watch.lost.is_some());
        lost && self.state.board.stands(&AlertName::SuddenLoss.into())
    }

    pub(super) fn judge_over_limit(&mut self, all: &[Group], now: Timestamp, out: &mut Vec<Action>) {
        let Some(worst) = all.iter().map(|group| &group.outlook).reduce(|a, b| {
            if b.worst_bottle_now.p95 > a.worst_bottle_now.p95 {
                b
            } else {
                a
            }
        }) else {
            return;
        };
        let end_below = PRESSURE_DEADBAND * self.limit().pascal();
        let there = worst.worst_bottle_now.p95 >= self.limit();
        let read = self.gauge_reads_above(end_below, now);
        let gone = worst.worst_bottle_now.p95.pascal() < end_below && !read;
        let hold = self
            .state
            .holds
            .count(Matter::OverLimit, Verdict::of(there, gone));
        if there {
            let mut message = self.speaker().over_limit(&AtLimit::Estimate {
                outlook: worst,
                at: now,
            });
            self.remember_those_given_away(&mut message);
            self.state
                .board
                .begins(AlertName::OverLimit.into(), now, message, out);
        } else if hold.gone >= IN_A_ROW {
            let message = self
                .speaker()
                .over("estimate and gauge are below the limit again.");
            self.state
                .board
                .ends(&AlertName::OverLimit.into(), now, message, out);
        }
    }

    /// What the newest reckoning says of bottles that were at the limit by an earlier one; `None`: they still may be.
    pub(super) fn below_the_limit_since(&self, present: bool) -> Option<String> {
        let groups = self.groups();
        let worst = groups.iter().map(|group| &group.outlook).reduce(|a, b| {
            if b.worst_bottle_now.p95 > a.worst_bottle_now.p95 {
                b
            } else {
                a
            }
        })?;
        let limit = self.limit();
        let below =
            worst.worst_bottle_now.p95 < limit && !self.gauge_reads_above(limit.pascal(), self.clock());
        let again = present.then(|| self.state.clock.next_fit());
        below.then(|| self.speaker().below_the_limit_since(worst, worst.at, again))
    }

    /// A gauge that is still heard reads above `pascal`.
    fn gauge_reads_above(&self, pascal: f64, now: Timestamp) -> bool {
        self.state.gauges.iter().any(|(sensor, watch)| {
            let heard = self
                .state
                .health
                .get(sensor)
                .is_some_and(|health| !health.is_silent(now, &self.settings.rules));
            heard
                && watch
                    .last()
                    .is_some_and(|(_, reading)| reading.pascal() >= pascal)
        })
    }

    pub(super) fn judge_limit_near(
        &mut self,
        all: &[Group],
        warm: &[Group],
        now: Timestamp,
        out: &mut Vec<Action>,
    ) {
        let rules = &self.settings.rules;
        let heard = self.hears_a_gauge(now) || self.awaits_a_gauge(now);
        // Each group by what is heard of it; the one that is furthest beyond its threshold speaks.
        let judged = all.iter().map(|group| {
            // Where nobody hears the gauge, a chance counts that is not ruled out: the draws' tail is all there is.
            let (hearing, threshold, chance) = if heard && !group.alone {
                (Hearing::Gauge, rules.limit_chance, group.outlook.limit_within_24h)
            } else {
                (
                    Hearing::Nothing,
                    rules.limit_chance_blind,
                    group.outlook.limit_not_ruled_out,
                )
            };
            (
                chance.share() / threshold.share(),
                group,
                hearing,
                chance >= threshold,
            )
        });
        let Some((part, worst, hearing, there)) = judged.reduce(|a, b| if b.0 > a.0 { b } else { a }) else {
            return;
        };
        let needed = match hearing {
            Hearing::Gauge => IN_A_ROW,
            Hearing::Nothing => 1,
        };
        let gone = part < CHANCE_DEADBAND;
        let hold = self
            .state
            .holds
            .count(Matter::LimitNear, Verdict::of(there, gone));
        let above = self.target_above_limit(warm);
        let key = Key::from(AlertName::LimitNear);
        let near = there && (hold.there >= needed || self.state.board.is_present(&key));
        let gone_after = if self.all_chilled() && !self.only_given_away_are_apart() {
            IN_A_ROW
        } else {
            NEAR_GONE_IN_A_ROW
        };
        let carry = if self.must_not_be_carried(all) {
            Carry::MustNot
        } else if warm.is_empty() && self.given_away() > 0 {
            Carry::GivenAway
        } else {
            Carry::May
        };
        let speaker = self.speaker();
        let mut message = match above {
            _ if near => speaker.limit_near(&worst.forecast, &worst.outlook, hearing, carry),
            Some(Above::InTheFridge(there)) => {
                speaker.target_above_limit(Some(there), &worst.forecast, &worst.outlook, hearing, carry)
            }
            Some(Above::OnTheWay) => {
                speaker.target_above_limit(None, &worst.forecast, &worst.outlook, hearing, carry)
            }
            None if hold.gone >= gone_after => {
                let message = speaker.over("the limit is no longer near.");
                return self.state.board.ends(&key, now, message, out);
            }
            None => return,
        };
        if carry != Carry::GivenAway {
            self.remember_those_given_away(&mut message);
        }
        self.state.board.begins(key, now, message, out);
    }

    /// Bottles that were given away, still closed.
    fn given_away(&self) -> u32 {
        self.state.whereabouts.given_away(&self.batch)
    }

    /// A warning of pressure is meant for whoever has the others, too.
    pub(super) fn remember_those_given_away(&self, message: &mut String) {
        let given = self.given_away();
        if given > 0 {
            message.push_str(&self.speaker().warn_of_those_given_away(given));
        }
    }

    /// Whether somebody who waits for the target waits too long.
    fn target_above_limit(&mut self, warm: &[Group]) -> Option<Above> {
        let first = warm
            .iter()
            .any(|group| target::limit_comes_first(&group.forecast));
        let verdict = Verdict::of(first, !first);
        let first = self
            .state
            .holds
            .settles(Matter::LimitFirst, verdict, FIRST_IN_A_ROW);
        let in_the_fridge = target::in_the_fridge(&self.batch, &self.settings.surroundings);
        match in_the_fridge.filter(|there| *there >= self.limit()) {
            _ if warm.is_empty() => None,
            Some(there) => Some(Above::InTheFridge(there)),
            None => first.then_some(Above::OnTheWay),
        }
    }
}
