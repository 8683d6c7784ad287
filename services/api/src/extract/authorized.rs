//! The signed-in caller with a permission: the only way to the store for everything that is not public.

use super::gate::Gate;
use super::parameters::no_unread_query;
use super::public::services;
use super::services::Services;
use crate::config::Limits;
use crate::permission::Permission;
use crate::photos::Photos;
use crate::random;
use crate::reply::Failure;
use crate::sign_in::{Claims, Hasher};
use crate::waiting::Waiting;
use crate::{frame, quota};
use actix_web::dev::Payload;
use actix_web::http::header::AUTHORIZATION;
use actix_web::web::Data;
use actix_web::{FromRequest, HttpRequest};
use clampward_domain::ids::{PersonId, YardId};
use clampward_domain::reference::YardScope;
use clampward_domain::words::Role;
use clampward_process::targets::Targets;
use clampward_store::Store;
use clampward_store::people::Access;
use clampward_wire::problem;
use jiff::Timestamp;
use std::future::Future;
use std::marker::PhantomData;
use std::pin::Pin;
use uuid::Uuid;

/// Who is calling: read from the store for this request, never from the token.
#[derive(Clone, Debug)]
pub struct Caller {
    /// The person.
    pub person: PersonId,
    /// Their roles now.
    pub roles: Vec<Role>,
    /// The yards that their roles hold for.
    pub yards: YardScope,
    /// The version of both.
    pub grants_version: u64,
}

/// A caller who holds permission `P`.
pub struct Authorized<P> {
    services: Data<Services>,
    caller: Caller,
    permission: PhantomData<P>,
    /// The store whose commands share a transaction, where they do.
    unit: Option<Store>,
}

impl<P: Permission> Authorized<P> {
    /// The store.
    pub fn store(&self) -> &Store {
        self.unit.as_ref().unwrap_or(&self.services.store)
    }
    /// The same caller with a store whose commands share a transaction.
    pub(crate) fn within_unit(self, unit: Store) -> Self {
        Self {
            unit: Some(unit),
            ..self
        }
    }
    /// Passwords.
    pub fn hasher(&self) -> &Hasher {
        &self.services.hasher
    }
    /// Whom the assertions of devices are for.
    pub fn audience(&self) -> &str {
        self.services.tokens.issuer()
    }
    /// The bytes of photos.
    pub fn photos(&self) -> &Photos {
        &self.services.photos
    }
    /// Where events may be delivered to.
    pub fn webhook_targets(&self) -> &Targets {
        &self.services.webhook_targets
    }
    /// Limits.
    pub fn limits(&self) -> &Limits {
        &self.services.limits
    }
    /// Those who wait for what happens next.
    pub fn waiting(&self) -> &Waiting {
        &self.services.waiting
    }
    /// Who is calling.
    pub fn caller(&self) -> &Caller {
        &self.caller
    }
    /// Their id.
    pub fn person(&self) -> PersonId {
        self.caller.person
    }
    /// The yards that they see.
    pub fn yards(&self) -> &YardScope {
        &self.caller.yards
    }
    /// The instant now.
    pub fn now(&self) -> Timestamp {
        self.services.store.now()
    }
    /// A new time-ordered id.
    pub fn new_id(&self) -> Result<Uuid, Failure> {
        Ok(random::id(self.now())?)
    }
    /// Refuses what lies outside the caller's yards in the same words as what does not exist.
    pub fn within(&self, yard: YardId, what: &str) -> Result<(), Failure> {
        if self.caller.yards.covers(yard) {
            Ok(())
        } else {
            Err(Failure::not_found(what))
        }
    }
    /// Refuses callers without a further permission.
    pub fn also<Q: Permission>(&self) -> Result<(), Failure> {
        permitted::<Q>(&self.caller)
    }
    /// Refuses callers whose roles hold for some yards only, where a change touches all of them.
    pub fn everywhere(&self) -> Result<(), Failure> {
        match self.caller.yards {
            YardScope::All => Ok(()),
            YardScope::Some(_) => Err(Failure::new(
                problem::NOT_ALLOWED,
                format!(
                    "This touches every yard: {} is needed for all yards, and yours hold for some.",
                    P::NAME
                ),
            )),
        }
    }
}

impl<P: Permission> FromRequest for Authorized<P> {
    type Error = Failure;
    type Future = Pin<Box<dyn Future<Output = Result<Self, Failure>>>>;

    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        let gate = Gate::close(request);
        let signed = signed_in(request);
        let asked = request.clone();
        Box::pin(async move {
            let (services, claims) = signed?;
            let access = services.store.access_of(claims.person, claims.session).await?;
            let caller = admitted(&claims, access)?;
            permitted::<P>(&caller)?;
            no_unread_query(&asked)?;
            gate.open();
            Ok(Self {
                services,
                caller,
                permission: PhantomData,
                unit: None,
            })
        })
    }
}

/// Refuses callers none of whose roles holds permission `P`.
pub(super) fn permitted<P: Permission>(caller: &Caller) -> Result<(), Failure> {
    if caller.roles.iter().any(|role| P::ROLES.contains(role)) {
        return Ok(());
    }
    tracing::info!(person = %caller.person, permission = P::NAME, "not allowed");
    let needed: Vec<&str> = P::ROLES.iter().map(|role| role.code()).collect();
    let detail = format!(
        "This needs the permission {}, which {} hold.",
        P::NAME,
        needed.join(", ")
    );
    Err(Failure::new(problem::NOT_ALLOWED, detail))
}

fn bearer(request: &HttpRequest) -> Option<&str> {
    let mut given = request.headers().get_all(AUTHORIZATION);
    let only = given.next()?.to_str().ok()?;
    if given.next().is_some() {
        return None;
    }
    let (scheme, token) = only.split_once(' ')?;
    scheme.eq_ignore_ascii_case("bearer").then_some(token.trim())
}

/// What the request's token says, if it is valid.
pub(super) fn signed_in(request: &HttpRequest) -> Result<(Data<Services>, Claims), Failure> {
    let services = services(request)?;
    let refused = |detail: &str| Failure::new(problem::NOT_SIGNED_IN, detail);
    let token = bearer(request)
        .ok_or_else(|| refused("Send an access token in the header Authorization: Bearer."))?;
    let claims = services
        .tokens
        .verify(token, services.store.now())
        .map_err(|error| {
            tracing::info!(%error, "access token refused");
            refused("The access token is not valid (any more): sign in, or use the refresh token.")
        })?;
    // Counted before the database is asked anything.
    let caller = claims.person.uuid();
    if !frame::is_noted(request, caller) {
        let standing = services.quotas.count(caller);
        frame::note(request, caller, standing);
        if standing.exceeded {
            return Err(quota::exceeded(standing));
        }
        if let Some(parked) = frame::Parked::in_request(request) {
            parked.claim(caller)?;
        }
    }
    Ok((services, claims))
}

/// The person of a token, with the roles and yards that they have at this moment, as the database says it of this request.
pub(super) fn admitted(claims: &Claims, access: Option<Access>) -> Result<Caller, Failure> {
    let access = access.filter(|access| {
        access.enabled && access.session_goes_on && access.grants_version >= claims.grants_version
    });
    let access = access.ok_or_else(|| {
        tracing::info!(person = %claims.person, session = %claims.session, "access token of an ended session refused");
        let detail = "The session or the account was ended, or the token is of another database: sign in.";
        Failure::new(problem::NOT_SIGNED_IN, detail)
    })?;
    Ok(Caller {
        person: claims.person,
        roles: access.roles,
        yards: access.yards,
        grants_version: access.grants_version,
    })
}
