//! Values of one sensor in a row, bit for bit.
//!
//! Sensors tell decimals, and the arithmetic of units leaves them a few of the smallest steps of a double beside where they would stand:
//! 0.57 bar is 56999.99999999999 Pa. So a value is a whole number of tenths, hundredths, ..., and how many of those steps it lies off.
//! Where that does not hold the bits are taken as a whole number. Both are told by their differences from one to the next.

use super::super::packed::{Rest, Writing, folded, unfolded};

/// What stands before values that are told by their bits; else one more than the decimals.
const BITS: u8 = 0;

/// What none to nine decimals are made whole by.
const POWERS: [f64; 10] = [1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9];

/// So many steps off a decimal at most, and the bits that tell them.
const FURTHEST: u64 = 15;
const MOST_BITS: u32 = 5;

/// Whole numbers that a double holds lie below this.
const LARGEST: f64 = 9_007_199_254_740_992.0;

/// A value as so many parts, and how many steps it lies off them.
#[derive(Clone, Copy)]
struct Decimal {
    parts: i64,
    off: i64,
}

impl Decimal {
    fn of(value: f64, power: f64) -> Option<Self> {
        let scaled = value * power;
        if scaled.is_nan() || scaled.abs() >= LARGEST {
            return None;
        }
        #[expect(clippy::cast_possible_truncation, reason = "a whole number that an i64 holds")]
        let parts = scaled.round() as i64;
        let off = value
            .to_bits()
            .wrapping_sub(near(parts, power).to_bits())
            .cast_signed();
        (off.unsigned_abs() <= FURTHEST).then_some(Self { parts, off })
    }

    fn value(self, power: f64) -> f64 {
        f64::from_bits(near(self.parts, power).to_bits().wrapping_add_signed(self.off))
    }
}

/// The double next to a decimal: division is rounded the same everywhere (IEEE 754).
fn near(parts: i64, power: f64) -> f64 {
    #[expect(
        clippy::cast_precision_loss,
        reason = "below 2^53 in what was written; of damaged bytes nothing is promised"
    )]
    let parts = parts as f64;
    parts / power
}

pub(super) fn put(to: &mut Vec<u8>, values: impl Iterator<Item = f64> + Clone) {
    let mut decimals: Vec<Decimal> = Vec::new();
    for (mode, power) in (1_u8..).zip(POWERS) {
        decimals.clear();
        decimals.extend(values.clone().map_while(|value| Decimal::of(value, power)));
        if decimals.len() == values.clone().count() {
            return put_decimals(to, mode, &decimals);
        }
    }
    to.push(BITS);
    let mut writing = Writing::new(to);
    let mut last = 0;
    for value in values {
        let bits = value.to_bits();
        writing.put(folded(bits.wrapping_sub(last).cast_signed()));
        last = bits;
    }
    writing.end();
}

fn put_decimals(to: &mut Vec<u8>, mode: u8, decimals: &[Decimal]) {
    let off = decimals.iter().fold(0, |all, decimal| all | folded(decimal.off));
    let bits = u8::try_from(64 - off.leading_zeros()).unwrap_or(u8::MAX);
    to.extend([mode, bits]);
    let mut writing = Writing::new(to);
    let mut last = 0;
    for decimal in decimals {
        // Below 2^55, and five bits.
        writing.put(folded(decimal.parts - last) << bits | folded(decimal.off));
        last = decimal.parts;
    }
    writing.end();
}

