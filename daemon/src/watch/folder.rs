//! Folders at the start: where readings are kept, and a folder of batch files beside the batches of the store.

use std::{
    collections::BTreeSet,
    env, fs,
    io::Read,
    path::{Path, PathBuf},
};

use fobwatch_core::batch::Batch;
use tracing::{error, info, warn};

use super::{Failure, house::House};
use crate::{
    claim,
    config::Config,
    corrected,
    store::{BatchId, StoreError, StoredBatch},
    wording::quoted,
};

/// The most that is read of a batch file, in bytes.
const MOST: u64 = 64 * 1024;

/// Where readings are kept: as the command line says, else the environment, the configuration, else the folder of the service or the user.
///
/// # Errors
/// There is no such folder.
pub fn data_folder(given: Option<PathBuf>, config: &Config) -> Result<PathBuf, Failure> {
    let from = |name: &str| {
        env::var_os(name)
            .filter(|value| !value.is_empty())
            .map(PathBuf::from)
    };
    given
        .or_else(|| from("FOBWATCH_DATA"))
        .or_else(|| config.store_folder.clone())
        .or_else(|| from("STATE_DIRECTORY"))
        .or_else(|| from("XDG_DATA_HOME").map(|home| home.join("fobwatch")))
        .or_else(|| from("HOME").map(|home| home.join(".local/share/fobwatch")))
        .ok_or(Failure::NoDataFolder)
}

/// The batch files of a folder (`*.toml`) by name. A bad one is told, and the others go on.
///
/// # Errors
/// The folder cannot be listed.
pub(crate) fn read(folder: &Path) -> Result<Vec<(Batch, String)>, Failure> {
    let unreadable = |source| Failure::Batches {
        path: folder.to_owned(),
        source,
    };
    let mut files = BTreeSet::new();
    for entry in fs::read_dir(folder).map_err(unreadable)? {
        let path = entry.map_err(unreadable)?.path();
        if path.extension().is_some_and(|extension| extension == "toml") {
            files.insert(path);
        }
    }
    let mut batches = Vec::new();
    for path in files {
        let place = path.display().to_string();
        let mut text = String::new();
        let read = fs::File::open(&path).and_then(|file| file.take(MOST + 1).read_to_string(&mut text));
        if let Err(problem) = read {
            error!("{place} cannot be read: {problem}. Its batch is not watched.");
            continue;
        }
        if text.len() as u64 > MOST {
            error!(
                "{place} is longer than {MOST} bytes, the most of a batch file. Its batch is not watched."
            );
            continue;
        }
        match Batch::from_toml(&text, &place) {
            Ok((batch, warnings)) => {
                for warning in warnings {
                    warn!("{place}: {warning}");
                }
                batches.push((batch, text));
            }
            Err(bad) => error!("{place} is refused, so its batch is not watched.\n{bad}"),
        }
    }
    Ok(batches)
}

/// Adds to the store what it does not know yet; answers with every live batch.
///
/// # Errors
/// The store failed.
pub(crate) async fn live(
    house: &House,
    given: Vec<(Batch, String)>,
) -> Result<Vec<(BatchId, Batch)>, StoreError> {
    let (store, now) = (&house.store, house.clock.now());
    take_over(house).await?;
    let mut stored = store.read(|reader| reader.batches()).await?;
    let elsewhere = store.read(|reader| reader.batches_elsewhere()).await?;
    // A file from before a correction tells nothing new.
    let known: BTreeSet<(String, String)> = stored
        .iter()
        .flat_map(|stored| {
            let earlier = corrected::earlier(&stored.text);
            let texts = earlier.iter().map(String::as_str).chain([stored.text.as_str()]);
            let trimmed = texts.map(|text| corrected::entries(text).trim_end().to_owned());
            trimmed
                .map(|text| (stored.name.to_string(), text))
                .collect::<Vec<_>>()
        })
        .collect();
    // Of many that are known none is read for the sake of those that are new.
    let mut watched: Option<Vec<Batch>> = None;
    for (batch, text) in given {
        // Of a folder that all daemons of a site read, each takes its own.
        if let Some(why) = house.share.refuses(&batch.name.slug()) {
            info!(batch = %batch.name, "{} is not watched here: {why}.", batch.name);
            continue;
        }
        let same = |other: &&StoredBatch| other.name == batch.name && corrected::held(&other.text, &text);
        if let Some(heard) = elsewhere
            .iter()
            .find(same)
            .filter(|heard| heard.ended_at.is_some())
        {
            info!(batch = %heard.name, "{} has been ended where it was watched, so its file is left alone.", heard.name);
            continue;
        }
        let told = corrected::entries(&text).trim_end().to_owned();
        if known.contains(&(batch.name.to_string(), told)) {
            if stored
                .iter()
                .find(same)
                .is_some_and(|known| known.ended_at.is_some())
            {
                info!(batch = %batch.name, "{} has been ended, so its file is left alone.", batch.name);
            }
            continue;
        }
        let watched = watched.get_or_insert_with(|| {
            let living = stored.iter().filter(|stored| stored.ended_at.is_none());
            living.filter_map(|stored| stored.read_again().ok()).collect()
        });
        if let Err(claimed) = claim::free(&batch, &*watched) {
            error!(batch = %batch.name, "{} is NOT watched: {claimed}", batch.name);
            continue;
        }
        let kept = batch.clone();
        match store
            .write(move |writer| writer.add_batch(&kept, &text, now))
            .await
        {
            Ok(_id) => watched.push(batch),
            Err(StoreError::NameTaken { name }) => warn!(
                batch = %name,
                "The file of {name} differs from the batch that is watched under that name; the watched one is kept. If it is the same filling, \
                 and the file is right: `fobwatch batch correct {0} FILE`. If it is another one: `fobwatch batch end {0}`, then start again.",
                quoted(&name)
            ),
            Err(error) => return Err(error),
        }
    }
    stored = store.read(|reader| reader.batches()).await?;
    let mut live = Vec::new();
    for batch in stored.iter().filter(|batch| batch.ended_at.is_none()) {
        if let Some(why) = house.share.refuses(&batch.slug) {
            warn!(
                batch = %batch.name,
                "{} was watched here and is NOT watched any more: {why}. Does another one watch it?", batch.name
            );
            continue;
        }
        match batch.read_again() {
            Ok(read) => live.push((batch.id, read)),
            Err(bad) => error!(
                batch = %batch.name,
                "{} is NOT watched: its file was accepted once and is refused now. Look at the bottles yourself.\n{bad}",
                batch.name
            ),
        }
    }
    Ok(live)
}

/// What another daemon of the site watched, as far as it is in this one's share, is watched here from now on.
async fn take_over(house: &House) -> Result<(), StoreError> {
    let store = &house.store;
    let heard = store.read(|reader| reader.batches_elsewhere()).await?;
    for batch in heard.into_iter().filter(|batch| batch.ended_at.is_none()) {
        if !house.share.holds(&batch.slug) {
            continue;
        }
        let words = store.read(move |reader| reader.words(batch.id)).await?.len();
        store.write(move |writer| writer.take_over(batch.id)).await?;
        info!(
            batch = %batch.name,
            "{} was watched by another fobwatch and is watched here from now on. It is gone over from its sealing on, with {words} notes and \
             deeds of people.",
            batch.name
        );
    }
    Ok(())
}
