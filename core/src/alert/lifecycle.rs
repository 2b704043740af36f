//! The life cycle of an alert after ANSI/ISA-18.2-2016 (IEC 62682), as a pure state machine.
//!
//! Time is not in it: who calls says that shelving is over. The letters are the standard's; latching is an attribute
//! there (cleared only by a reset after the condition is gone, OPC 10000-9, 4.8). The table is made from [`next`] by
//! [`table`] and pinned by a test.
#![doc = include_str!("lifecycle.md")]

use serde::{Deserialize, Serialize};

use super::{AlarmState, Transition};

/// Where an alert stands.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Standing {
    /// The stored state.
    pub state: AlarmState,
    /// The condition is there at this moment.
    pub present: bool,
    /// It was there and no person has reset it since; for latching alerts alone.
    pub latched: bool,
    /// `raised` was said and `cleared` was not: the episode is open.
    pub open: bool,
    /// Another condition explains it or forbids to act on it, wherever it stands: who comes back from shelf or service is
    /// suppressed, and not raised.
    pub withheld: bool,
}

/// What sort of alert it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Manner {
    /// Only a reset clears it, even when the condition is gone.
    pub latches: bool,
    /// A person may set it aside for a time.
    pub may_be_shelved: bool,
    /// A person may take it out of service, until a person puts it back.
    pub may_be_taken_out: bool,
}

/// What happens to an alert.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Happening {
    /// The condition is there.
    Begins,
    /// The condition is gone.
    Ends,
    /// A person has seen it.
    Acknowledge,
    /// A person sets it aside for a time.
    Shelve,
    /// A person brings it back.
    Unshelve,
    /// The time for which it was shelved is over.
    ShelvingOver,
    /// Another condition explains it.
    Suppress,
    /// Nothing explains it any more.
    Unsuppress,
    /// A person takes it out of service.
    TakeOut,
    /// A person puts it back into service.
    PutBack,
    /// A person clears what is latched.
    Reset,
    /// It is still unresolved after the time to be told again.
    Remind,
}

/// Why something cannot happen to an alert.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NotAllowed {
    /// Nothing stands that it could be done to.
    #[error("nothing stands")]
    NotStanding,
    /// It may not be shelved or taken out of service.
    #[error("it stays in sight")]
    StaysInSight,
    /// The condition is there, so it cannot be reset.
    #[error("its condition is present")]
    StillPresent,
    /// It does not latch, so there is nothing to reset.
    #[error("it clears by itself")]
    ClearsByItself,
}

impl Standing {
    /// The condition is there, or latched: it is not to be lost.
    #[must_use]
    pub fn stands(self) -> bool {
        self.present || self.latched
    }

    fn to(self, state: AlarmState) -> Self {
        Self { state, ..self }
    }
}

impl Happening {
    /// All of them.
    pub const ALL: [Self; 12] = [
        Self::Begins,
        Self::Ends,
        Self::Acknowledge,
        Self::Shelve,
        Self::Unshelve,
        Self::ShelvingOver,
        Self::Suppress,
        Self::Unsuppress,
        Self::TakeOut,
        Self::PutBack,
        Self::Reset,
        Self::Remind,
    ];
}

