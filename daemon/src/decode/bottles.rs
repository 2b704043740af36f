//! Numbers of bottles as a person writes them.

/// Numbers of bottles, as 3 or 1,2 or 1-4,6.
pub(crate) fn bottles(text: &str) -> Result<Vec<u32>, String> {
    const MOST: usize = 10_000;
    let refused = || format!("allowed: numbers of bottles from 1, at most {MOST}, as 3 or 1,2 or 1-4,6");
    let number = |text: &str| {
        let number = text.trim().parse::<u32>().ok();
        number.filter(|number| *number >= 1).ok_or_else(refused)
    };
    let mut numbers = Vec::new();
    for part in text.split(',') {
        let (first, last) = part.split_once('-').unwrap_or((part, part));
        let (first, last) = (number(first)?, number(last)?);
        let count = last.checked_sub(first).ok_or_else(refused)?;
        if usize::try_from(count).unwrap_or(MOST) + numbers.len() >= MOST {
            return Err(refused());
        }
        numbers.extend(first..=last);
    }
    // Each bottle once, however often it was said.
    numbers.sort_unstable();
    numbers.dedup();
    Ok(numbers)
}
