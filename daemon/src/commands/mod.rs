//! The commands of the program.