/// What follows: the new standing, and the transition to record, if any.
///
/// # Errors
/// What a person asks for cannot be done; the standing stays. Conditions and times never fail.
pub fn next(
    manner: Manner,
    standing: Standing,
    happening: Happening,
) -> Result<(Standing, Option<Transition>), NotAllowed> {
    match happening {
        Happening::Begins => Ok(begins(manner, standing)),
        Happening::Ends => Ok(ends(standing)),
        Happening::Acknowledge => acknowledge(standing),
        Happening::Shelve => match standing.state {
            _ if !manner.may_be_shelved => Err(NotAllowed::StaysInSight),
            AlarmState::Unacknowledged | AlarmState::Acknowledged | AlarmState::Shelved => {
                Ok((standing.to(AlarmState::Shelved), Some(Transition::Shelved)))
            }
            _ => Err(NotAllowed::NotStanding),
        },
        Happening::Unshelve => match standing.state {
            AlarmState::Shelved => Ok(back(standing, AlarmState::Acknowledged)),
            _ => Err(NotAllowed::NotStanding),
        },
        Happening::ShelvingOver => Ok(match standing.state {
            AlarmState::Shelved => back(standing, AlarmState::Unacknowledged),
            _ => (standing, None),
        }),
        Happening::Suppress => Ok(suppress(Standing {
            withheld: true,
            ..standing
        })),
        Happening::Unsuppress => Ok(unsuppress(Standing {
            withheld: false,
            ..standing
        })),
        Happening::TakeOut => match standing.state {
            _ if !manner.may_be_taken_out => Err(NotAllowed::StaysInSight),
            AlarmState::OutOfService => Ok((standing, None)),
            _ => Ok((
                standing.to(AlarmState::OutOfService),
                Some(Transition::OutOfService),
            )),
        },
        Happening::PutBack => match standing.state {
            AlarmState::OutOfService => Ok(back(standing, AlarmState::Unacknowledged)),
            _ => Err(NotAllowed::NotStanding),
        },
        Happening::Reset => reset(manner, standing),
        Happening::Remind => Ok(match standing.state {
            AlarmState::Acknowledged if standing.stands() => (standing.to(AlarmState::Unacknowledged), None),
            _ => (standing, None),
        }),
    }
}

fn begins(manner: Manner, before: Standing) -> (Standing, Option<Transition>) {
    let standing = Standing {
        present: true,
        latched: before.latched || manner.latches,
        ..before
    };
    match before.state {
        AlarmState::Normal | AlarmState::ReturnedUnacknowledged => raise(standing),
        // A latched condition that comes back after it was seen wants to be seen again.
        AlarmState::Acknowledged if !before.present => (standing.to(AlarmState::Unacknowledged), None),
        _ => (standing, None),
    }
}

fn ends(before: Standing) -> (Standing, Option<Transition>) {
    let standing = Standing {
        present: false,
        ..before
    };
    if standing.latched {
        return (standing, None);
    }
    let closed = Standing {
        open: false,
        ..standing
    };
    let said = before.open.then_some(Transition::Cleared);
    match before.state {
        AlarmState::Unacknowledged => (closed.to(AlarmState::ReturnedUnacknowledged), said),
        AlarmState::Acknowledged => (closed.to(AlarmState::Normal), said),
        _ => (closed, said),
    }
}

fn acknowledge(standing: Standing) -> Result<(Standing, Option<Transition>), NotAllowed> {
    match standing.state {
        AlarmState::Unacknowledged => Ok((
            standing.to(AlarmState::Acknowledged),
            Some(Transition::Acknowledged),
        )),
        AlarmState::ReturnedUnacknowledged => {
            Ok((standing.to(AlarmState::Normal), Some(Transition::Acknowledged)))
        }
        AlarmState::Acknowledged | AlarmState::Shelved => Ok((standing, None)),
        AlarmState::Normal | AlarmState::SuppressedByDesign | AlarmState::OutOfService => {
            Err(NotAllowed::NotStanding)
        }
    }
}

fn suppress(standing: Standing) -> (Standing, Option<Transition>) {
    match standing.state {
        AlarmState::Shelved | AlarmState::OutOfService | AlarmState::SuppressedByDesign => (standing, None),
        _ => (
            standing.to(AlarmState::SuppressedByDesign),
            standing.open.then_some(Transition::Suppressed),
        ),
    }
}

fn unsuppress(standing: Standing) -> (Standing, Option<Transition>) {
    match standing.state {
        AlarmState::SuppressedByDesign if standing.stands() => raise(standing),
        AlarmState::SuppressedByDesign => (standing.to(AlarmState::Normal), None),
        _ => (standing, None),
    }
}

fn reset(manner: Manner, standing: Standing) -> Result<(Standing, Option<Transition>), NotAllowed> {
    match standing {
        _ if !manner.latches => Err(NotAllowed::ClearsByItself),
        Standing { present: true, .. } => Err(NotAllowed::StillPresent),
        Standing { latched: false, .. } => Err(NotAllowed::NotStanding),
        _ => {
            let said = standing.open.then_some(Transition::Cleared);
            let clear = Standing {
                withheld: standing.withheld,
                ..Standing::default()
            };
            let state = if clear.withheld {
                AlarmState::SuppressedByDesign
            } else {
                AlarmState::Normal
            };
            Ok((clear.to(state), said))
        }
    }
}

