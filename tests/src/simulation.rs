//! A simulation out of one seed: real tablets, the real service, a real database with a standby, and bad weather.
//!
//! Tablets are the field client itself, each with its own database; the service is its binary; what is simulated is the
//! line between them, the people, their clocks, and what strikes machines. `cargo xtask simulate` plays long runs, a test of
//! this package plays a short one. The service runs several requests at once and by its own clock, so a seed decides what
//! is done and what goes wrong, not how long a statement takes.

pub mod author;
pub mod chance;
pub mod ground;
pub mod line;
pub mod oracle;
pub mod order;
pub mod run;
pub mod tablet;
pub mod telling;
pub mod town;
