//! What goes wrong, by seed.

use std::{collections::VecDeque, fmt};

use jiff::SignedDuration;

use super::random::Random;

/// Where a crash leaves the files.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum How {
    /// Before the write began.
    Before,
    /// The write is on the disk, but nobody was told so.
    After,
    /// The log holds a part of the write.
    TornLog,
    /// The log holds all of it, the file a part of what was copied from the log.
    TornFile,
}

/// What is wrong with the disk.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Disk {
    /// No page more.
    Full,
    /// No writing.
    ReadOnly,
}

/// One thing that goes wrong. Steps are those of the play, writes are counted from its beginning.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Fault {
    /// The machine dies at a write.
    Crash { write: u64, how: How },
    /// The disk is bad for some writes.
    Disk { write: u64, writes: u64, what: Disk },
    /// Stopped in order and started again.
    Stop { step: usize },
    /// Stopped in order; the next start is of a program that does not read its snapshots.
    OtherSnapshots { step: usize },
    /// Somebody makes a backup beside the daemon, and it is looked into.
    BackUp { step: usize },
    /// The broker cannot be reached.
    Split { step: usize, steps: usize },
    /// The broker starts anew, and has forgotten its sessions or not.
    Broker { step: usize, forgets: bool },
    /// Acknowledgements are lost on their way: the broker sends again.
    LostAcks { step: usize, count: u32 },
    /// The daemon takes nothing out of its inbox.
    Slow { step: usize, steps: usize },
    /// The machine's clock is off.
    Clock {
        step: usize,
        steps: usize,
        by: SignedDuration,
    },
    /// Noise on the line.
    Noise { step: usize, steps: usize },
    /// A line comes in two halves with a pulled plug between, or an endless one.
    Unplugged { step: usize, steps: usize },
    /// A channel refuses what it is given.
    Refuses {
        step: usize,
        steps: usize,
        channel: usize,
    },
    /// A channel takes it, but its answer is lost.
    Unanswered {
        step: usize,
        steps: usize,
        channel: usize,
    },
}

impl Fault {
    /// The steps it lasts; none for those that go by writes.
    pub(super) fn lasts(&self, at: usize) -> bool {
        match self {
            Self::Crash { .. } | Self::Disk { .. } => false,
            Self::Stop { step } | Self::OtherSnapshots { step } | Self::BackUp { step } => *step == at,
            Self::Broker { step, .. } | Self::LostAcks { step, .. } => *step == at,
            Self::Split { step, steps }
            | Self::Slow { step, steps }
            | Self::Clock { step, steps, .. }
            | Self::Noise { step, steps }
            | Self::Unplugged { step, steps }
            | Self::Refuses { step, steps, .. }
            | Self::Unanswered { step, steps, .. } => (*step..step + steps).contains(&at),
        }
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Crash { write, how } => {
                let how = match how {
                    How::Before => "before it began",
                    How::After => "on the disk, nobody told",
                    How::TornLog => "the log torn",
                    How::TornFile => "the file torn",
                };
                write!(f, "crash at write {write}: {how}")
            }
            Self::Disk { write, writes, what } => {
                let what = match what {
                    Disk::Full => "full",
                    Disk::ReadOnly => "read-only",
                };
                write!(f, "disk {what} from write {write} for {writes} writes")
            }
            Self::Stop { step } => write!(f, "stopped and started at step {step}"),
            Self::OtherSnapshots { step } => {
                write!(f, "stopped and started at step {step} with unreadable snapshots")
            }
            Self::BackUp { step } => write!(f, "a backup is made at step {step}"),
            Self::Split { step, steps } => write!(f, "no way to the broker from step {step} for {steps}"),
            Self::Broker { step, forgets } => {
                let memory = if *forgets {
                    "its sessions lost"
                } else {
                    "its sessions kept"
                };
                write!(f, "broker restarts at step {step}, {memory}")
            }
            Self::LostAcks { step, count } => write!(f, "{count} acknowledgements lost at step {step}"),
            Self::Slow { step, steps } => write!(f, "intake stands still from step {step} for {steps}"),
            Self::Clock { step, steps, by } => write!(f, "clock off by {by:#} from step {step} for {steps}"),
            Self::Noise { step, steps } => write!(f, "noise on the line from step {step} for {steps}"),
            Self::Unplugged { step, steps } => write!(f, "plug pulled from step {step} for {steps}"),
            Self::Refuses { step, steps, channel } => {
                write!(f, "channel {channel} refuses from step {step} for {steps}")
            }
            Self::Unanswered { step, steps, channel } => {
                write!(
                    f,
                    "answers of channel {channel} lost from step {step} for {steps}"
                )
            }
        }
    }
}