/// Comes back from shelf or service: what is withheld is suppressed, what nobody has been told is raised, the rest goes to
/// `seen_as`.
fn back(standing: Standing, seen_as: AlarmState) -> (Standing, Option<Transition>) {
    if standing.withheld {
        let said = if standing.stands() {
            Transition::Suppressed
        } else {
            Transition::Unshelved
        };
        (standing.to(AlarmState::SuppressedByDesign), Some(said))
    } else if !standing.stands() {
        (standing.to(AlarmState::Normal), Some(Transition::Unshelved))
    } else if standing.open {
        (standing.to(seen_as), Some(Transition::Unshelved))
    } else {
        raise(standing)
    }
}

fn raise(standing: Standing) -> (Standing, Option<Transition>) {
    let open = Standing {
        open: true,
        ..standing
    };
    (open.to(AlarmState::Unacknowledged), Some(Transition::Raised))
}

/// The machine as a table in Markdown: one line for each state in which something can stand, one column a happening.
#[must_use]
pub fn table() -> String {
    let states = [
        ("A normal", AlarmState::Normal, false, false),
        ("B unacknowledged", AlarmState::Unacknowledged, true, false),
        ("C acknowledged", AlarmState::Acknowledged, true, false),
        (
            "D returned, unacknowledged",
            AlarmState::ReturnedUnacknowledged,
            false,
            false,
        ),
        ("E shelved", AlarmState::Shelved, true, false),
        ("E shelved and withheld", AlarmState::Shelved, true, true),
        (
            "F suppressed by design",
            AlarmState::SuppressedByDesign,
            true,
            true,
        ),
        ("G out of service", AlarmState::OutOfService, true, false),
        (
            "G out of service and withheld",
            AlarmState::OutOfService,
            true,
            true,
        ),
    ];
    let mut out = String::new();
    for (title, latches) in [
        ("An alert that clears by itself", false),
        ("An alert that latches", true),
    ] {
        let manner = Manner {
            latches,
            may_be_shelved: true,
            may_be_taken_out: true,
        };
        out.push_str(&format!("\n{title}:\n\n| from |"));
        for happening in Happening::ALL {
            out.push_str(&format!(" {happening:?} |"));
        }
        out.push_str(&format!("\n|{}\n", " --- |".repeat(Happening::ALL.len() + 1)));
        for (label, state, stands, withheld) in states {
            let standing = Standing {
                state,
                present: stands,
                latched: stands && latches,
                open: stands,
                withheld,
            };
            out.push_str(&format!("| {label} |"));
            for happening in Happening::ALL {
                out.push_str(&match next(manner, standing, happening) {
                    Err(why) => format!(" refused: {why} |"),
                    Ok((after, None)) => format!(" {} |", letter(after.state)),
                    Ok((after, Some(said))) => format!(" {} {said:?} |", letter(after.state)),
                });
            }
            out.push('\n');
        }
    }
    out
}

