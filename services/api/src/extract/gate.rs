//! The gate between letting a caller in and looking at what they sent.

use actix_web::{HttpMessage, HttpRequest};
use std::rc::Rc;
use tokio::sync::Semaphore;

/// Closed while a caller is being checked; opened once they may come in.
#[derive(Clone)]
pub(crate) struct Gate(Rc<Semaphore>);

impl Gate {
    /// Puts a closed gate into the request.
    pub fn close(request: &HttpRequest) -> Self {
        let gate = Self(Rc::new(Semaphore::new(0)));
        request.extensions_mut().insert(gate.clone());
        gate
    }
    /// Lets the other extractors go on.
    pub fn open(&self) {
        self.0.add_permits(1);
    }
    /// Waits until the request's gate is open; a request without a gate is public.
    ///
    /// If the caller is not let in, the request is answered and this future is dropped where it waits.
    pub async fn passed(gate: Option<Self>) {
        if let Some(Self(semaphore)) = gate
            && let Ok(permit) = semaphore.acquire().await
        {
            drop(permit);
        }
    }
    /// The request's gate.
    pub fn of(request: &HttpRequest) -> Option<Self> {
        request.extensions().get::<Self>().cloned()
    }
}
