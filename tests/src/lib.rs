//! Checks of the whole job; what they share stands here.
