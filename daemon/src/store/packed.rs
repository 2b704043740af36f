//! Whole numbers as few bytes, for rows that hold many readings.
//!
//! A number stands seven bits to a byte, the lowest first; the highest bit says that more follow. One that may lie below zero is taken
//! times two, below zero as the odd number before that. Of numbers that come one after the other as if by a clock each is told by
//! how much its step differs from the step before: mostly by nothing. Behind two noughts stands how many more follow them.
//!
//! Whatever the bytes are, reading them ends, and takes no more room than the caller says.

/// So many at most stand in one row, whoever wrote it: a few bytes may say that a million noughts follow.
pub(super) const MOST: usize = 1_024;

/// Takes the sign away, so that what is near nought stays near it.
pub(super) fn folded(number: i64) -> u64 {
    ((number << 1) ^ (number >> 63)).cast_unsigned()
}

pub(super) fn unfolded(number: u64) -> i64 {
    (number >> 1).cast_signed() ^ -(number & 1).cast_signed()
}

pub(super) fn put(to: &mut Vec<u8>, mut rest: u64) {
    loop {
        let [low, ..] = rest.to_le_bytes();
        rest >>= 7;
        if rest == 0 {
            to.push(low & 0x7f);
            return;
        }
        to.push(low | 0x80);
    }
}

/// Takes the first number away from `rest`; `None`: it is cut off, or longer than a number can be.
pub(super) fn number(rest: &mut &[u8]) -> Option<u64> {
    let mut number: u64 = 0;
    for shift in (0..64).step_by(7) {
        let (byte, behind) = rest.split_first()?;
        *rest = behind;
        number |= u64::from(byte & 0x7f) << shift;
        if byte & 0x80 == 0 {
            return Some(number);
        }
    }
    None
}

/// Writes numbers of which many are nought.
pub(super) struct Writing<'b> {
    to: &'b mut Vec<u8>,
    noughts: u64,
}

impl<'b> Writing<'b> {
    pub(super) fn new(to: &'b mut Vec<u8>) -> Self {
        Self { to, noughts: 0 }
    }

    pub(super) fn put(&mut self, number: u64) {
        if number == 0 {
            self.noughts += 1;
        } else {
            self.put_noughts();
            put(self.to, number);
        }
    }

    fn put_noughts(&mut self) {
        match self.noughts {
            0 => {}
            1 => self.to.push(0),
            many => {
                self.to.extend([0, 0]);
                put(self.to, many - 2);
            }
        }
        self.noughts = 0;
    }

    pub(super) fn end(mut self) {
        self.put_noughts();
    }
}

/// Reads what [`Writing`] wrote.
pub(super) struct Rest<'r, 'b> {
    bytes: &'r mut &'b [u8],
    noughts: u64,
    behind_one: bool,
}

impl<'r, 'b> Rest<'r, 'b> {
    pub(super) fn new(bytes: &'r mut &'b [u8]) -> Self {
        Self {
            bytes,
            noughts: 0,
            behind_one: false,
        }
    }

    pub(super) fn next(&mut self) -> Option<u64> {
        if self.noughts > 0 {
            self.noughts -= 1;
            return Some(0);
        }
        let next = number(self.bytes)?;
        let second = next == 0 && self.behind_one;
        if second {
            self.noughts = number(self.bytes)?;
        }
        self.behind_one = next == 0 && !second;
        Some(next)
    }

    /// `None`: there is more than was asked for.
    pub(super) fn end(self) -> Option<()> {
        (self.noughts == 0).then_some(())
    }
}

/// Writes the first number, and of each after it how much its step differs from the step before.
pub(super) fn put_steps(to: &mut Vec<u8>, numbers: impl IntoIterator<Item = i64>) {
    let mut numbers = numbers.into_iter();
    let Some(mut last) = numbers.next() else { return };
    put(to, folded(last));
    let mut step = 0_i64;
    let mut writing = Writing::new(to);
    for number in numbers {
        let next = number.wrapping_sub(last);
        writing.put(folded(next.wrapping_sub(step)));
        (last, step) = (number, next);
    }
    writing.end();
}

/// Takes as many such numbers away from `rest` as there are places to put them.
pub(super) fn steps<'p>(rest: &mut &[u8], places: impl IntoIterator<Item = &'p mut i64>) -> Option<()> {
    let mut places = places.into_iter();
    let Some(place) = places.next() else {
        return Some(());
    };
    let mut last = unfolded(number(rest)?);
    *place = last;
    let mut step = 0_i64;
    let mut reading = Rest::new(rest);
    for place in places {
        step = step.wrapping_add(unfolded(reading.next()?));
        last = last.wrapping_add(step);
        *place = last;
    }
    reading.end()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn packed(numbers: &[i64]) -> Vec<u8> {
        let mut bytes = Vec::new();
        put_steps(&mut bytes, numbers.iter().copied());
        bytes
    }

    fn unpacked(mut bytes: &[u8], count: usize) -> Option<(Vec<i64>, usize)> {
        let mut numbers = vec![0; count];
        steps(&mut bytes, &mut numbers)?;
        Some((numbers, bytes.len()))
    }

    #[test]
    fn numbers_of_any_size_come_back_one_after_the_other() {
        let ends = [
            0,
            0,
            0,
            1,
            -1,
            0,
            0,
            63,
            64,
            -64,
            -65,
            1_772_434_800_000_000,
            i64::MAX,
            i64::MIN,
            i64::MAX,
            0,
        ];
        let numbers: Vec<i64> = ends
            .iter()
            .flat_map(|one| ends.map(|other| one ^ other))
            .chain(std::iter::repeat_n(7, 300))
            .collect();
        for from in [0, 1, 17, 200] {
            let numbers = &numbers[from..];
            let bytes = packed(numbers);
            assert_eq!(unpacked(&bytes, numbers.len()), Some((numbers.to_vec(), 0)));
            // Too few places for what is there, too: the last are a run.
            assert_eq!(unpacked(&bytes, numbers.len() - 1), None);
            assert_eq!(unpacked(&bytes, numbers.len() + 1), None);
        }
        for number in ends {
            assert_eq!(unfolded(folded(number)), number);
        }
    }

    #[test]
    fn what_goes_as_by_a_clock_takes_next_to_nothing() {
        let clock: Vec<i64> = (0..128).map(|tick| 40 + tick * 5_000_000).collect();
        assert_eq!(packed(&clock).len(), 1 + 4 + 3);
        assert_eq!(packed(&[7; 1_000]).len(), 1 + 2 + 2);
    }

    #[test]
    fn bytes_that_are_cut_off_or_promise_too_much_are_told() {
        let numbers: Vec<i64> = (0..40).map(|n: i64| n.pow(3) * 1_000_003).collect();
        let bytes = packed(&numbers);
        for cut in 0..bytes.len() {
            assert_eq!(unpacked(&bytes[..cut], numbers.len()), None, "{cut}");
        }
        // Eleven bytes for one number; noughts without end.
        assert_eq!(unpacked(&[0xff; 12], 1), None);
        let mut endless = vec![0, 0, 0];
        put(&mut endless, u64::MAX);
        assert_eq!(unpacked(&endless, 5), None);
    }
}
