//! The demonstration with the simulator inside.
