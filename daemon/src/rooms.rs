//! The rooms of this crate: none leans on one that leans on it, and the map in `DEVELOPERS.md` knows them all.

use std::{
    collections::{BTreeMap, BTreeSet},
    fs,
    path::{Path, PathBuf},
};

/// What leans on everything and is leant on by nobody, or is built for tests alone.
const OUTSIDE: [&str; 5] = ["lib", "main", "rooms", "faults", "hostile"];

fn files(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_stem().unwrap().to_str().unwrap();
        if matches!(name, "tests" | "simulated" | "fixture") {
            continue;
        }
        if path.is_dir() {
            files(&path, found);
        } else if path.extension().is_some_and(|kind| kind == "rs") {
            found.push(path);
        }
    }
}

/// The first names of what stands in the braces, or the one name, behind a `crate::`.
fn names(after: &str) -> Vec<&str> {
    let name = |text: &'_ str| {
        text.find(|c: char| !c.is_alphanumeric() && c != '_')
            .unwrap_or(text.len())
    };
    let Some(list) = after.strip_prefix('{') else {
        return vec![&after[..name(after)]];
    };
    let (mut found, mut depth, mut from) = (Vec::new(), 0, 0);
    for (at, c) in list.char_indices() {
        match c {
            '{' => depth += 1,
            '}' | ',' if depth == 0 => {
                let item = list[from..at].trim();
                found.push(&item[..name(item)]);
                from = at + 1;
                if c == '}' {
                    break;
                }
            }
            '}' => depth -= 1,
            _ => {}
        }
    }
    found.retain(|name| !name.is_empty());
    found
}

/// On which rooms each one leans, with a file that does.
fn leanings() -> BTreeMap<String, BTreeMap<String, PathBuf>> {
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut all = Vec::new();
    files(&source, &mut all);
    let mut rooms: BTreeMap<String, BTreeMap<String, PathBuf>> = BTreeMap::new();
    for file in all {
        let place = file.strip_prefix(&source).unwrap().with_extension("");
        let room = place.iter().next().unwrap().to_str().unwrap().to_owned();
        if OUTSIDE.contains(&room.as_str()) {
            continue;
        }
        let text = fs::read_to_string(&file).unwrap();
        let code = text.split("#[cfg(test)]\nmod tests {").next().unwrap_or_default();
        let code: Vec<&str> = code
            .lines()
            .filter(|line| !line.trim_start().starts_with("//"))
            .collect();
        let leans = rooms.entry(room.clone()).or_default();
        for after in code.join("\n").split("crate::").skip(1) {
            for name in names(after) {
                if name != room {
                    leans.entry(name.to_owned()).or_insert_with(|| file.clone());
                }
            }
        }
    }
    rooms
}

#[test]
fn names_behind_crate_are_found() {
    assert_eq!(names("store::Store;"), ["store"]);
    assert_eq!(
        names("{\n    config::{self, Config},\n    store,\n    watch::House,\n};\nuse x::{y};"),
        ["config", "store", "watch"]
    );
}

#[test]
fn no_room_leans_on_one_that_leans_on_it() {
    let rooms = leanings();
    assert!(rooms["http"].contains_key("watch"), "{rooms:?}");
    let mut free: BTreeSet<&str> = BTreeSet::new();
    // Rooms whose all leanings are settled are settled; what is left at the end goes round in circles.
    loop {
        let settled: Vec<&str> = rooms
            .iter()
            .filter(|(room, _)| !free.contains(room.as_str()))
            .filter(|(_, leans)| {
                let known = leans.keys().filter(|name| rooms.contains_key(*name));
                known.into_iter().all(|name| free.contains(name.as_str()))
            })
            .map(|(room, _)| room.as_str())
            .collect();
        if settled.is_empty() {
            break;
        }
        free.extend(settled);
    }
    let circle: Vec<_> = rooms
        .iter()
        .filter(|(room, _)| !free.contains(room.as_str()))
        .collect();
    assert!(circle.is_empty(), "rooms lean on each other: {circle:#?}");
}

#[test]
fn the_map_knows_every_room() {
    let map = Path::new(env!("CARGO_MANIFEST_DIR")).join("../DEVELOPERS.md");
    let map = fs::read_to_string(map).unwrap();
    let map = map.split("## Words").next().unwrap();
    let rows: Vec<&str> = map
        .lines()
        .filter(|line| line.starts_with("| `daemon/src/"))
        .collect();
    let unknown: Vec<String> = leanings()
        .into_iter()
        // A file that leans on nothing is a detail.
        .filter(|(_, leans)| !leans.is_empty())
        .map(|(room, _)| room)
        .filter(|room| {
            !rows.iter().any(|row| {
                let cell = row.split(" | ").next().unwrap();
                let mut names = cell.split('`').skip(1).step_by(2);
                names.any(|name| name.trim_start_matches("daemon/src/").trim_end_matches(".rs") == room)
            })
        })
        .collect();
    assert!(unknown.is_empty(), "DEVELOPERS.md's map lacks {unknown:?}");
}
