//! Devices: enrolled by a code, known by a key of their own, ended for good; and the keys by which people sign on them.

mod assertions;
mod enrolment;
mod keeping;
mod signing_keys;
