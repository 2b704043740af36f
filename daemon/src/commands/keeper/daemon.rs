//! A running daemon, asked over its API.

use std::{net::SocketAddr, time::Duration};

use fobwatch_core::{
    alert::AlertName,
    batch::{Batch, Slug},
    note::Note,
    reading::Reading,
};
use jiff::{Timestamp, tz::TimeZone};
use serde::{Deserialize, de::DeserializeOwned};
use ureq::Agent;

use super::{CorrectedBatch, Diaries, Entries, FIRST, Keeper, Known, Noted, Standing, Wanted};
use crate::{
    commands::Ended,
    config::Secret,
    decode::{self, csv},
    page::Told,
    rescue,
    wish::Wish,
};

/// It is on this machine: who does not answer within this is not there.
const TO_CONNECT: Duration = Duration::from_secs(2);
/// It answers once what was asked is on the disk and, if it can, taken by the engine.
const TO_ANSWER: Duration = Duration::from_secs(20);
/// The most that is read of an answer, in bytes.
const MOST: u64 = 64 * 1024 * 1024;

/// The most that is sent of a file at once, in bytes: the page's own address takes 64 KiB.
const MOST_POSTED: usize = 60 * 1024;

/// A daemon that has answered.
pub(super) struct Daemon {
    agent: Agent,
    address: SocketAddr,
    demo: bool,
    /// Where people have to log in.
    token: Option<Secret>,
}

#[derive(Deserialize)]
struct Batches {
    batches: Vec<Known>,
    next: Option<String>,
}

#[derive(Deserialize)]
struct Added {
    warnings: Vec<String>,
}

#[derive(Deserialize)]
struct Alerts {
    alerts: Vec<Standing>,
    next: Option<String>,
}

#[derive(Deserialize)]
struct Notes {
    notes: Vec<Noted>,
}

#[derive(Deserialize)]
struct AllNotes {
    notes: Vec<serde_json::Value>,
}

#[derive(Deserialize)]
struct Imported {
    new: usize,
}

#[derive(Deserialize)]
struct Obeyed {
    at: Timestamp,
}

#[derive(Deserialize)]
struct Complaint {
    error: String,
}

impl Daemon {
    /// The daemon at `address`; `None`: nobody is there.
    ///
    /// # Errors
    /// Somebody is, but it is no fobwatch.
    pub(super) fn at(address: SocketAddr, token: Option<Secret>) -> Result<Option<Self>, Ended> {
        let config = Agent::config_builder()
            .timeout_connect(Some(TO_CONNECT))
            .timeout_global(Some(TO_ANSWER))
            .http_status_as_error(false)
            .max_redirects(0)
            // It is on this machine; a proxy of the surroundings would be asked about itself.
            .proxy(None)
            .build();
        let mut daemon = Self {
            agent: config.new_agent(),
            address,
            demo: false,
            token,
        };
        let answer = match daemon.agent.get(daemon.url("/health")).call() {
            Ok(answer) => answer,
            Err(ureq::Error::Io(_) | ureq::Error::ConnectionFailed | ureq::Error::HostNotFound) => {
                return Ok(None);
            }
            Err(ureq::Error::Timeout(ureq::Timeout::Connect)) => return Ok(None),
            Err(error) => {
                return Err(Ended::Failed(format!(
                    "{address} does not answer as fobwatch does: {error}"
                )));
            }
        };
        // A daemon whose loops are stuck says 503 and is a daemon all the same.
        let status = answer.status().as_u16();
        let text = body(answer)?;
        let ours = (status == 200 && text.starts_with("The work loops are alive"))
            || (status == 503 && serde_json::from_str::<Complaint>(&text).is_ok());
        if ours {
            daemon.demo = text.contains("Demo");
            Ok(Some(daemon))
        } else {
            Err(Ended::Failed(format!(
                "what answers at {address} is not fobwatch; allowed: the address that `fobwatch watch` says its page is at"
            )))
        }
    }

    fn url(&self, path: &str) -> String {
        format!("http://{}{path}", self.address)
    }

    fn get<T: DeserializeOwned>(&self, path: &str) -> Result<T, Ended> {
        let mut asked = self.agent.get(self.url(path));
        if let Some(token) = &self.token {
            asked = asked.header("Authorization", format!("Bearer {}", token.reveal()));
        }
        let answer = asked.call();
        self.read(answer)
    }

    fn post<T: DeserializeOwned>(&self, path: &str, body: &str) -> Result<T, Ended> {
        self.send(ureq::http::Method::POST, path, body)
    }

