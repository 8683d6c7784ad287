//! The rules of plate lifting clamps, as pure functions.
//!
//! A clamp is the set of entries ever recorded about it; everything else is computed from that set.
//! [`fold::fold`] turns the set into a [`fold::ClampState`], [`standing::standing`] asks that state about an
//! instant, [`judge`] says what a new entry counts for, and [`lift_check`] answers "may I lift with it".
//!
//! This crate reads no clock, no environment, no file and no network, makes no random id, and knows neither HTTP
//! nor SQL. Time, ids and reference data are arguments.
//!
//! The software records and reminds. The employer's competent person, the maker's instructions and local law decide.

pub mod acting;
pub mod bulletin;
pub mod calendar;
pub mod canonical;
pub mod crediting;
pub mod criteria;
pub mod entry;
mod exact;
mod faults;
pub mod finding;
pub mod fold;
pub mod ids;
pub mod judge;
pub mod lift_check;
pub mod lockout;
pub mod mark;
pub mod measured;
pub mod notice;
pub mod out_period;
pub mod particulars;
pub mod photo;
pub mod projection;
pub mod quantity;
pub mod reference;
pub mod returns;
pub mod rule_set;
pub mod schedule;
pub mod service_class_from_use;
pub mod signing;
pub mod source;
pub mod standing;
pub mod statistics;
pub mod wear;
pub mod webhook;
pub mod wll_band;
pub mod words;
