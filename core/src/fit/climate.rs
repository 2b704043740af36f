//! Temperature of the drink: as it was, and as it may become.

mod habits;

use self::habits::{Habits, distance, phase, wandered};
use super::{Handling, evidence::Evidence};
use crate::abreast::Real;

/// Time constant with which the drink follows the room, h. Half a litre in still air; fitted values lie at 1.5 to 3 h.
const FOLLOWS_H: f64 = 2.0;

/// Time constant of cooling in the fridge, h: colder walls and a fan.
const COOLS_H: f64 = 2.5;

/// How far the drink may be from where the room's temperature puts it, and a fridge from what it is set to, K.
const FOLLOWS_DOUBT_K: f64 = 0.6;
const FRIDGE_DOUBT_K: f64 = 1.0;

/// So long after the sealing, a gap or the fridge a drink has come to where its room puts it, h.
const SETTLED_H: f64 = 8.0;

/// What is known of the temperature.
#[derive(Clone, Debug)]
pub(super) struct Climate {
    /// The drink's temperature at each node of the past, degC.
    pub(super) past: Vec<f64>,
    /// Its doubt as a whole, K.
    pub(super) past_doubt: f64,
    /// What comes to it at each node while no thermometer spoke, as a share of the doubt as a whole.
    more_doubt: Vec<f64>,
    /// The room, by its own thermometer or by the drink's.
    habits: Habits,
    /// How far the drink stands from where the room puts it, K, and its time constant, h: nothing where the drink's thermometer tells of the room.
    distance: f64,
    follows_h: f64,
    /// Where the bottles are.
    pub(super) chilled: bool,
    fridge: f64,
    now_h: f64,
}

impl Climate {
    /// At the given nodes, in hours since sealing; the last is the present.
    pub(super) fn new(evidence: &Evidence, nodes: &[f64]) -> Self {
        let now_h = nodes.last().copied().unwrap_or(0.0);
        let batch = evidence.batch();
        let fridge = batch.target.fridge.celsius();
        let expected = batch.expected_room.map(|t| t.celsius());
        let chilled_at = |h: f64| {
            let mut chilled = false;
            for (at, handling) in &evidence.handlings {
                match handling {
                    _ if *at > h => break,
                    Handling::Fridge => chilled = true,
                    Handling::Room => chilled = false,
                    Handling::Vented | Handling::Opened => {}
                }
            }
            chilled
        };
        let liquid = evidence.liquid.points(now_h, |_| true);
        let room = evidence.room.points(now_h, |_| true);
        // The room as told by its own sensor, else by the drink while it stands in the room.
        let told: Vec<(f64, f64)> = if room.is_empty() {
            liquid
                .iter()
                .filter(|p| !chilled_at(p.at_h - 8.0) && !chilled_at(p.at_h))
                .map(|p| (p.at_h, p.value))
                .collect()
        } else {
            room.iter().map(|p| (p.at_h, p.value)).collect()
        };
        let habits = Habits::told(&told, expected);
        let room_at = |h: f64| match around(&told, h) {
            Some((value, gap)) if gap < 3.0 => value,
            _ => habits.usual(h),
        };
        let measured: Vec<(f64, f64)> = liquid.iter().map(|p| (p.at_h, p.value)).collect();
        let (distance, follows_h) = if room.is_empty() && !told.is_empty() {
            (0.0, 0.0)
        } else {
            (apart_from_room(&measured, &told, chilled_at), FOLLOWS_H)
        };
        // A probe's own error; else how far the drink may be from the room, or the room from what was expected.
        let past_doubt = match (liquid.is_empty(), told.is_empty(), expected) {
            (false, ..) => 0.3,
            (true, false, _) => FOLLOWS_DOUBT_K,
            (true, true, Some(_)) => 1.5,
            (true, true, None) => 4.0,
        };
        let mut past = Vec::with_capacity(nodes.len());
        let mut more_doubt = Vec::with_capacity(nodes.len());
        let mut before = (0.0, room_at(0.0));
        for h in nodes {
            let mut doubt = past_doubt;
            let celsius = match around(&measured, *h) {
                Some((value, gap)) if gap < 1.5 => value,
                _ => {
                    let chilled = chilled_at(*h);
                    if !told.is_empty() {
                        let unheard = around(&told, *h).map_or(0.0, |(_, gap)| gap - 3.0);
                        let of_room = if chilled {
                            FRIDGE_DOUBT_K
                        } else {
                            wandered(unheard)
                        };
                        doubt = past_doubt.max(FOLLOWS_DOUBT_K.hypot(of_room));
                    }
                    let (goal, tau) = if chilled {
                        (fridge, COOLS_H)
                    } else {
                        (room_at(*h) + distance, FOLLOWS_H)
                    };
                    goal + (before.1 - goal) * (-(h - before.0) / tau).exp()
                }
            };
            past.push(celsius);
            more_doubt.push((doubt / past_doubt - 1.0).max(0.0));
            before = (*h, celsius);
        }
        Self {
            past,
            past_doubt,
            more_doubt,
            habits,
            distance,
            follows_h,
            chilled: chilled_at(now_h),
            fridge,
            now_h,
        }
    }

