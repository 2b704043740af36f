//! Lengths of time as a person types them: `8h`, `30m`, `2d`, `1d 12h`.

use jiff::{SignedDuration, Span, SpanRelativeTo};

/// Reads a length of time; a day is 24 hours.
///
/// # Errors
/// No length, none that is above zero, or one of months or years, which differ.
pub(super) fn read(text: &str) -> Result<SignedDuration, String> {
    const ALLOWED: &str = "allowed: a length of time above zero, as 8h, 30m, 2d or \"1d 12h\"";
    let span: Span = text.trim().parse().map_err(|_no_span| ALLOWED.to_owned())?;
    span.to_duration(SpanRelativeTo::days_are_24_hours())
        .ok()
        .filter(SignedDuration::is_positive)
        .ok_or_else(|| ALLOWED.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_are_read_as_typed() {
        for (text, hours) in [
            ("8h", 8.0),
            ("30m", 0.5),
            ("30min", 0.5),
            ("2d", 48.0),
            ("1d 12h", 36.0),
            ("1d12h", 36.0),
            ("1w", 168.0),
            ("90 minutes", 1.5),
            ("PT8H", 8.0),
            ("1.5h", 1.5),
        ] {
            let read = read(text).unwrap();
            assert!(
                (read.as_secs_f64() - hours * 3_600.0).abs() < 1e-9,
                "{text}: {read}"
            );
        }
    }

    #[test]
    fn what_is_no_length_is_refused_with_what_is_allowed() {
        for text in [
            "",
            "8",
            "h",
            "0h",
            "-8h",
            "8h ago",
            "2mo",
            "1y",
            "8 hours and a bit",
            "\u{7}",
        ] {
            let why = read(text).unwrap_err();
            assert!(why.contains("8h"), "{text}: {why}");
        }
    }
}