fn letter(state: AlarmState) -> char {
    match state {
        AlarmState::Normal => 'A',
        AlarmState::Unacknowledged => 'B',
        AlarmState::Acknowledged => 'C',
        AlarmState::ReturnedUnacknowledged => 'D',
        AlarmState::Shelved => 'E',
        AlarmState::SuppressedByDesign => 'F',
        AlarmState::OutOfService => 'G',
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn manners() -> impl Strategy<Value = Manner> {
        any::<[bool; 3]>().prop_map(|[latches, may_be_shelved, may_be_taken_out]| Manner {
            latches,
            may_be_shelved,
            may_be_taken_out,
        })
    }

    fn happenings() -> impl Strategy<Value = Vec<Happening>> {
        prop::collection::vec(prop::sample::select(&Happening::ALL[..]), 0..60)
    }

    fn walk(manner: Manner, happenings: &[Happening]) -> Vec<(Happening, Standing, Option<Transition>)> {
        let mut standing = Standing::default();
        happenings
            .iter()
            .map(|&happening| {
                let said = match next(manner, standing, happening) {
                    Ok((after, said)) => {
                        standing = after;
                        said
                    }
                    Err(_) => None,
                };
                (happening, standing, said)
            })
            .collect()
    }

    #[test]
    fn the_table_in_the_docs_is_the_machine() {
        if std::env::var_os("FOBWATCH_WRITE_TABLE").is_some() {
            std::fs::write(
                concat!(env!("CARGO_MANIFEST_DIR"), "/src/alert/lifecycle.md"),
                table(),
            )
            .unwrap();
        }
        assert_eq!(table(), include_str!("lifecycle.md"));
    }

    #[test]
    fn the_moves_of_the_standard_are_there() {
        // ANSI/ISA-18.2 moves: A>B occurs, B>C ack, C>A clears, B>D clears before ack, D>A ack, D>B recurs,
        // C>B re-alarm; unshelved by hand goes to C, by time-out to B.
        use AlarmState::{Acknowledged, Normal, ReturnedUnacknowledged, Shelved, Unacknowledged};
        let plain = Manner {
            latches: false,
            may_be_shelved: true,
            may_be_taken_out: true,
        };
        for (from, happening, to) in [
            (Normal, Happening::Begins, Unacknowledged),
            (Unacknowledged, Happening::Acknowledge, Acknowledged),
            (Acknowledged, Happening::Ends, Normal),
            (Unacknowledged, Happening::Ends, ReturnedUnacknowledged),
            (ReturnedUnacknowledged, Happening::Acknowledge, Normal),
            (ReturnedUnacknowledged, Happening::Begins, Unacknowledged),
            (Acknowledged, Happening::Remind, Unacknowledged),
            (Shelved, Happening::Unshelve, Acknowledged),
            (Shelved, Happening::ShelvingOver, Unacknowledged),
        ] {
            let present = !matches!(from, Normal | ReturnedUnacknowledged);
            let standing = Standing {
                state: from,
                present,
                latched: false,
                open: present,
                withheld: false,
            };
            assert_eq!(
                next(plain, standing, happening).unwrap().0.state,
                to,
                "{from:?} {happening:?}"
            );
        }
    }

    proptest! {
        #[test]
        fn no_sequence_loses_a_condition_that_is_present(manner in manners(), all in happenings()) {
            for (_, standing, _) in walk(manner, &all) {
                let in_sight = matches!(
                    standing.state,
                    AlarmState::Unacknowledged | AlarmState::Acknowledged
                );
                let set_aside = matches!(
                    standing.state,
                    AlarmState::Shelved | AlarmState::SuppressedByDesign | AlarmState::OutOfService
                );
                prop_assert!(!standing.stands() || in_sight || set_aside);
                prop_assert!(!in_sight || (standing.stands() && standing.open));
            }
        }

        #[test]
        fn nothing_that_is_withheld_is_told(manner in manners(), all in happenings()) {
            let mut withheld = false;
            for (happening, standing, said) in walk(manner, &all) {
                match happening {
                    Happening::Suppress => withheld = true,
                    Happening::Unsuppress => withheld = false,
                    _ => {}
                }
                let told = said == Some(Transition::Raised) || standing.state == AlarmState::Unacknowledged;
                prop_assert!(!withheld || !told, "{happening:?}");
            }
        }

        #[test]
        fn what_comes_back_from_the_shelf_is_in_sight(manner in manners(), all in happenings()) {
            for (happening, standing, _) in walk(manner, &all) {
                if happening == Happening::ShelvingOver && standing.stands() {
                    prop_assert!(standing.state != AlarmState::Shelved);
                }
            }
        }

        #[test]
        fn raised_and_cleared_take_turns(manner in manners(), all in happenings()) {
            let mut open = false;
            for (_, _, said) in walk(manner, &all) {
                match said {
                    Some(Transition::Raised) => {
                        prop_assert!(!open);
                        open = true;
                    }
                    Some(Transition::Cleared) => open = false,
                    // What another condition explains is raised again when nothing explains it any more.
                    Some(Transition::Suppressed) => open = false,
                    _ => {}
                }
            }
        }

        #[test]
        fn only_a_person_ends_what_is_latched(aside: [bool; 2], all in happenings()) {
            let [may_be_shelved, may_be_taken_out] = aside;
            let manner = Manner { latches: true, may_be_shelved, may_be_taken_out };
            let mut latched = false;
            for (happening, standing, said) in walk(manner, &all) {
                if latched && happening != Happening::Reset {
                    prop_assert!(standing.latched && said != Some(Transition::Cleared));
                }
                latched = standing.latched;
            }
        }
    }
}
