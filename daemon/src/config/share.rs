//! `[share]`: which of a site's batches this daemon watches, where several daemons share them.

use std::collections::BTreeSet;

use fobwatch_core::{
    batch::{BatchName, Slug},
    document::Section,
};

const SHARES: &str = "numbers below `of`, as \"0\" or \"0,2\"";
/// More daemons than this at one site are a mistake.
const MOST: u32 = 1_000;

/// A part of all batches.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum Share {
    /// All of them.
    #[default]
    All,
    /// Those whose number is among `take`: a hash of the slug, modulo `of`.
    Part {
        /// Numbers below `of`; 1 or more.
        take: BTreeSet<u32>,
        /// How many shares there are.
        of: u32,
    },
    /// Those that are named, by slug.
    Named(BTreeSet<Slug>),
}

impl Share {
    /// Whether the batch is watched here.
    #[must_use]
    pub fn holds(&self, slug: &Slug) -> bool {
        match self {
            Self::All => true,
            Self::Part { take, of } => take.contains(&number(slug, *of)),
            Self::Named(slugs) => slugs.contains(slug),
        }
    }

    /// Why the batch is not watched here, and where it may be; `None`: it is.
    #[must_use]
    pub fn refuses(&self, slug: &Slug) -> Option<String> {
        if self.holds(slug) {
            return None;
        }
        let listed = |all: Vec<String>| all.join(", ");
        Some(match self {
            Self::All => return None,
            Self::Part { take, of } => format!(
                "`{}` is in share {} of {of}, and this fobwatch watches share {} (`[share]` in its configuration): add it to the \
                 fobwatch that watches that share",
                slug.as_str(),
                number(slug, *of),
                listed(take.iter().map(ToString::to_string).collect())
            ),
            Self::Named(slugs) => format!(
                "`{}` is not among the batches that this fobwatch watches (`share.batches` in its configuration): {}",
                slug.as_str(),
                listed(slugs.iter().map(|slug| slug.as_str().to_owned()).collect())
            ),
        })
    }
}

/// The share of a batch, the same on every machine: FNV-1a of 64 bits (Fowler, Noll and Vo; RFC 9923) of the slug, modulo `of`.
fn number(slug: &Slug, of: u32) -> u32 {
    u32::try_from(hash(slug.as_str().as_bytes()) % u64::from(of.max(1))).unwrap_or(0)
}

fn hash(bytes: &[u8]) -> u64 {
    let start = 0xcbf2_9ce4_8422_2325_u64;
    bytes.iter().fold(start, |hash, byte| {
        (hash ^ u64::from(*byte)).wrapping_mul(0x0100_0000_01b3)
    })
}

pub(super) fn read(section: &mut Section<'_, '_>) -> Option<Share> {
    let named = section.texts("batches", "names of batches, as [\"plum 1\"]", |text| {
        BatchName::new(text).ok().map(|name| name.slug())
    });
    if section.has("batches") || named.is_some() {
        for key in ["take", "of"] {
            section.refuse_entry(key, "only without `batches`");
        }
        return Some(Share::Named(named?.into_iter().collect()));
    }
    section.require("take", SHARES);
    section.require(
        "of",
        "a whole number from 1 to 1000, the same for all daemons of the site",
    );
    let of = section.whole("of", 1, MOST);
    let take = section.text("take", SHARES, |text| {
        let numbers: Option<BTreeSet<u32>> = text.split(',').map(|part| part.trim().parse().ok()).collect();
        numbers.filter(|numbers| numbers.iter().all(|number| *number < of.unwrap_or(MOST)))
    });
    Some(Share::Part { take: take?, of: of? })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::Config;

    /// Test vectors of the authors (`isthe.com/chongo/src/fnv/test_fnv.c`), also in RFC 9923.
    #[test]
    fn the_hash_is_the_published_one() {
        assert_eq!(hash(b""), 0xcbf2_9ce4_8422_2325);
        assert_eq!(hash(b"a"), 0xaf63_dc4c_8601_ec8c);
        assert_eq!(hash(b"foobar"), 0x8594_4171_f739_67e8);
    }

    fn share(text: &str) -> Share {
        Config::from_toml(text, "test").unwrap().share
    }

    #[test]
    fn each_batch_is_in_one_share() {
        let shares = [
            share("[share]\ntake = \"0\"\nof = 3\n"),
            share("[share]\ntake = \"1, 2\"\nof = 3\n"),
        ];
        let mut held = [0, 0];
        for number in 0..300 {
            let slug = BatchName::new(&format!("plum {number}")).unwrap().slug();
            let by: Vec<bool> = shares.iter().map(|share| share.holds(&slug)).collect();
            assert_eq!(by.iter().filter(|holds| **holds).count(), 1, "{slug:?}");
            held[usize::from(by[1])] += 1;
            let refused = shares.iter().filter_map(|share| share.refuses(&slug)).count();
            assert_eq!(refused, 1);
        }
        assert!(held[0] > 70 && held[1] > 150, "{held:?}");
    }

    #[test]
    fn batches_may_be_named_and_without_the_block_all_are_watched() {
        let named = share("[share]\nbatches = [\"Plum 1\"]\n");
        let slug = |name| BatchName::new(name).unwrap().slug();
        assert!(named.holds(&slug("plum 1")) && !named.holds(&slug("plum 2")));
        assert!(share("").holds(&slug("plum 2")));
    }

    #[test]
    fn a_share_that_cannot_be_is_refused() {
        for (text, told) in [
            ("[share]\ntake = \"3\"\nof = 3\n", "share.take"),
            ("[share]\ntake = \"\"\nof = 3\n", "share.take"),
            ("[share]\ntake = \"0\"\n", "share.of"),
            ("[share]\nof = 3\n", "share.take"),
            ("[share]\nbatches = [\"plum 1\"]\nof = 3\n", "share.of"),
            ("[share]\nbatches = [\"\"]\n", "share.batches"),
        ] {
            let bad = Config::from_toml(text, "test").unwrap_err().to_string();
            assert!(bad.contains(told), "{text}: {bad}");
        }
    }
}
