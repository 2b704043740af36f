//! Passwords of people. Only what cannot be turned back is kept: Argon2id (RFC 9106) as one line of text.

use argon2::{Argon2, Params, PasswordHasher, PasswordVerifier, password_hash::phc::PasswordHash as Line};
use ring::rand::{SecureRandom, SystemRandom};

/// The fewest characters of a password: it stands between the whole internet and the bottles.
const FEWEST: usize = 12;
/// The most.
const MOST: usize = 256;
/// The most memory that a line may ask for, in KiB, and the most turns: whoever logs in makes us spend them.
const MOST_MEMORY_KIB: u32 = 256 * 1024;
const MOST_TURNS: u32 = 10;

const ALLOWED: &str = "a line that begins with `$argon2id$`, as `fobwatch check --hash-password` makes it";

/// Tells whether a password is the right one, and not which one is.
#[derive(Clone, PartialEq, Eq)]
pub struct PasswordHash(String);

impl std::fmt::Debug for PasswordHash {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("PasswordHash")
    }
}

impl PasswordHash {
    /// The line that is kept of a password.
    ///
    /// # Errors
    /// It is too short or too long, or the system gives no random numbers.
    pub fn of(password: &str) -> Result<Self, String> {
        let length = password.chars().count();
        if !(FEWEST..=MOST).contains(&length) {
            return Err(format!(
                "the password has {length} characters; allowed: {FEWEST} to {MOST}, say four or five words"
            ));
        }
        Self::make(password, Params::default())
    }

    fn make(password: &str, cost: Params) -> Result<Self, String> {
        let mut salt = [0; 16];
        SystemRandom::new()
            .fill(&mut salt)
            .map_err(|_none| "the system gives no random numbers".to_owned())?;
        Argon2::from(cost)
            .hash_password_with_salt(password.as_bytes(), &salt)
            .map(|line| Self(line.to_string()))
            .map_err(|error| format!("the password cannot be hashed: {error}"))
    }

    /// Reads a line that was made by [`PasswordHash::of`].
    ///
    /// # Errors
    /// What it is instead, without showing any of it.
    pub fn read(line: &str) -> Result<Self, String> {
        let no_line = || format!("its first line is no hash of a password; allowed: {ALLOWED}");
        let parsed = Line::new(line.trim()).map_err(|_bad| no_line())?;
        if parsed.algorithm.as_str() != "argon2id" || parsed.hash.is_none() || parsed.salt.is_none() {
            return Err(no_line());
        }
        let params = Params::try_from(&parsed).map_err(|_bad| no_line())?;
        if params.m_cost() > MOST_MEMORY_KIB || params.t_cost() > MOST_TURNS || params.p_cost() > 4 {
            return Err(format!(
                "its first line asks for more work than is done for a log-in; allowed: up to {} MiB, {MOST_TURNS} turns and 4 lanes",
                MOST_MEMORY_KIB / 1024
            ));
        }
        Ok(Self(line.trim().to_owned()))
    }

    /// Whether `password` is the right one. It takes tens of milliseconds of one core and some 20 MB.
    #[must_use]
    pub fn is_of(&self, password: &str) -> bool {
        Argon2::default()
            .verify_password(password.as_bytes(), self.0.as_str())
            .is_ok()
    }

    /// A hash of `secret`, which nobody knows, that takes as long to check as this one.
    #[must_use]
    pub fn of_nobody(&self, secret: &str) -> Option<Self> {
        let like = Line::new(&self.0).ok()?;
        let cost = Params::try_from(&like).ok()?;
        Self::make(secret, cost).ok()
    }

    /// The line itself, to be kept.
    #[must_use]
    pub fn line(&self) -> &str {
        &self.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_knows_its_password_and_no_other() {
        let made = PasswordHash::of("four lively swing tops").unwrap();
        assert!(
            made.line().starts_with("$argon2id$v=19$m=19456,t=2,p=1$"),
            "{}",
            made.line()
        );
        let read = PasswordHash::read(&format!("{}\n", made.line())).unwrap();
        assert_eq!(read, made);
        assert!(read.is_of("four lively swing tops"));
        assert!(!read.is_of("four lively swing top"));
        assert!(!read.is_of(""));
        assert_ne!(
            PasswordHash::of("four lively swing tops").unwrap(),
            made,
            "salted"
        );
        assert!(!format!("{made:?}").contains("argon2id"));
    }

    /// The tool of the reference implementation of Argon2 made it (Debian's package argon2 0~20171227):
    /// `printf 'four lively swing tops' | argon2 kitchensalt -id -t 2 -k 8192 -p 1 -e`
    #[test]
    fn a_line_of_the_reference_tool_is_understood() {
        let line = include_str!("password.reference").trim();
        let read = PasswordHash::read(line).unwrap();
        assert!(read.is_of("four lively swing tops"));
        assert!(!read.is_of("four lively swing tops "));
    }

    #[test]
    fn what_is_no_such_line_is_refused_without_being_shown() {
        let salt = "c2FsdHNhbHRzYWx0c2FsdA";
        let hash = "MDEyMzQ1Njc4OTAxMjM0NTY3ODkwMTIzNDU2Nzg5MDE";
        for bad in [
            String::new(),
            "four lively swing tops".to_owned(),
            format!("$argon2i$v=19$m=19456,t=2,p=1${salt}${hash}"),
            format!("$argon2id$v=19$m=19456,t=2,p=1${salt}"),
            format!("$argon2id$v=19$m=4000000,t=2,p=1${salt}${hash}"),
            format!("$argon2id$v=19$m=19456,t=4000,p=1${salt}${hash}"),
        ] {
            let why = PasswordHash::read(&bad).unwrap_err();
            assert!(why.contains("allowed"), "{why}");
            assert!(bad.is_empty() || !why.contains(&bad), "{why}");
        }
        assert!(PasswordHash::of("too short").unwrap_err().contains("12 to 256"));
    }
}
