//! The signed-in caller together with the clamp that they ask about: the way in of the hot path, one question to the
//! database for both.

use super::authorized::{Caller, admitted, permitted, signed_in};
use super::parameters::{Path, no_unread_query};
use super::services::Services;
use crate::permission::Permission;
use crate::reply::Failure;
use crate::sign_in::Claims;
use actix_web::dev::Payload;
use actix_web::web::Data;
use actix_web::{FromRequest, HttpRequest};
use clampward_domain::ids::ClampId;
use clampward_store::FitnessNow;
use jiff::Timestamp;
use std::future::Future;
use std::marker::PhantomData;
use std::pin::Pin;
use uuid::Uuid;

/// A caller who holds permission `P`, and the clamp of the path's `clamp_id` as they may see it.
pub struct LookedUp<P> {
    services: Data<Services>,
    clamp: Option<FitnessNow>,
    permission: PhantomData<P>,
}

impl<P: Permission> LookedUp<P> {
    /// The clamp, if it is there and theirs to see.
    pub fn clamp(&self) -> Option<&FitnessNow> {
        self.clamp.as_ref()
    }
    /// The instant now.
    pub fn now(&self) -> Timestamp {
        self.services.store.now()
    }
}

impl<P: Permission> FromRequest for LookedUp<P> {
    type Error = Failure;
    type Future = Pin<Box<dyn Future<Output = Result<Self, Failure>>>>;

    fn from_request(request: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let clamp = request
            .match_info()
            .get("clamp_id")
            .and_then(|step| step.parse::<Uuid>().ok())
            .map(ClampId::new);
        let signed = signed_in(request);
        let query = no_unread_query(request);
        // What is wrong with the path is said only to those who may come in.
        let path = clamp
            .is_none()
            .then(|| Path::<ClampId>::from_request(request, payload));
        Box::pin(async move {
            let (services, claims) = signed?;
            let (caller, found) = ask(&services, &claims, clamp).await?;
            permitted::<P>(&caller)?;
            query?;
            if let Some(path) = path {
                path.await?;
                return Err(Failure::not_found("clamp"));
            }
            Ok(Self {
                services,
                clamp: found,
                permission: PhantomData,
            })
        })
    }
}

async fn ask(
    services: &Services,
    claims: &Claims,
    clamp: Option<ClampId>,
) -> Result<(Caller, Option<FitnessNow>), Failure> {
    let Some(clamp) = clamp else {
        let access = services.store.access_of(claims.person, claims.session).await?;
        return Ok((admitted(claims, access)?, None));
    };
    let found = services
        .store
        .look_up(claims.person, claims.session, clamp)
        .await?;
    Ok((admitted(claims, found.access)?, found.clamp))
}
