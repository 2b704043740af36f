//! Physics of core against published tables, worked examples and other libraries.
//!
//! The files in `tests/reference` were made by CoolProp, PHREEQC and IAPWS-95; `make.py` there says how.

#![expect(
    clippy::unwrap_used,
    reason = "what small functions of tests unwrap is part of the test"
)]

mod bottle;
mod gas;
mod gravity;
mod properties;
mod reference;
mod solubility;
mod sugar;
mod table;
mod water;
