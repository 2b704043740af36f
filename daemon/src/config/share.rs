//! `[share]`: which of a site's batches this daemon watches, where several daemons share them.

use std::{collections::BTreeSet, time::Duration};

use fobwatch_core::{
    batch::{BatchName, Slug},
    document::Section,
};

use serde::{Deserialize, Serialize};

use super::broker::prefix;

const PEERS: &str = "the `publish_prefix` of each fobwatch of the site, as [\"site/east\", \"site/west\"]; its own may be among them";
const SHARES: &str = "numbers below `of`, as \"0\" or \"0,2\"";
/// A restart, or a machine that is started again, takes less.
const AWAY_AFTER_MIN: f64 = 10.0;
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

/// The other daemons of the site.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Peered {
    /// Their prefixes.
    pub peers: Vec<String>,
    /// One that is away for so long is missed.
    pub away_after: Duration,
}

/// What others are told.
#[derive(Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
enum Told {
    All(bool),
    Part { take: BTreeSet<u32>, of: u32 },
    Batches(BTreeSet<String>),
}

impl Share {
    /// As the other daemons of the site are told.
    #[must_use]
    pub fn told(&self) -> String {
        let told = match self {
            Self::All => Told::All(true),
            Self::Part { take, of } => Told::Part {
                take: take.clone(),
                of: *of,
            },
            Self::Named(slugs) => Told::Batches(slugs.iter().map(|slug| slug.as_str().to_owned()).collect()),
        };
        serde_json::to_string(&told).unwrap_or_default()
    }

    /// As another one told; `None`: it is no share.
    #[must_use]
    pub fn from_told(payload: &[u8]) -> Option<Self> {
        Some(match serde_json::from_slice(payload).ok()? {
            Told::All(_) => Self::All,
            Told::Part { take, of } => Self::Part { take, of },
            Told::Batches(slugs) => {
                let slugs = slugs.iter().filter_map(|slug| BatchName::new(slug).ok());
                Self::Named(slugs.map(|name| name.slug()).collect())
            }
        })
    }

    /// What of it `other` has, too, in words; `None`: nothing, as far as their divisions of the site tell.
    #[must_use]
    pub fn common(&self, other: &Self) -> Option<String> {
        let listed = |all: Vec<String>| (!all.is_empty()).then(|| all.join(", "));
        let held = |slugs: &BTreeSet<Slug>, by: &Self| {
            let held = slugs.iter().filter(|slug| by.holds(slug));
            listed(held.map(|slug| slug.as_str().to_owned()).collect())
        };
        match (self, other) {
            (Self::Named(slugs), by) | (by, Self::Named(slugs)) => held(slugs, by),
            (
                Self::Part { take, of },
                Self::Part {
                    take: theirs,
                    of: parts,
                },
            ) => {
                let both = take.intersection(theirs).filter(|_| of == parts);
                listed(both.map(ToString::to_string).collect()).map(|both| format!("share {both} of {of}"))
            }
            (Self::All, _) | (_, Self::All) => Some("the same batches".to_owned()),
        }
    }

    /// What of it none of `others` has, in words; `None`: nothing.
    #[must_use]
    pub fn less(&self, others: &[&Self]) -> Option<String> {
        if others.contains(&&Self::All) {
            return None;
        }
        let listed = |all: Vec<String>| all.join(", ");
        match self {
            Self::All => Some("its batches".to_owned()),
            Self::Part { take, of } => {
                let has = |number: &u32| {
                    others.iter().any(|other| match other {
                        Self::Part { take, of: theirs } => theirs == of && take.contains(number),
                        Self::All | Self::Named(_) => false,
                    })
                };
                let left: Vec<_> = take
                    .iter()
                    .filter(|number| !has(number))
                    .map(ToString::to_string)
                    .collect();
                (!left.is_empty()).then(|| format!("share {} of {of}", listed(left)))
            }
            Self::Named(slugs) => {
                let left = slugs
                    .iter()
                    .filter(|slug| !others.iter().any(|other| other.holds(slug)));
                let left: Vec<_> = left.map(|slug| slug.as_str().to_owned()).collect();
                (!left.is_empty()).then(|| listed(left))
            }
        }
    }
}

