//! A real time-series server: Debian's victoria-metrics, which takes the InfluxDB 2 write API.

use std::{
    process::{Child, Command, Stdio},
    time::Duration,
};

use serde_json::Value;
use tempfile::TempDir;

use crate::{free_port, program::end_in_order, wait_for};

/// A server on loopback, ended when dropped.
#[derive(Debug)]
pub struct SeriesServer {
    child: Option<Child>,
    folder: TempDir,
    port: u16,
}

impl SeriesServer {
    /// Starts it.
    ///
    /// # Panics
    /// Debian's package victoria-metrics is absent, or it does not start.
    #[must_use]
    pub fn start() -> Self {
        let mut server = Self::stopped();
        server.go();
        server
    }

    /// A server that is away, but has its address already.
    ///
    /// # Panics
    /// There is no temporary folder.
    #[must_use]
    pub fn stopped() -> Self {
        Self {
            child: None,
            folder: tempfile::tempdir().expect("a temporary folder"),
            port: free_port(),
        }
    }

    /// Comes, or comes back with what it had.
    ///
    /// # Panics
    /// It does not start.
    pub fn go(&mut self) {
        let child = Command::new("victoria-metrics")
            .arg(format!("-storageDataPath={}", self.folder.path().display()))
            .arg(format!("-httpListenAddr=127.0.0.1:{}", self.port))
            .args([
                "-retentionPeriod=100y",
                "-search.latencyOffset=0s",
                "-dedup.minScrapeInterval=1ms",
                "-loggerLevel=ERROR",
                "-search.disableCache",
            ])
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("victoria-metrics of Debian is installed (tests/all does it)");
        self.child = Some(child);
        wait_for("the time-series server", Duration::from_secs(60), || {
            self.ask("/health").ok()
        });
    }

    /// Goes away, in order.
    ///
    /// # Panics
    /// It cannot be ended.
    pub fn stop(&mut self) {
        if let Some(child) = self.child.take() {
            end_in_order(child);
        }
    }

    /// Where it is.
    #[must_use]
    pub fn url(&self) -> String {
        format!("http://127.0.0.1:{}", self.port)
    }

    fn ask(&self, path: &str) -> Result<String, ureq::Error> {
        ureq::get(format!("{}{path}", self.url()))
            .call()?
            .body_mut()
            .with_config()
            .limit(1 << 30)
            .read_to_string()
    }

    /// Everything under a metric's name: its labels, and its points (milliseconds and value) by time.
    ///
    /// # Panics
    /// It does not answer as documented.
    #[must_use]
    pub fn points(&self, name: &str) -> Vec<(Value, Vec<(i64, f64)>)> {
        self.ask("/internal/force_flush").expect("it flushes");
        let text = self
            .ask(&format!("/api/v1/export?match[]={name}&reduce_mem_usage=1"))
            .expect("it exports");
        // A series comes in as many lines as the server keeps it in blocks.
        let mut found: Vec<(Value, Vec<(i64, f64)>)> = Vec::new();
        for line in text.lines() {
            let line: Value = serde_json::from_str(line).expect("a line of JSON");
            let numbers = |key: &str| line[key].as_array().expect("an array").clone();
            let block = numbers("timestamps")
                .into_iter()
                .zip(numbers("values"))
                .map(|(at, value)| (at.as_i64().expect("a time"), value.as_f64().unwrap_or(f64::NAN)));
            match found.iter_mut().find(|(metric, _)| *metric == line["metric"]) {
                Some((_, points)) => points.extend(block),
                None => found.push((line["metric"].clone(), block.collect())),
            }
        }
        for (_, points) in &mut found {
            points.sort_by(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)));
            points.dedup();
        }
        found
    }

    /// The answer of its query language at a time (seconds), as rows of labels and value.
    ///
    /// # Panics
    /// It refuses the query.
    #[must_use]
    pub fn query(&self, query: &str, at_s: i64) -> Vec<(Value, f64)> {
        let mut answer = ureq::get(format!("{}/api/v1/query", self.url()))
            .query("query", query)
            .query("time", at_s.to_string())
            .call()
            .unwrap_or_else(|error| panic!("{query}: {error}"));
        let text = answer.body_mut().read_to_string().expect("an answer");
        let told: Value = serde_json::from_str(&text).expect("JSON");
        let rows = told["data"]["result"].as_array().expect("rows").clone();
        rows.iter()
            .map(|row| {
                let value = row["value"][1].as_str().expect("a value");
                (row["metric"].clone(), value.parse().expect("a number"))
            })
            .collect()
    }
}

impl Drop for SeriesServer {
    fn drop(&mut self) {
        if let Some(mut child) = self.child.take() {
            child.kill().ok();
            child.wait().ok();
        }
    }
}