/// Takes as many values away from `rest` as there are places for them.
pub(super) fn take<'p>(rest: &mut &[u8], places: impl Iterator<Item = &'p mut f64>) -> Option<()> {
    let (mode, behind) = rest.split_first()?;
    *rest = behind;
    if *mode == BITS {
        let mut reading = Rest::new(rest);
        let mut bits: u64 = 0;
        for place in places {
            bits = bits.wrapping_add_signed(unfolded(reading.next()?));
            *place = f64::from_bits(bits);
        }
        return reading.end();
    }
    let power = *POWERS.get(usize::from(*mode) - 1)?;
    let (bits, behind) = rest.split_first()?;
    *rest = behind;
    let bits = u32::from(*bits);
    if bits > MOST_BITS {
        return None;
    }
    let mut reading = Rest::new(rest);
    let mut parts: i64 = 0;
    for place in places {
        let number = reading.next()?;
        let off = unfolded(number & ((1 << bits) - 1));
        parts = parts.wrapping_add(unfolded(number >> bits));
        *place = Decimal { parts, off }.value(power);
    }
    reading.end()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn packed(values: &[f64]) -> Vec<u8> {
        let mut bytes = Vec::new();
        put(&mut bytes, values.iter().copied());
        bytes
    }

    fn unpacked(mut bytes: &[u8], count: usize) -> Option<Vec<u64>> {
        let mut values = vec![0.0; count];
        take(&mut bytes, values.iter_mut())?;
        bytes.is_empty().then(|| bits(&values))
    }

    fn bits(values: &[f64]) -> Vec<u64> {
        values.iter().map(|value| value.to_bits()).collect()
    }

    #[test]
    fn values_come_back_bit_for_bit_whatever_they_are() {
        let ends = [
            0.0,
            -0.0,
            1.0,
            -1.0,
            0.1,
            5e-324,
            -5e-324,
            f64::MIN_POSITIVE,
            f64::MAX,
            f64::MIN,
            9_007_199_254_740_991.0,
            9_007_199_254_740_992.0,
            -9_007_199_254_740_993.0,
            56_999.999_999_999_99,
            294.349_999_999_999_97,
            f64::INFINITY,
            f64::NAN,
        ];
        for one in ends {
            assert_eq!(unpacked(&packed(&[one]), 1), Some(bits(&[one])), "{one:e}");
            for other in ends {
                let all = [one, other, one, one, other, 1.0 / 3.0];
                assert_eq!(unpacked(&packed(&all), 6), Some(bits(&all)), "{one:e} {other:e}");
            }
        }
    }

    #[test]
    fn what_sensors_tell_takes_a_byte_or_two() {
        let noise = |index: u32| f64::from(index * 37 % 11);
        // Hundredths of a bar as pascals, sixteenths of a degree Celsius as kelvins, hectopascals with two decimals, and always the same.
        let gauge: Vec<f64> = (0..128).map(|index| (1.5 + noise(index) * 0.01) * 1e5).collect();
        let probe: Vec<f64> = (0..128)
            .map(|index| 21.0 + noise(index) / 16.0 + 273.15)
            .collect();
        let air: Vec<f64> = (0..128)
            .map(|index| (1_013.25 + noise(index) * 0.01) * 1e2)
            .collect();
        for (values, most) in [
            (gauge, 3 * 128),
            (probe, 4 * 128),
            (air, 2 * 128),
            (vec![294.15; 128], 12),
        ] {
            let bytes = packed(&values);
            assert!(bytes.len() <= most, "{} of {:?}", bytes.len(), &values[..4]);
            assert_eq!(unpacked(&bytes, values.len()), Some(bits(&values)));
        }
    }

    #[test]
    fn bytes_that_are_no_values_are_told() {
        let all = [0.57 * 1e5, 1.0, 3.5, 1.0 / 3.0, 7.0];
        for values in [&all[..3], &all[..]] {
            let bytes = packed(values);
            for cut in 0..bytes.len() {
                assert_eq!(unpacked(&bytes[..cut], values.len()), None, "{cut}");
            }
            assert_eq!(unpacked(&bytes, values.len() + 1), None);
        }
        assert_eq!(unpacked(&[11, 0, 0], 1), None, "no such number of decimals");
        assert_eq!(unpacked(&[1, 6, 0], 1), None, "no such number of bits");
    }

    proptest::proptest! {
        #[test]
        fn any_doubles_come_back(values in proptest::collection::vec(proptest::num::f64::ANY, 1..200)) {
            proptest::prop_assert_eq!(unpacked(&packed(&values), values.len()), Some(bits(&values)));
        }

        #[test]
        fn any_decimals_come_back(
            parts in proptest::collection::vec(-10_000_000_i64..10_000_000, 1..200),
            power in 0_usize..10,
            by in proptest::sample::select(vec![1.0, 1e5, 1e2, 6_894.757_293_168, 5.0 / 9.0])
        ) {
            #[expect(clippy::cast_precision_loss, reason = "small numbers")]
            let values: Vec<f64> = parts.iter().map(|parts| *parts as f64 / POWERS[power] * by).collect();
            proptest::prop_assert_eq!(unpacked(&packed(&values), values.len()), Some(bits(&values)));
        }
    }
}
