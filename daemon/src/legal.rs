//! Lines that laws draw on alcohol, and how an estimate stands to them.

/// % by volume: 26 USC 5052; Regulation (EU) No 1169/2011, article 9(1)(k).
const LINES: [f64; 2] = [0.5, 1.2];

/// A sentence on the lines that an estimate (low, middle and high end, % by volume) passes or may pass; `None`: on none.
pub(crate) fn lines([low, middle, high]: [f64; 3]) -> Option<String> {
    let passes = |line: f64| {
        if low >= line {
            "passes"
        } else if middle >= line {
            "most likely passes"
        } else {
            "may pass"
        }
    };
    let [first, second] = LINES;
    if high < first {
        None
    } else if high < second {
        Some(format!(
            "Laws draw a line at {first} %, which it {} by this estimate.",
            passes(first)
        ))
    } else if passes(first) == passes(second) {
        Some(format!(
            "Laws draw lines at {first} % and {second} %, which it {} by this estimate.",
            passes(first)
        ))
    } else {
        Some(format!(
            "Laws draw lines at {first} % and {second} %: by this estimate it {} the first and {} the second.",
            passes(first),
            passes(second)
        ))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_passed_is_not_told_as_perhaps() {
        for (of, said) in [
            ([0.1, 0.2, 0.4], None),
            ([0.2, 0.4, 0.6], Some("at 0.5 %, which it may pass")),
            ([0.4, 0.6, 0.8], Some("at 0.5 %, which it most likely passes")),
            ([0.7, 0.8, 0.9], Some("at 0.5 %, which it passes by")),
            (
                [0.7, 1.0, 1.3],
                Some("it passes the first and may pass the second"),
            ),
            ([1.3, 1.4, 1.5], Some("at 0.5 % and 1.2 %, which it passes")),
            ([0.3, 0.4, 1.3], Some("at 0.5 % and 1.2 %, which it may pass")),
        ] {
            let found = lines(of);
            match said {
                Some(said) => assert!(found.as_deref().unwrap().contains(said), "{of:?}: {found:?}"),
                None => assert_eq!(found, None),
            }
        }
    }
}