/// The share, and the other daemons of the site.
pub(super) fn read(section: &mut Section<'_, '_>) -> Option<(Share, Peered)> {
    let peers = section.texts("peers", PEERS, prefix).unwrap_or_default();
    let minutes = section.number("away_after_min", "0 to 1440 minutes", |minutes| {
        (0.0..=1_440.0).contains(&minutes)
    });
    let peered = Peered {
        peers,
        away_after: Duration::from_secs_f64(60.0 * minutes.unwrap_or(AWAY_AFTER_MIN)),
    };
    Some((read_share(section)?, peered))
}

fn read_share(section: &mut Section<'_, '_>) -> Option<Share> {
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
    fn others_are_told_and_what_nobody_has_is_known() {
        let part = |take: &str| share(&format!("[share]\ntake = \"{take}\"\nof = 4\n"));
        for one in [
            part("0,2"),
            share("[share]\nbatches = [\"plum 1\"]\n"),
            Share::All,
        ] {
            assert_eq!(Share::from_told(one.told().as_bytes()), Some(one));
        }
        assert_eq!(Share::from_told(b"offline"), None);
        let east = part("0,2");
        assert_eq!(east.less(&[&part("1")]).as_deref(), Some("share 0, 2 of 4"));
        assert_eq!(
            east.less(&[&part("1"), &part("0,3")]).as_deref(),
            Some("share 2 of 4")
        );
        assert_eq!(east.less(&[&part("0"), &part("2,3")]), None);
        assert_eq!(east.less(&[&Share::All]), None);
        // Another division of the site says nothing of this one.
        assert_eq!(
            east.less(&[&share("[share]\ntake = \"0,2\"\nof = 3\n")])
                .as_deref(),
            Some("share 0, 2 of 4")
        );
        assert_eq!(east.common(&part("1,2")).as_deref(), Some("share 2 of 4"));
        assert_eq!(east.common(&part("1,3")), None);
        let named = share("[share]\nbatches = [\"plum 1\", \"plum 2\"]\n");
        let other = share("[share]\nbatches = [\"plum 2\"]\n");
        assert_eq!(other.common(&named).as_deref(), Some("plum-2"));
        assert_eq!(Share::All.common(&other).as_deref(), Some("plum-2"));
        assert_eq!(named.less(&[&other]).as_deref(), Some("plum-1"));
    }

    #[test]
    fn the_others_are_listed_by_their_prefixes_and_ones_own_is_none_of_them() {
        let text = "[share]\ntake = \"0\"\nof = 2\npeers = [\"site/east\", \"site/west\"]\naway_after_min = 3\n\
                    [[mqtt]]\nhost = \"127.0.0.1\"\npublish_prefix = \"site/east\"\n";
        let config = Config::from_toml(text, "test").unwrap();
        assert_eq!(config.peered.peers, ["site/west"]);
        assert_eq!(config.peered.away_after, Duration::from_secs(180));
        assert_eq!(config.mqtt[0].peers, ["site/west"]);
        let broker = &config.mqtt[0];
        assert_eq!(
            broker.peer("site/west/plum-1/record"),
            Some(("site/west", "plum-1/record"))
        );
        assert_eq!(broker.peer("site/west/plum-1/alert/limit_near"), None);
        assert_eq!(broker.peer("site/western/status"), None);
        let bad = text.replace("site/west\"", "site/+\"").replace("= 3", "= -1");
        let bad = Config::from_toml(&bad, "test").unwrap_err().to_string();
        assert!(
            bad.contains("share.peers") && bad.contains("share.away_after_min"),
            "{bad}"
        );
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
