//! From bytes to readings and notes: pure functions, no I/O.
