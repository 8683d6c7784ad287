//! Whole-system tests live in `tests/`; this library holds what they share.
