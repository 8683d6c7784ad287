//! What is learnt of a request while it is handled, for its log line and its headers.

use crate::quota::Standing;
use actix_web::{HttpMessage, HttpRequest};
use std::cell::Cell;
use std::rc::Rc;
use uuid::Uuid;

/// Filled in by the extractors, read by the frame.
#[derive(Debug, Default)]
pub(crate) struct Seen {
    caller: Cell<Option<Uuid>>,
    standing: Cell<Option<Standing>>,
}

impl Seen {
    /// Who is calling, if they said so and it is true.
    pub fn caller(&self) -> Option<Uuid> {
        self.caller.get()
    }
    /// What is left of their quota.
    pub fn standing(&self) -> Option<Standing> {
        self.standing.get()
    }
}

/// Whether this caller was noted already: a stream lets them in again and again, which is one request all the same.
pub(crate) fn is_noted(request: &HttpRequest, caller: Uuid) -> bool {
    let extensions = request.extensions();
    let seen = extensions.get::<Rc<Seen>>();
    seen.is_some_and(|seen| seen.caller() == Some(caller))
}

/// Notes who is calling and what is left of their quota.
pub(crate) fn note(request: &HttpRequest, caller: Uuid, standing: Standing) {
    if let Some(seen) = request.extensions().get::<Rc<Seen>>() {
        seen.caller.set(Some(caller));
        seen.standing.set(Some(standing));
    }
}
