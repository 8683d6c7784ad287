//! Rule sets: which intervals, limits and competences hold, each with its source.

pub mod list;
