//! What is told at knots some hours apart.

/// Value at `h` of knots `every` hours apart, linear between them.
pub(super) fn between(knots: &[f64], every: f64, h: f64) -> f64 {
    let place = (h / every).max(0.0);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "not negative, and a saturated cast only reads the last knot"
    )]
    let whole = place as u32;
    let index = whole as usize;
    let last = knots.last().copied().unwrap_or(0.0);
    let low = knots.get(index).copied().unwrap_or(last);
    let high = knots.get(index + 1).copied().unwrap_or(last);
    low + (high - low) * (place - f64::from(whole)).min(1.0)
}