    /// The drink's temperature at a node of the past as the thermometer shows it or would have shown it, in a life where it lies `offset` off (a life adds
    /// that itself): where none spoke, further off.
    #[inline]
    pub(super) fn felt<F: Real>(&self, node: usize, offset: F) -> F {
        let shown = self.past.get(node).copied().unwrap_or(20.0);
        (offset * self.more(node) + shown).within(-5.0, 50.0)
    }

    /// By how many times its offset a thermometer's life is off beyond it at a node of the past.
    pub(super) fn more(&self, node: usize) -> f64 {
        self.more_doubt.get(node).copied().unwrap_or(0.0)
    }

    /// What the doubt at a node of the past has over that of the thermometer, K.
    pub(super) fn unheard_doubt(&self, node: usize) -> f64 {
        self.past_doubt * self.more(node)
    }

    /// What is expected at `nodes` (the first is the present), for all lives alike.
    pub(super) fn room_at(&self, nodes: &[f64]) -> Vec<RoomAt> {
        let mut before = self.now_h;
        let at = |h: &f64| {
            let ahead_h = h - self.now_h;
            let at = RoomAt {
                ahead_h,
                phase: phase(*h),
                goal: self.habits.expected(*h, ahead_h) + self.distance,
                kept: if *h > before {
                    (-(h - before) / self.follows_h).exp()
                } else {
                    1.0
                },
            };
            before = *h;
            at
        };
        nodes.iter().map(at).collect()
    }

    /// One way the drink's temperature may go at the nodes of `room` if the bottles stay there.
    /// As its thermometer would show it; `probe` is how far that lies off in this life, and by more where none spoke lately.
    pub(super) fn room_ahead(
        &self,
        room: &[RoomAt],
        probe: f64,
        normals: &mut dyn FnMut() -> f64,
    ) -> Vec<f64> {
        let present = self.past.len().saturating_sub(1);
        let off = probe * self.more(present);
        let chance = self
            .habits
            .drawn(room.last().map_or(0.0, |at| at.ahead_h), normals);
        let mut out = Vec::with_capacity(room.len());
        let mut celsius = self.felt(present, probe);
        for at in room {
            let goal = at.goal + off + chance.apart(at.phase, at.ahead_h);
            celsius = goal + (celsius - goal) * at.kept;
            out.push(celsius.clamp(-2.0, 45.0));
        }
        out
    }

    /// The drink's temperature `hours` after a move into the fridge at `celsius`, with time constant `cools_h`.
    #[inline]
    pub(super) fn cooling<F: Real>(&self, celsius: F, hours: f64, cools_h: F) -> F {
        (celsius - self.fridge) * (F::of(-hours) / cools_h).e_to() + self.fridge
    }
}

/// The room at a node of the future, as far as all lives share it.
#[derive(Clone, Copy, Debug)]
pub(super) struct RoomAt {
    ahead_h: f64,
    /// See [`phase`].
    phase: (f64, f64),
    /// Where the drink is expected to tend, degC.
    goal: f64,
    /// What the drink keeps of its distance from there since the node before, as a share.
    kept: f64,
}

/// Linear interpolation, and how far the nearer point is; `None` without points.
fn around(points: &[(f64, f64)], h: f64) -> Option<(f64, f64)> {
    let after = points.partition_point(|(t, _)| *t <= h);
    let low = after.checked_sub(1).and_then(|i| points.get(i));
    let high = points.get(after);
    match (low, high) {
        (Some((t0, v0)), Some((t1, v1))) => {
            let value = v0 + (v1 - v0) * ((h - t0) / (t1 - t0).max(1e-9));
            Some((value, (h - t0).min(t1 - h)))
        }
        (Some((t, v)), None) | (None, Some((t, v))) => Some((*v, (h - t).abs())),
        (None, None) => None,
    }
}

/// How far the drink stands from where a room of the past puts it, K: a shelf over the oven, two thermometers that disagree. Asked of where both were
/// heard, in the room for long.
fn apart_from_room(measured: &[(f64, f64)], told: &[(f64, f64)], chilled_at: impl Fn(f64) -> bool) -> f64 {
    let mut apart = Vec::new();
    let mut follows: Option<(f64, f64)> = None;
    let mut since = 0.0;
    for (h, value) in told {
        let (before, celsius) = follows.unwrap_or((*h, *value));
        let waited = h - before;
        if waited > 3.0 || chilled_at(*h) {
            since = *h;
        }
        let celsius = value + (celsius - value) * (-waited / FOLLOWS_H).exp();
        follows = Some((*h, celsius));
        if let (true, Some((drink, away))) = (h - since > SETTLED_H, around(measured, *h))
            && away < 0.5
        {
            apart.push((*h, drink - celsius));
        }
    }
    distance(&apart)
}
