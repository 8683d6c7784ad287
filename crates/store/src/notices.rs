//! Notices: what people are told of the ledger and of the days, and the mails that they leave with.
//!
//! A notice is raised by reading the ledger on ([`crate::Store::notices_of_entries`]), by a new day in a time zone
//! ([`crate::Store::notices_of_days`]), by a moment that has come ([`crate::Store::notices_of_moments`]) or because nobody saw to it
//! ([`crate::Store::escalate_notices`]); each in one transaction with what it has come to, so that it is done once however often
//! and by however many it is tried. What leaves is put together as mails ([`crate::Store::claim_mail`]). What a notice says and
//! who hears of it is the domain's.

mod clamps;
mod days;
mod entries;
mod escalate;
mod list;
mod mails;
pub(crate) mod raise;

pub use list::{NoticeFilter, NoticeRecord};
pub use mails::{Mail, MailNotice};

/// What a look at the ledger came to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Raised {
    /// Rows that were read.
    pub rows: u64,
    /// Notices that are new.
    pub notices: u64,
    /// Whether there is more to read.
    pub has_more: bool,
}
