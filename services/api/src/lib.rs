//! HTTP: sign-in, endpoints, documentation. No SQL here, and no rule of the trade.

pub mod plot;
