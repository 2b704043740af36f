//! What the gauge says over its line, and what becomes of it on the way.

use super::{World, machine::Daemon};
use crate::{
    faults::{plan::Fault, play::Step},
    watch::{self, Clock},
};

impl World<'_> {
    /// The gauge says its lines, and the port has its moods.
    pub(super) fn speak(&mut self, daemon: &mut Daemon, index: usize, step: &Step) {
        let now = watch::whole_microseconds(Clock::now(&*self.clock));
        let lasts = |of: fn(&Fault) -> bool| {
            let mut faults = self.plan.faults.iter();
            faults.any(|fault| of(fault) && fault.lasts(index))
        };
        let noise = lasts(|fault| matches!(fault, Fault::Noise { .. }));
        let unplugged = lasts(|fault| matches!(fault, Fault::Unplugged { .. }));
        for line in &step.lines {
            let mut bytes = line.clone().into_bytes();
            bytes.push(b'\n');
            if unplugged {
                // Half a line, the plug out and in, and the other half, which could pass for a smaller number.
                let cut = self.random.below(bytes.len());
                let (head, tail) = bytes.split_at(cut);
                daemon.plug.hear(head, now);
                daemon.plug.replug();
                daemon.plug.hear(tail, now);
                daemon.fresh = false;
                continue;
            }
            if noise {
                let mut noise: Vec<u8> = (0..self.random.below(40)).map(|_| self.byte()).collect();
                if self.random.percent(20) {
                    noise.extend(std::iter::repeat_n(b'7', 300_000));
                }
                noise.push(b'\n');
                daemon.plug.hear(&noise, now);
                daemon.fresh = false;
            }
            let cut = self.random.below(bytes.len());
            let (head, tail) = bytes.split_at(cut);
            daemon.plug.hear(head, now);
            daemon.plug.hear(tail, now);
            let counts = !std::mem::replace(&mut daemon.fresh, false);
            if counts {
                let arrived = daemon.plug.last();
                daemon
                    .heard
                    .extend(self.ledger.said(&self.play.config, line, arrived));
            }
        }
    }

    /// A byte of noise; none that could make up a number.
    fn byte(&mut self) -> u8 {
        let byte = u8::try_from(self.random.within(0, 256)).unwrap_or(0);
        if byte.is_ascii_digit() || byte == b'\n' || byte == b'\r' {
            b'#'
        } else {
            byte
        }
    }
}