    fn send<T: DeserializeOwned>(
        &self,
        method: ureq::http::Method,
        path: &str,
        body: &str,
    ) -> Result<T, Ended> {
        let mut asked = match method {
            ureq::http::Method::PUT => self.agent.put(self.url(path)),
            ureq::http::Method::PATCH => self.agent.patch(self.url(path)),
            _ => self.agent.post(self.url(path)),
        };
        if let Some(token) = &self.token {
            asked = asked.header("Authorization", format!("Bearer {}", token.reveal()));
        }
        let answer = asked.send(body);
        self.read(answer)
    }

    fn read<T: DeserializeOwned>(
        &self,
        answer: Result<ureq::http::Response<ureq::Body>, ureq::Error>,
    ) -> Result<T, Ended> {
        let failed = |why: String| Ended::Failed(format!("the fobwatch at {}: {why}", self.address));
        let answer = answer.map_err(|error| {
            failed(format!(
                "no answer ({error}); ask `fobwatch status` what was done"
            ))
        })?;
        let status = answer.status();
        let text = body(answer)?;
        if status.is_success() {
            return serde_json::from_str(&text)
                .map_err(|error| failed(format!("its answer is not the one this program knows: {error}")));
        }
        let why = match serde_json::from_str::<Complaint>(&text) {
            Ok(complaint) => complaint.error,
            Err(_) => format!("it answers with HTTP status {status}"),
        };
        if status == 401 {
            return Err(failed(
                "people have to log in there; name the folder of its --data, which lets whoever owns it in, or a --token-file"
                    .to_owned(),
            ));
        }
        if status.is_client_error() {
            Err(Ended::Refused(why))
        } else {
            Err(failed(why))
        }
    }
}

/// Where the next page of an answer is: nowhere but at the daemon that was asked.
fn own(next: &str) -> Result<&str, Ended> {
    if next.starts_with("/api/v1/") {
        Ok(next)
    } else {
        Err(Ended::Failed("the next page is not one of the API".to_owned()))
    }
}

/// Whole lines, together no longer than `most` bytes if no line is.
fn pieces(lines: &str, most: usize) -> Vec<String> {
    let mut pieces: Vec<String> = Vec::new();
    for line in lines.lines().filter(|line| !line.trim().is_empty()) {
        match pieces.last_mut().filter(|piece| piece.len() + line.len() < most) {
            Some(piece) => {
                piece.push('\n');
                piece.push_str(line);
            }
            None => pieces.push(line.to_owned()),
        }
    }
    pieces
}

fn body(answer: ureq::http::Response<ureq::Body>) -> Result<String, Ended> {
    answer
        .into_body()
        .into_with_config()
        .limit(MOST)
        .read_to_string()
        .map_err(|error| Ended::Failed(format!("the answer breaks off: {error}")))
}

impl Keeper for Daemon {
    fn name(&self) -> String {
        format!("the fobwatch at {}", self.address)
    }

    fn watches(&self) -> bool {
        true
    }

