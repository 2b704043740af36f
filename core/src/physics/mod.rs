//! The physics of a sealed bottle, each relation with its published source beside it.

// Until the fit uses them all: the hot-loop functions are crate-internal.
#![expect(dead_code, reason = "the fit takes these up")]

pub mod air;
pub mod bottle;
pub mod gas;
pub mod gravity;
pub(crate) mod headspace;
pub(crate) mod liquid;
pub mod solubility;
pub mod sugar;
pub mod water;
