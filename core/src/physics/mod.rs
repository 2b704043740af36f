//! The physics of a sealed bottle, each relation with its published source beside it.
