//! Every check over its kept examples (`tests/fuzz/examples`) and over damaged ones; without the fuzzer.

use std::{fs, path::PathBuf};

use super::CHECKS;

fn folder(part: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
        .join("../tests/fuzz")
        .join(part)
}

fn examples(name: &str) -> Vec<Vec<u8>> {
    let mut files: Vec<PathBuf> = fs::read_dir(folder("examples").join(name))
        .unwrap_or_else(|why| panic!("tests/fuzz/examples/{name}: {why}"))
        .map(|entry| entry.unwrap().path())
        .collect();
    files.sort();
    files.iter().map(|file| fs::read(file).unwrap()).collect()
}

/// SplitMix64 (Steele, Lea and Flood 2014): the same damages at each run.
struct Dice(u64);

impl Dice {
    fn roll(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// Below `sides`, which is not nought.
    fn below(&mut self, sides: usize) -> usize {
        usize::try_from(self.roll() % u64::try_from(sides).unwrap()).unwrap()
    }
}

const MARKS: &[u8] = b"\0\n\r\t \"',.-+:;/{}[]0179eEnN\\#=\xff\x80\xc3";

/// One of `all` with some bytes changed, left out, doubled or taken from another.
fn damaged(all: &[Vec<u8>], dice: &mut Dice) -> Vec<u8> {
    let mut bytes = all[dice.below(all.len())].clone();
    for _ in 0..=dice.below(4) {
        let place = dice.below(bytes.len() + 1);
        match dice.below(7) {
            0 if place < bytes.len() => bytes[place] ^= 1 << dice.below(8),
            1 if place < bytes.len() => drop(bytes.remove(place)),
            2 => bytes.insert(place, MARKS[dice.below(MARKS.len())]),
            3 => bytes.truncate(place),
            4 => {
                let end = (place + dice.below(30)).min(bytes.len());
                let piece = bytes[place..end].to_vec();
                bytes.splice(place..place, piece);
            }
            5 => {
                let other = &all[dice.below(all.len())];
                let from = dice.below(other.len() + 1);
                let end = (from + dice.below(40)).min(other.len());
                bytes.splice(place..place, other[from..end].iter().copied());
            }
            _ => {
                let numbers: [&[u8]; 8] = [
                    b"-1",
                    b"1e999",
                    b"NaN",
                    b"9223372036854775808",
                    b"1e-320",
                    b"null",
                    b"true",
                    b"0x1",
                ];
                bytes.splice(place..place, numbers[dice.below(8)].iter().copied());
            }
        }
    }
    bytes
}

fn holds(name: &str, damages: usize) {
    let check = CHECKS
        .iter()
        .find(|(other, _)| *other == name)
        .map(|(_, check)| check)
        .unwrap();
    let all = examples(name);
    assert!(!all.is_empty(), "tests/fuzz/examples/{name} is empty");
    all.iter().for_each(|bytes| check(bytes));
    // To search for longer: FOBWATCH_DAMAGES=100 for a hundred times as many, others than those.
    let times = std::env::var("FOBWATCH_DAMAGES")
        .ok()
        .and_then(|times| times.parse().ok());
    let times: usize = times.unwrap_or(1);
    let mut dice = Dice(u64::try_from(times).unwrap());
    for _ in 0..damages * times {
        let bytes = damaged(&all, &mut dice);
        if std::panic::catch_unwind(|| check(&bytes)).is_err() {
            panic!("{name} does not hold of {:?}", String::from_utf8_lossy(&bytes));
        }
    }
}

macro_rules! hold {
    ($($name:ident $damages:literal)*) => {
        $(#[test] fn $name() { holds(stringify!($name), $damages); })*

        #[test]
        fn every_check_is_run_here() {
            let here = [$(stringify!($name)),*];
            assert_eq!(here.as_slice(), CHECKS.map(|(name, _)| name).as_slice());
        }
    };
}

hold! {
    senml 3000
    topic 3000
    delimited 3000
    offer 2000
    csv 2000
    json_lines 2000
    packs 2000
    columns 200
    notes 2000
    diary 1000
    lesson 300
    words 2000
    batch 500
    config 500
    zeros 1000
    links 1000
    password 1000
    snapshot 100
    rows 1000
    stretches 3000
    request 200
    command 200
}
