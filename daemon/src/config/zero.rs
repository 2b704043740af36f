//! What gauges read in open air, kept beside the readings: `fobwatch check --tare` writes it, the inputs take it off.

use std::{
    fs, io,
    path::{Path, PathBuf},
};

use fobwatch_core::{
    document::{BadDocument, Document},
    quantity::GaugePressure,
    reading::Source,
};

use super::{channel::SOURCE_ALLOWED, secret::read_text};
use crate::decode::Zero;

/// The file, in the folder of the readings.
pub(crate) const FILE: &str = "zeros.toml";

/// The furthest from nought, in bar, that a gauge in open air may be. One that is further off is broken, not calibrated,
/// or not in open air: taken for zero it would hide a pressure.
pub const FURTHEST_BAR: f64 = 0.15;

/// Why zeros cannot be had or kept.
#[derive(Debug, thiserror::Error)]
pub enum BadZeros {
    /// The file cannot be read or written.
    #[error("the zeros of gauges in {} cannot be used: {source}", path.display())]
    File {
        /// Which file.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// The file is refused.
    #[error(transparent)]
    Refused(#[from] BadDocument),
}

/// The zeros kept in the folder of the readings; none where there is no file.
///
/// # Errors
/// The file is there and cannot be used.
pub fn load(folder: &Path) -> Result<Vec<Zero>, BadZeros> {
    let path = folder.join(FILE);
    let text = match read_text(&path) {
        Ok(text) => text,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(source) => return Err(BadZeros::File { path, source }),
    };
    Ok(read(&text, &path.display().to_string())?)
}

/// Zeros from the text of their file; `place` is what messages call it.
///
/// # Errors
/// Every problem of the text.
pub(crate) fn read(text: &str, place: &str) -> Result<Vec<Zero>, BadDocument> {
    Document::parse(text, place).read(|file| {
        Some(file.sections("zero", |section, _| {
            const RANGE: &str = "-0.15 to 0.15 bar";
            section.require("source", SOURCE_ALLOWED);
            section.require("reads_bar", RANGE);
            section.require("taken_at", "a time");
            let source = section.text("source", SOURCE_ALLOWED, |text| Source::new(text).ok());
            let reads = section.number("reads_bar", RANGE, |bar| bar.abs() <= FURTHEST_BAR);
            let taken_at = section.moment("taken_at");
            Some(Zero {
                source: source?,
                reads: GaugePressure::from_bar(reads?).ok()?,
                taken_at: taken_at?,
            })
        }))
    })
}

/// Keeps a zero in place of an earlier one of the same gauge: whole or not at all.
///
/// # Errors
/// The file cannot be used, or the disk is full.
pub fn keep(folder: &Path, zero: Zero) -> Result<(), BadZeros> {
    let path = folder.join(FILE);
    let mut zeros = load(folder)?;
    zeros.retain(|other| other.source != zero.source);
    zeros.push(zero);
    let text = format!(
        "# What gauges read in open air; written by `fobwatch check --tare SOURCE`.\n{}",
        lines(&zeros)
    );
    let written = fs::create_dir_all(folder).and_then(|()| {
        let mut file = tempfile::NamedTempFile::new_in(folder)?;
        io::Write::write_all(&mut file, text.as_bytes())?;
        file.as_file().sync_all()?;
        file.persist(&path).map_err(|error| error.error)?;
        fs::File::open(folder)?.sync_all()
    });
    written.map_err(|source| BadZeros::File { path, source })
}

/// Zeros as the blocks of their file.
#[must_use]
pub fn lines(zeros: &[Zero]) -> String {
    let block = |zero: &Zero| {
        // JSON's escapes are among those of TOML.
        let source = serde_json::Value::from(zero.source.as_str());
        format!(
            "\n[[zero]]\nsource = {source}\nreads_bar = {}\ntaken_at = \"{}\"\n",
            zero.reads.bar(),
            zero.taken_at
        )
    };
    zeros.iter().map(block).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::decode::Calibrations;
    use fobwatch_core::{quantity::Unit, reading::Quantity};

    fn zero(source: &str, bar: f64) -> Zero {
        Zero {
            source: Source::new(source).unwrap(),
            reads: GaugePressure::from_bar(bar).unwrap(),
            taken_at: "2026-03-02T07:00:00Z".parse().unwrap(),
        }
    }

    #[test]
    fn a_zero_is_kept_and_taken_off_every_pressure_of_its_gauge_and_of_no_other() {
        let folder = tempfile::tempdir().unwrap();
        assert!(load(folder.path()).unwrap().is_empty());
        keep(folder.path(), zero("the \"pilot\"", 0.5 / 10.0)).unwrap();
        keep(folder.path(), zero("spare", -0.125)).unwrap();
        keep(folder.path(), zero("the \"pilot\"", 0.125)).unwrap();
        let zeros = load(folder.path()).unwrap();
        assert_eq!(zeros, [zero("spare", -0.125), zero("the \"pilot\"", 0.125)]);

        let mut calibrations = Calibrations::default();
        calibrations.set_zeros(&zeros);
        let bar = |source: &str, quantity, value| {
            let source = Source::new(source).unwrap();
            calibrations
                .measure(&source, quantity, value, Unit::Bar)
                .unwrap()
                .stored_value()
                / 1e5
        };
        assert!((bar("the \"pilot\"", Quantity::Pressure, 1.5) - 1.375).abs() < 1e-9);
        assert!((bar("spare", Quantity::Pressure, 1.5) - 1.625).abs() < 1e-9);
        assert!((bar("other", Quantity::Pressure, 1.5) - 1.5).abs() < 1e-9);
        assert!((bar("spare", Quantity::AmbientPressure, 1.0) - 1.0).abs() < 1e-9);
    }

    #[test]
    fn a_zero_that_would_hide_a_pressure_is_refused() {
        let folder = tempfile::tempdir().unwrap();
        let text = "[[zero]]\nsource = \"pilot\"\nreads_bar = 0.4\ntaken_at = \"2026-03-02T07:00:00Z\"\n";
        fs::write(folder.path().join(FILE), text).unwrap();
        let told = load(folder.path()).unwrap_err().to_string();
        assert!(
            told.contains("line 3: `zero[0].reads_bar` is 0.4; allowed: -0.15 to 0.15 bar"),
            "{told}"
        );
    }
}