    fn caution(&self) -> Option<&'static str> {
        self.demo
            .then_some("this is the demo: its batches are made up, and no real bottle is watched")
    }

    fn status(&mut self, of: &Wanted) -> Result<Told, Ended> {
        match of {
            Wanted::First => self.get(&format!("/api/v1/status?limit={FIRST}")),
            Wanted::Only(slug) => self.get(&format!("/api/v1/status?batch={slug}")),
            Wanted::All => {
                let mut told: Told = self.get("/api/v1/status?order=name&limit=500")?;
                while let Some(next) = told.next.take() {
                    let more: Told = self.get(own(&next)?)?;
                    told.batches.extend(more.batches);
                    told.next = more.next;
                }
                told.batches.sort_by(|a, b| a.rank().cmp(&b.rank()));
                Ok(told)
            }
        }
    }

    fn batches(&mut self) -> Result<Vec<Known>, Ended> {
        let mut all: Batches = self.get("/api/v1/batches?limit=500")?;
        while let Some(next) = all.next.take() {
            let more: Batches = self.get(own(&next)?)?;
            all.batches.extend(more.batches);
            all.next = more.next;
        }
        Ok(all.batches)
    }

    fn find(&mut self, slug: &Slug) -> Result<Option<Known>, Ended> {
        match self.get(&format!("/api/v1/batches?batch={slug}")) {
            Ok(found) => {
                let Batches { batches, .. } = found;
                Ok(batches.into_iter().find(|batch| batch.slug == *slug))
            }
            // There is none of that name.
            Err(Ended::Refused(_)) => Ok(None),
            Err(failed) => Err(failed),
        }
    }

    fn add(&mut self, _batch: &Batch, text: &str) -> Result<Vec<String>, Ended> {
        let answer: Added = self.post("/api/v1/batches", text)?;
        // What the file itself says was told when it was read.
        let file = Batch::from_toml(text, "the batch file").map(|(_, warnings)| warnings);
        let known: Vec<String> = file.iter().flatten().map(ToString::to_string).collect();
        let more = answer.warnings.into_iter();
        Ok(more.filter(|warning| !known.contains(warning)).collect())
    }

    fn correct(&mut self, batch: &Known, entries: &Entries, who: &str) -> Result<CorrectedBatch, Ended> {
        let path = format!("/api/v1/batches/{}?who={}", batch.slug, crate::http::encoded(who));
        match entries {
            Entries::Whole(text) => self.send(ureq::http::Method::PUT, &path, text),
            Entries::Some(some) => self.send(ureq::http::Method::PATCH, &path, &crate::commands::json(some)?),
        }
    }

    fn end(&mut self, batch: &Known) -> Result<(), Ended> {
        self.post(&format!("/api/v1/batches/{}/end", batch.slug), "")
            .map(|_answer: serde_json::Value| ())
    }

    fn note(&mut self, batch: &Known, lines: &str) -> Result<Vec<Noted>, Ended> {
        self.post(&format!("/api/v1/batches/{}/notes", batch.slug), lines)
            .map(|taken: Notes| taken.notes)
    }

    fn notes(&mut self, batch: &Known) -> Result<Vec<Note>, Ended> {
        let told: AllNotes = self.get(&format!("/api/v1/batches/{}/notes", batch.slug))?;
        let read = |note: &serde_json::Value| {
            decode::notes::read(note.to_string().as_bytes())
                .map_err(|wrong| Ended::Failed(format!("the fobwatch at {}: {wrong}", self.address)))
        };
        told.notes.iter().map(read).collect()
    }

    fn diary(&mut self) -> Result<Diaries, Ended> {
        self.get("/api/v1/diary")
    }

    fn tend(&mut self, lines: &str) -> Result<usize, Ended> {
        // All or none: what is wrong is found before anything is sent. An entry that is there already stays, so pieces may come twice.
        decode::diary::entries(lines.as_bytes(), Timestamp::MAX, &TimeZone::UTC).map_err(Ended::Refused)?;
        let mut new = 0;
        for piece in pieces(lines, MOST_POSTED) {
            new += self
                .post("/api/v1/diary", &piece)
                .map(|imported: Imported| imported.new)?;
        }
        Ok(new)
    }

    fn take(&mut self, readings: &[Reading]) -> Result<usize, Ended> {
        let rows: Vec<String> = readings.iter().map(csv::write_row).collect();
        let body = format!("{}\n{}\n", csv::COLUMNS.join(","), rows.join("\n"));
        self.post("/api/v1/import", &body)
            .map(|imported: Imported| imported.new)
    }

    fn alerts(&mut self) -> Result<Vec<Standing>, Ended> {
        let mut all: Alerts = self.get("/api/v1/alerts?limit=1000")?;
        while let Some(next) = all.next.take() {
            let more: Alerts = self.get(own(&next)?)?;
            all.alerts.extend(more.alerts);
            all.next = more.next;
        }
        Ok(all.alerts)
    }

    fn rescue(&mut self, batch: &Slug, at: Option<Timestamp>) -> Result<rescue::Told, Ended> {
        let asked = at.map_or_else(String::new, |at| format!("?at={at}"));
        self.get(&format!("/api/v1/batches/{batch}/rescue{asked}"))
    }

    fn obey(&mut self, batch: &Slug, alert: AlertName, wish: &Wish) -> Result<Timestamp, Ended> {
        let wish = crate::commands::json(wish)?;
        self.post(&format!("/api/v1/batches/{batch}/alerts/{alert}"), &wish)
            .map(|obeyed: Obeyed| obeyed.at)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_long_file_goes_in_pieces_of_whole_lines() {
        assert_eq!(pieces("aaa\n\nbbb\nccc\n", 8), ["aaa\nbbb", "ccc"]);
        assert_eq!(
            pieces("a line that is too long\nb", 8),
            ["a line that is too long", "b"]
        );
        assert!(pieces("\n", 8).is_empty());
    }
}
