//! What a rule of thumb says of a batch.

/// What a rule says at one time: 5, 50 and 95 % points, none where it has no answer.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Told {
    /// Content now, in volumes.
    pub(crate) content: [Option<f64>; 3],
    /// Hours since the sealing at which the target is reached.
    pub(crate) target_h: [Option<f64>; 3],
}

impl Told {
    /// It has no answer.
    pub(crate) const NOTHING: Self = Self {
        content: [None; 3],
        target_h: [None; 3],
    };
}
