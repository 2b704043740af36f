//! Guessing of passwords and tokens: after a few misses each further try has to wait, longer and longer.

use std::{
    collections::{BTreeMap, BTreeSet},
    net::IpAddr,
    time::{Duration, Instant},
};

/// Misses that cost nothing: people mistype.
const FREE: u32 = 5;
/// The same of tokens: a board of many sensors with an old token misses at once as often.
const FREE_TOKENS: u32 = 20;
/// The longest wait of an address.
const LONGEST_FOR_ADDRESS: Duration = Duration::from_secs(15 * 60);
/// The longest wait for a name: short, so that nobody can lock out its owner from elsewhere.
const LONGEST_FOR_NAME: Duration = Duration::from_secs(30);
/// Misses are forgotten after so long.
const FORGOTTEN: Duration = Duration::from_secs(86_400);
/// The most addresses, and the most names, that are remembered; beyond them the one with the fewest misses is forgotten.
const MOST: usize = 4_096;

#[derive(Clone, Copy, Debug)]
struct Misses {
    count: u32,
    last: Instant,
}

impl Misses {
    fn wait(self, free: u32, longest: Duration, now: Instant) -> Duration {
        let Some(beyond) = self.count.checked_sub(free) else {
            return Duration::ZERO;
        };
        let wait = Duration::from_secs(1_u64 << beyond.min(20)).min(longest);
        wait.saturating_sub(now.saturating_duration_since(self.last))
    }
}

#[derive(Debug)]
struct Remembered<K>(BTreeMap<K, Misses>);

impl<K: Ord + Clone> Remembered<K> {
    fn wait(&self, key: &K, free: u32, longest: Duration, now: Instant) -> Duration {
        self.0
            .get(key)
            .map_or(Duration::ZERO, |misses| misses.wait(free, longest, now))
    }

    fn count(&mut self, key: K, now: Instant) {
        self.0
            .retain(|_key, misses| now.saturating_duration_since(misses.last) < FORGOTTEN);
        if self.0.len() >= MOST && !self.0.contains_key(&key) {
            let least = self
                .0
                .iter()
                .min_by_key(|(_key, misses)| (misses.count, misses.last));
            if let Some(least) = least.map(|(key, _misses)| key.clone()) {
                self.0.remove(&least);
            }
        }
        let misses = self.0.entry(key).or_insert(Misses { count: 0, last: now });
        misses.count = misses.count.saturating_add(1);
        misses.last = now;
    }
}

/// Who missed, and how often.
#[derive(Debug)]
pub(super) struct Attempts {
    addresses: Remembered<IpAddr>,
    names: Remembered<String>,
}

impl Default for Attempts {
    fn default() -> Self {
        Self {
            addresses: Remembered(BTreeMap::new()),
            names: Remembered(BTreeMap::new()),
        }
    }
}

impl Attempts {
    /// Begins a try, which counts as a miss until [`Attempts::right`] says otherwise: many at once are many.
    ///
    /// # Errors
    /// How long to wait first.
    pub(super) fn begin(&mut self, from: IpAddr, name: &str, now: Instant) -> Result<(), Duration> {
        let (from, name) = (site(from), short(name));
        let wait = self
            .addresses
            .wait(&from, FREE, LONGEST_FOR_ADDRESS, now)
            .max(self.names.wait(&name, FREE, LONGEST_FOR_NAME, now));
        if !wait.is_zero() {
            return Err(wait);
        }
        self.addresses.count(from, now);
        self.names.count(name, now);
        Ok(())
    }

    pub(super) fn right(&mut self, from: IpAddr, name: &str) {
        self.addresses.0.remove(&site(from));
        self.names.0.remove(&short(name));
    }
}

/// Who gave tokens that nobody has, and from where which tokens were right.
///
/// A sensor that is known stays let in, whoever guesses beside it behind the same address; all else from there waits, also what is right,
/// so that nobody learns by guessing on.
#[derive(Debug)]
pub(super) struct Guesses {
    addresses: Remembered<IpAddr>,
    right: BTreeSet<(IpAddr, String)>,
}

impl Default for Guesses {
    fn default() -> Self {
        Self {
            addresses: Remembered(BTreeMap::new()),
            right: BTreeSet::new(),
        }
    }
}

