//! Whole-library tests, one binary.

mod open_data;
