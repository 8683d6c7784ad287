//! What operations get that nobody has to be signed in for: sign-in itself, health, documentation.

use super::parameters::no_unread_query;
use super::services::Services;
use crate::config::Limits;
use crate::readiness::NotReady;
use crate::reply::Failure;
use crate::sign_in::{Hasher, Origin, Tokens};
use actix_web::dev::Payload;
use actix_web::web::Data;
use actix_web::{FromRequest, HttpRequest};
use clampward_store::Store;
use std::future::{Future, Ready, ready};
use std::pin::Pin;

/// A deliberate statement that an operation needs no sign-in.
pub struct Public {
    services: Data<Services>,
    origin: Origin,
}

impl Public {
    /// The store.
    pub fn store(&self) -> &Store {
        &self.services.store
    }
    /// Access tokens.
    pub fn tokens(&self) -> &Tokens {
        &self.services.tokens
    }
    /// Passwords.
    pub fn hasher(&self) -> &Hasher {
        &self.services.hasher
    }
    /// Whether this process can answer.
    pub async fn readiness(&self) -> Result<(), NotReady> {
        self.services.readiness.check(&self.services.store).await
    }
    /// Limits.
    pub fn limits(&self) -> &Limits {
        &self.services.limits
    }
    /// Where the request comes from: the other end of the connection, whatever headers say.
    pub fn origin(&self) -> Origin {
        self.origin
    }
}

impl FromRequest for Public {
    type Error = Failure;
    type Future = Pin<Box<dyn Future<Output = Result<Self, Failure>>>>;
    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        let services = services(request);
        let asked = request.clone();
        let origin = Origin::of(request.peer_addr().map(|address| address.ip()));
        Box::pin(async move {
            no_unread_query(&asked)?;
            services.map(|services| Self { services, origin })
        })
    }
}

/// An operation without the store that takes no parameters.
pub struct NoQuery;

impl FromRequest for NoQuery {
    type Error = Failure;
    type Future = Ready<Result<Self, Failure>>;
    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        ready(no_unread_query(request).map(|()| Self))
    }
}

/// The worker's services.
pub(super) fn services(request: &HttpRequest) -> Result<Data<Services>, Failure> {
    request
        .app_data::<Data<Services>>()
        .cloned()
        .ok_or_else(|| Failure::internal(&Unwired))
}

#[derive(Debug, thiserror::Error)]
#[error("the server was built without its services")]
struct Unwired;