impl Guesses {
    /// A token came `from` there: `whose`, or nobody's.
    ///
    /// # Errors
    /// How long to wait first.
    pub(super) fn came(&mut self, from: IpAddr, whose: Option<&str>, now: Instant) -> Result<(), Duration> {
        let from = site(from);
        let wait = self.addresses.wait(&from, FREE_TOKENS, LONGEST_FOR_ADDRESS, now);
        match whose {
            Some(name) if self.right.contains(&(from, name.to_owned())) => Ok(()),
            _ if !wait.is_zero() => Err(wait),
            Some(name) => {
                if self.right.len() < MOST {
                    self.right.insert((from, name.to_owned()));
                }
                Ok(())
            }
            None => {
                self.addresses.count(from, now);
                Ok(())
            }
        }
    }
}

/// A house has a whole /64 of IPv6 (RFC 6177): it counts as one address.
fn site(from: IpAddr) -> IpAddr {
    match from.to_canonical() {
        IpAddr::V6(six) => IpAddr::V6((u128::from(six) & !u128::from(u64::MAX)).into()),
        four => four,
    }
}

fn short(name: &str) -> String {
    name.chars().take(64).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_grow_to_a_bound_and_a_right_password_ends_them() {
        let (from, mut now) = ("192.0.2.1".parse().unwrap(), Instant::now());
        let mut attempts = Attempts::default();
        for _ in 0..FREE {
            attempts.begin(from, "Ada", now).unwrap();
        }
        let mut waits = Vec::new();
        for _ in 0..12 {
            let wait = attempts.begin(from, "Ada", now).unwrap_err();
            waits.push(wait.as_secs());
            now += wait;
            attempts.begin(from, "Ada", now).unwrap();
        }
        assert_eq!(waits, [1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 900, 900]);
        // From elsewhere her name has to wait half a minute and no longer.
        let other = "192.0.2.2".parse().unwrap();
        assert_eq!(attempts.begin(other, "Ada", now), Err(LONGEST_FOR_NAME));
        attempts.begin(other, "Ada", now + LONGEST_FOR_NAME).unwrap();
        attempts.right(from, "Ada");
        attempts.begin(from, "Ada", now).unwrap();
    }

    #[test]
    fn guessed_tokens_wait_and_what_was_right_before_does_not() {
        let (from, mut now) = ("192.0.2.1".parse().unwrap(), Instant::now());
        let mut guesses = Guesses::default();
        guesses.came(from, Some("gauge"), now).unwrap();
        let mut waits = Vec::new();
        for _ in 0..FREE_TOKENS {
            guesses.came(from, None, now).unwrap();
        }
        for _ in 0..11 {
            let wait = guesses.came(from, None, now).unwrap_err();
            waits.push(wait.as_secs());
            // What is right is not told from what is wrong meanwhile, but for what is known from there.
            assert_eq!(guesses.came(from, Some("house"), now), Err(wait));
            guesses.came(from, Some("gauge"), now).unwrap();
            now += wait;
            guesses.came(from, None, now).unwrap();
        }
        assert_eq!(waits, [1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 900]);
        let elsewhere = "192.0.2.2".parse().unwrap();
        guesses.came(elsewhere, Some("house"), now).unwrap();
        guesses
            .came(from, Some("house"), now + LONGEST_FOR_ADDRESS)
            .unwrap();
        for number in 0..10_000_u32 {
            guesses
                .came(IpAddr::V4(number.into()), Some("board"), now)
                .unwrap();
            guesses.came(IpAddr::V4(number.into()), None, now).unwrap();
        }
        assert!(guesses.addresses.0.len() <= MOST && guesses.right.len() <= MOST);
        guesses.came(from, None, now).unwrap_err();
    }

    #[test]
    fn an_address_of_many_names_is_one_and_memory_is_bounded() {
        let now = Instant::now();
        let mut attempts = Attempts::default();
        let mut refused = 0;
        for number in 0..20_u128 {
            // Addresses of one house.
            let from = IpAddr::V6((0x2001_0db8_u128 << 96 | number).into());
            refused += u32::from(attempts.begin(from, &number.to_string(), now).is_err());
        }
        assert_eq!(refused, 15);
        for number in 0..10_000_u32 {
            attempts
                .begin(IpAddr::V4(number.into()), &format!("nobody {number}"), now)
                .unwrap();
        }
        assert!(attempts.addresses.0.len() <= MOST && attempts.names.0.len() <= MOST);
        let house = IpAddr::V6((0x2001_0db8_u128 << 96).into());
        attempts.begin(house, "Ada", now).unwrap_err();
    }
}
