//! Words that screens and commands share: amounts with their units, times, cautions.

pub(crate) mod amount;
pub(crate) mod clock;

pub(crate) use amount::Units;
pub(crate) use clock::local;

/// At or over the limit, warm.
pub(crate) const KEEP_OUT: &str = "Keep people and animals out of the room. Do not touch, open, move, cover or go to \
                                   look. If you can cool the room from outside it, do. Stay out even if the gauge \
                                   falls.";

/// How a bottle that went too far is opened, cold.
pub(crate) const GONE_TOO_FAR: &str = "At fridge temperature for at least 24 hours: face shield, long sleeves, thick \
                                       gloves, nobody else near; upright in a deep sink or bucket, wrapped in a towel; \
                                       ease the stopper, let it hiss, press shut, wait, repeat.";

/// Before bottles are carried.
pub(crate) const CARRYING: &str = "Carrying is when bottles burst: move the crate, wear eye protection.";

/// Without the signs that only a page sets well.
pub(crate) fn plain(text: &str) -> String {
    text.replace('\u{a0}', " ").replace('\u{2082}', "2")
}

/// The name as one word of a shell.
pub(crate) fn quoted(name: &str) -> String {
    format!("'{}'", name.replace('\'', r"'\''"))
}