/// All that goes wrong in one run, and how unruly the loops are.
#[derive(Clone, Debug)]
pub(super) struct Plan {
    pub(super) faults: Vec<Fault>,
    /// Workers and carriers take their turns by chance.
    pub(super) unruly: bool,
    /// How much slower than the play the machine's own time goes by.
    pub(super) pace: i64,
}

impl Plan {
    pub(super) fn nothing() -> Self {
        Self {
            faults: Vec::new(),
            unruly: false,
            pace: 1,
        }
    }

    /// One to six faults in a play of so many steps (the first of `busy` is where forecasts begin) and writes.
    pub(super) fn drawn(seed: u64, steps: usize, busy: usize, writes: u64, channels: usize) -> Self {
        let mut random = Random::new(seed ^ 0x00fa_0175);
        let count = random.within(1, 7);
        let unruly = random.percent(50);
        let pace = if random.percent(50) { 1 } else { 40 };
        let mut faults: Vec<Fault> = Vec::new();
        for _ in 0..count {
            let fault = draw(&mut random, steps, busy, writes, channels);
            // Two restarts in a row: the second in the midst of the first's beginning.
            if let Fault::Crash { write, .. } = fault
                && random.percent(30)
            {
                let write = write + random.within(1, 8);
                let how = how(&mut random);
                faults.push(Fault::Crash { write, how });
            }
            faults.push(fault);
        }
        Self { faults, unruly, pace }
    }

    pub(super) fn crashes(&self) -> VecDeque<(u64, How)> {
        let mut crashes: Vec<_> = self
            .faults
            .iter()
            .filter_map(|fault| match fault {
                Fault::Crash { write, how } => Some((*write, *how)),
                _ => None,
            })
            .collect();
        crashes.sort_by_key(|(write, _)| *write);
        crashes.into()
    }

    pub(super) fn disk(&self) -> Vec<(u64, u64, Disk)> {
        self.faults
            .iter()
            .filter_map(|fault| match fault {
                Fault::Disk { write, writes, what } => Some((*write, *writes, *what)),
                _ => None,
            })
            .collect()
    }
}

fn how(random: &mut Random) -> How {
    match random.within(0, 4) {
        0 => How::Before,
        1 => How::After,
        2 => How::TornLog,
        _ => How::TornFile,
    }
}

fn draw(random: &mut Random, steps: usize, busy: usize, writes: u64, channels: usize) -> Fault {
    // The last step is calm; what lasts longer is over with the play.
    let last = steps.saturating_sub(1).max(2);
    let step = if random.percent(70) {
        busy.min(last - 1) + random.below(last.saturating_sub(busy).max(1))
    } else {
        1 + random.below(last - 1)
    };
    let some = 1 + random.below(7);
    let channel = random.below(channels);
    match random.within(0, 100) {
        0..26 => Fault::Crash {
            write: random.within(1, writes + 1),
            how: how(random),
        },
        26..36 => Fault::Disk {
            write: random.within(2, writes + 1),
            writes: random.within(1, 12),
            what: if random.percent(50) {
                Disk::Full
            } else {
                Disk::ReadOnly
            },
        },
        36..39 => Fault::Stop { step },
        39..41 => Fault::BackUp { step },
        41..46 => Fault::OtherSnapshots { step },
        46..54 => Fault::Split { step, steps: some },
        54..61 => Fault::Broker {
            step,
            forgets: random.percent(40),
        },
        61..68 => Fault::LostAcks {
            step,
            count: u32::try_from(some).unwrap_or(1),
        },
        68..73 => Fault::Slow { step, steps: some },
        73..79 => Fault::Clock {
            step,
            steps: some,
            by: off(random),
        },
        79..84 => Fault::Noise { step, steps: some },
        84..89 => Fault::Unplugged { step, steps: some },
        89..95 => Fault::Refuses {
            step,
            steps: some,
            channel,
        },
        _ => Fault::Unanswered {
            step,
            steps: some,
            channel,
        },
    }
}

/// How far a clock is set off: minutes and hours often, days and years now and then.
fn off(random: &mut Random) -> SignedDuration {
    let hours = match random.within(0, 10) {
        0..3 => return SignedDuration::from_mins(-7),
        3..6 => 1,
        6 => 25,
        7 => -25,
        8 => -24 * 365 * 56,
        _ => 24 * 366 * 3,
    };
    SignedDuration::from_hours(hours)
}
