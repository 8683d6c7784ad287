//! Safety bulletins: opened, carried out over every clamp of every yard, followed until each is accounted for, and closed.
//!
//! A bulletin is a row of reference data, so that whoever judges a return knows it. Its holds are tag-outs like any other,
//! with ids that follow from bulletin and clamp: [`crate::Store::hold_for_bulletins`] goes through the clamps that are there,
//! [`crate::Store::catch_for_bulletins`] reads the ledger on for those that come to light later. Each moves how far it has come
//! in the transaction of the holds, so that none is forgotten and none held twice, however many are at it and whenever one
//! dies. What is in scope is the domain's decision.

mod catch;
mod close;
mod error;
mod hold;
mod list;
mod open;
mod preview;
mod progress;

pub use close::NotFound;
pub use error::BulletinError;
pub use hold::HeldPart;
pub use list::BulletinRecord;
pub use preview::{Preview, PreviewCounts};
pub(crate) use progress::outstanding;
pub use progress::{Accounted, BulletinClamp, BulletinClampFilter, Progress, YardProgress};
