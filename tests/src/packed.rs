//! Rows of a store that hold many readings, written and read by the description of their bytes alone (`DEVELOPERS.md`).

/// A reading in the row of its sensor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Row {
    /// When it was measured, in microseconds since 1970.
    pub at_us: i64,
    /// Its place in the order of arrival.
    pub place: i64,
    /// When it arrived.
    pub received_us: i64,
    /// Its value, in the unit of the store.
    pub value: f64,
}

/// The body of a row with these readings, its values by their bits.
#[must_use]
pub fn stretch(rows: &[Row]) -> Vec<u8> {
    let first = rows.first().map_or(0, |row| row.at_us);
    let mut body = vec![1];
    put_steps(&mut body, rows.iter().map(|row| row.place));
    body.push(0);
    put_steps(&mut body, rows.iter().map(|row| row.at_us - first));
    body.push(1);
    put_steps(&mut body, rows.iter().map(|row| row.received_us - row.at_us));
    body.push(0);
    let bits = rows.iter().map(|row| row.value.to_bits().cast_signed());
    let before = [0].into_iter().chain(bits.clone());
    put_runs(
        &mut body,
        bits.zip(before)
            .map(|(bits, before)| folded(bits.wrapping_sub(before))),
    );
    body
}

/// The body of a row of the order of arrival: places, sensors and minutes.
#[must_use]
pub fn arrivals(rows: &[[i64; 3]]) -> Vec<u8> {
    let mut body = vec![1];
    put(&mut body, u64::try_from(rows.len()).expect("few"));
    for column in 0..3 {
        put_steps(&mut body, rows.iter().map(|row| row[column]));
    }
    body
}

/// The readings of a row that begins at `first_us`.
///
/// # Panics
/// It is not as described.
#[must_use]
pub fn unpack(first_us: i64, count: usize, body: &[u8]) -> Vec<Row> {
    assert_eq!(body[0], 1, "the version");
    let mut rest = &body[1..];
    let places = steps(&mut rest, count);
    let unit = 1_000_i64.pow(byte(&mut rest).into());
    let times = steps(&mut rest, count);
    let after_it = byte(&mut rest) == 1;
    let received = steps(&mut rest, count);
    let decimals = byte(&mut rest);
    let bits = if decimals == 0 { 0 } else { byte(&mut rest) };
    let values = runs(&mut rest, count);
    assert!(rest.is_empty(), "{} bytes are left", rest.len());
    let mut last = 0_i64;
    let mut value = |told: u64| {
        last = last.wrapping_add(unfolded(told >> bits));
        if decimals == 0 {
            return f64::from_bits(last.cast_unsigned());
        }
        // The nearest double as the language reads it, and so many further.
        let near: f64 = format!("{last}e-{}", decimals - 1).parse().expect("a decimal");
        let off = unfolded(told & ((1 << bits) - 1));
        f64::from_bits(near.to_bits().wrapping_add_signed(off))
    };
    (0..count)
        .map(|index| {
            let at_us = first_us + unit * times[index];
            Row {
                at_us,
                place: places[index],
                received_us: received[index] + if after_it { at_us } else { first_us },
                value: value(values[index]),
            }
        })
        .collect()
}

fn folded(number: i64) -> u64 {
    let twice = number.unsigned_abs().wrapping_mul(2);
    if number < 0 { twice.wrapping_sub(1) } else { twice }
}

fn unfolded(number: u64) -> i64 {
    let half = (number / 2).cast_signed();
    if number.is_multiple_of(2) { half } else { -1 - half }
}

fn put(to: &mut Vec<u8>, mut number: u64) {
    while number > 0x7f {
        to.push(number.to_le_bytes()[0] | 0x80);
        number >>= 7;
    }
    to.push(number.to_le_bytes()[0]);
}

fn put_runs(to: &mut Vec<u8>, numbers: impl Iterator<Item = u64>) {
    let mut numbers = numbers.peekable();
    while let Some(number) = numbers.next() {
        put(to, number);
        if number == 0 && numbers.next_if_eq(&0).is_some() {
            to.push(0);
            let mut more = 0;
            while numbers.next_if_eq(&0).is_some() {
                more += 1;
            }
            put(to, more);
        }
    }
}

fn put_steps(to: &mut Vec<u8>, numbers: impl Iterator<Item = i64>) {
    let numbers: Vec<i64> = numbers.collect();
    put(to, folded(numbers[0]));
    let steps: Vec<i64> = numbers.windows(2).map(|pair| pair[1] - pair[0]).collect();
    let before = [0].into_iter().chain(steps.iter().copied());
    put_runs(
        to,
        steps
            .iter()
            .zip(before)
            .map(|(step, before)| folded(step - before)),
    );
}

fn byte(rest: &mut &[u8]) -> u8 {
    let (byte, behind) = rest.split_first().expect("the row goes on");
    *rest = behind;
    *byte
}

fn number(rest: &mut &[u8]) -> u64 {
    let (mut number, mut shift) = (0, 0);
    loop {
        let next = byte(rest);
        number |= u64::from(next & 0x7f) << shift;
        if next < 0x80 {
            return number;
        }
        shift += 7;
    }
}

fn runs(rest: &mut &[u8], count: usize) -> Vec<u64> {
    let mut numbers = Vec::new();
    while numbers.len() < count {
        let next = number(rest);
        numbers.push(next);
        if next == 0 && numbers.len() < count && rest.first() == Some(&0) {
            byte(rest);
            let more = usize::try_from(number(rest)).expect("few");
            assert!(numbers.len() + 1 + more <= count, "{more} more noughts");
            numbers.resize(numbers.len() + 1 + more, 0);
        }
    }
    numbers
}

fn steps(rest: &mut &[u8], count: usize) -> Vec<i64> {
    let mut last = unfolded(number(rest));
    let mut step = 0;
    let mut numbers = vec![last];
    for more in runs(rest, count - 1) {
        step += unfolded(more);
        last += step;
        numbers.push(last);
    }
    numbers
}
