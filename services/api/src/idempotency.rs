//! `Idempotency-Key` (IETF httpapi draft): what is created or commanded under a key is done once, and whoever lost the
//! answer gets the first one again.
//!
//! A key is good for one person, method and address. Its effect and its answer are one transaction, so that a request
//! that failed left nothing behind and may be sent again under its key. Kept answers are sealed with the key, which is
//! kept nowhere: a one-time token that an answer shows lies nowhere in clear. Entries do without: their own id is theirs.

use crate::extract::{Authorized, BodyDigest, Caller, Gate};
use crate::permission::Permission;
use crate::random;
use crate::reply::{Answer, Failure};
use actix_web::body::to_bytes;
use actix_web::dev::Payload;
use actix_web::http::StatusCode;
use actix_web::http::header::{self, HeaderName, HeaderValue};
use actix_web::{FromRequest, HttpMessage, HttpRequest, HttpResponse};
use aws_lc_rs::aead::{AES_256_GCM, Aad, LessSafeKey, NONCE_LEN, Nonce, UnboundKey};
use aws_lc_rs::hkdf::{HKDF_SHA256, Salt};
use clampward_store::once::{KeptAnswer, Once};
use clampward_wire::problem;
use jiff::SignedDuration;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::future::Future;
use std::pin::Pin;
use uuid::Uuid;

/// The header's name.
pub const IDEMPOTENCY_KEY: HeaderName = HeaderName::from_static("idempotency-key");
/// Says that an answer is the first one again.
pub const REPLAYED: HeaderName = HeaderName::from_static("idempotency-replayed");

/// When to ask again for what is still being done.
const SOON: SignedDuration = SignedDuration::from_secs(1);

/// What an operation takes that is done once under a key, if the caller gives one.
pub struct Idempotent {
    request: HttpRequest,
    key: Option<Uuid>,
}

impl FromRequest for Idempotent {
    type Error = Failure;
    type Future = Pin<Box<dyn Future<Output = Result<Self, Failure>>>>;

    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        let gate = Gate::of(request);
        let request = request.clone();
        Box::pin(async move {
            Gate::passed(gate).await;
            let key = key_of(&request)?;
            Ok(Self { request, key })
        })
    }
}

impl Idempotent {
    /// Does it, once if there is a key. `action` gets the caller whose commands belong together, and answers.
    pub async fn run<P: Permission>(
        self,
        call: Authorized<P>,
        action: impl AsyncFnOnce(&Authorized<P>) -> Answer,
    ) -> Answer {
        let Some(key) = self.key else {
            return action(&call).await;
        };
        let scope = Scope::of(&self.request, call.caller(), key);
        let unit = match call.store().once(scope.id).await? {
            Once::UnderWay => {
                let detail = "The request with this key is still being done; ask again in a second.";
                let in_use = Failure::new(problem::IDEMPOTENCY_KEY_IN_USE, detail);
                return Err(in_use.retry_after(SOON));
            }
            Once::Done(kept) if kept.fingerprint != scope.fingerprint => {
                let detail = "This key was used for another body: give a new request a new key.";
                return Err(Failure::new(problem::IDEMPOTENCY_KEY_REUSED, detail));
            }
            Once::Done(kept) => return scope.open(&kept.sealed),
            Once::Now(unit) => unit,
        };
        let call = call.within_unit(unit.store().clone());
        let response = match action(&call).await {
            Ok(response) if response.status().is_success() => response,
            refused => {
                unit.take_back().await;
                return refused;
            }
        };
        let (response, kept) = scope.seal(response).await?;
        unit.keep(&kept).await?;
        Ok(response)
    }
}

/// The key of a request: a UUID, as a structured field's string or bare.
fn key_of(request: &HttpRequest) -> Result<Option<Uuid>, Failure> {
    let mut given = request.headers().get_all(&IDEMPOTENCY_KEY);
    let Some(only) = given.next() else {
        return Ok(None);
    };
    let text = only.to_str().map(str::trim).unwrap_or_default();
    let bare = match text.strip_prefix('"') {
        Some(rest) => rest.strip_suffix('"').unwrap_or_default(),
        None => text,
    };
    let is_long_form = bare.len() == uuid::fmt::Hyphenated::LENGTH;
    match Uuid::try_parse(bare) {
        Ok(key) if is_long_form && given.next().is_none() => Ok(Some(key)),
        Ok(_) | Err(_) => Err(Failure::new(
            problem::INVALID_HEADER,
            "Idempotency-Key is one UUID in quotes, best of version 4: \"8e03978e-40d5-43e8-bc93-6894a57f9324\".",
        )),
    }
}

/// What a key is good for, and what only its bearer can open.
struct Scope {
    grants_version: u64,
    id: [u8; 32],
    fingerprint: Vec<u8>,
    key: Uuid,
}

/// An answer as it is sealed.
#[derive(Serialize, Deserialize)]
struct Sealed {
    /// What its bearer might do then: with other roles or yards it is not shown again.
    grants_version: u64,
    status: u16,
    headers: Vec<(String, String)>,
    body: String,
}

/// The headers of an answer that are its own, not those of its way.
const KEPT_HEADERS: [HeaderName; 3] = [header::CONTENT_TYPE, header::LOCATION, header::ETAG];

impl Scope {
    fn of(request: &HttpRequest, caller: &Caller, key: Uuid) -> Self {
        let digest = |purpose: &str, rest: &[u8]| {
            let mut hash = Sha256::new();
            for part in [
                purpose.as_bytes(),
                caller.person.uuid().as_bytes(),
                request.method().as_str().as_bytes(),
                request.path().as_bytes(),
                key.as_bytes(),
                rest,
            ] {
                hash.update(u64::try_from(part.len()).unwrap_or(u64::MAX).to_be_bytes());
                hash.update(part);
            }
            <[u8; 32]>::from(hash.finalize())
        };
        let body = request.extensions().get::<BodyDigest>().map(|digest| digest.0);
        Self {
            grants_version: caller.grants_version,
            id: digest("id", &[]),
            fingerprint: digest("fingerprint", &body.unwrap_or_default()).to_vec(),
            key,
        }
    }
    /// A cipher that only the key's bearer can make.
    fn cipher(&self) -> Result<LessSafeKey, Failure> {
        let salt = Salt::new(HKDF_SHA256, b"clampward kept answer");
        let derived = salt.extract(self.key.as_bytes());
        let info = [self.id.as_slice()];
        let okm = derived
            .expand(&info, &AES_256_GCM)
            .map_err(|error| Failure::internal(&error))?;
        Ok(LessSafeKey::new(UnboundKey::from(okm)))
    }
    /// The answer, and the same sealed.
    async fn seal(&self, response: HttpResponse) -> Result<(HttpResponse, KeptAnswer), Failure> {
        let (head, body) = response.into_parts();
        let bytes = to_bytes(body).await.map_err(|_| Failure::internal(&Unsealable))?;
        let text = |value: &HeaderValue| value.to_str().ok().map(str::to_owned);
        let sealed = Sealed {
            grants_version: self.grants_version,
            status: head.status().as_u16(),
            headers: KEPT_HEADERS
                .iter()
                .filter_map(|name| Some((name.to_string(), text(head.headers().get(name)?)?)))
                .collect(),
            body: String::from_utf8(bytes.to_vec()).map_err(|error| Failure::internal(&error))?,
        };
        let mut data = serde_json::to_vec(&sealed).map_err(|error| Failure::internal(&error))?;
        let nonce: [u8; NONCE_LEN] = random::bytes()?;
        self.cipher()?
            .seal_in_place_append_tag(
                Nonce::assume_unique_for_key(nonce),
                Aad::from(&self.id),
                &mut data,
            )
            .map_err(|error| Failure::internal(&error))?;
        let kept = KeptAnswer {
            fingerprint: self.fingerprint.clone(),
            sealed: [nonce.as_slice(), &data].concat(),
        };
        Ok((head.set_body(bytes).map_into_boxed_body(), kept))
    }
    /// The first answer again.
    fn open(&self, sealed: &[u8]) -> Answer {
        let (nonce, data) = sealed
            .split_first_chunk::<NONCE_LEN>()
            .ok_or_else(|| Failure::internal(&Unsealable))?;
        let mut data = data.to_vec();
        let plain = self
            .cipher()?
            .open_in_place(
                Nonce::assume_unique_for_key(*nonce),
                Aad::from(&self.id),
                &mut data,
            )
            .map_err(|error| Failure::internal(&error))?;
        let first: Sealed = serde_json::from_slice(plain).map_err(|error| Failure::internal(&error))?;
        if first.grants_version != self.grants_version {
            let detail = "The request with this key was done. Your account was changed since, so its answer is not shown again.";
            return Err(Failure::new(problem::NOT_ALLOWED, detail));
        }
        let status = StatusCode::from_u16(first.status).map_err(|error| Failure::internal(&error))?;
        let mut response = HttpResponse::build(status);
        for (name, value) in &first.headers {
            response.insert_header((name.as_str(), value.as_str()));
        }
        response.insert_header((REPLAYED, "true"));
        Ok(response.body(first.body))
    }
}

#[derive(Debug, thiserror::Error)]
#[error("an answer can not be kept or read back")]
struct Unsealable;

#[cfg(test)]
mod tests {
    use super::*;
    use actix_web::test::TestRequest;
    use clampward_domain::ids::PersonId;
    use clampward_domain::reference::YardScope;

    fn key(text: &str) -> Result<Option<Uuid>, Failure> {
        key_of(
            &TestRequest::default()
                .insert_header((IDEMPOTENCY_KEY, text))
                .to_http_request(),
        )
    }

    // Source: draft-ietf-httpapi-idempotency-key-header-06 section 2.1 (a structured field's String, RFC 8941 section 3.3.3).
    #[test]
    fn a_key_is_a_uuid_in_quotes_or_bare() {
        let uuid = "8e03978e-40d5-43e8-bc93-6894a57f9324";
        let read = uuid.parse().ok();
        for text in [
            format!("\"{uuid}\""),
            uuid.to_owned(),
            uuid.to_uppercase(),
            format!(" \"{uuid}\" "),
        ] {
            assert_eq!(key(&text).ok(), Some(read), "{text}");
        }
        for text in [
            "",
            "\"\"",
            "7",
            "\"8e03978e-40d5-43e8-bc93-6894a57f9324",
            "8e03978e-40d5-43e8-bc93-6894a57f9324\"",
            "8e03978e40d543e8bc936894a57f9324",
            "{8e03978e-40d5-43e8-bc93-6894a57f9324}",
            "urn:uuid:8e03978e-40d5-43e8-bc93-6894a57f9324",
            "'8e03978e-40d5-43e8-bc93-6894a57f9324'",
        ] {
            assert!(key(text).is_err(), "{text}");
        }
        let none = key_of(&TestRequest::default().to_http_request());
        assert_eq!(none.ok(), Some(None));
        let two = TestRequest::default()
            .append_header((IDEMPOTENCY_KEY, uuid))
            .append_header((IDEMPOTENCY_KEY, uuid))
            .to_http_request();
        assert!(key_of(&two).is_err());
    }

    #[actix_web::test]
    async fn a_kept_answer_is_opened_with_its_key_alone() {
        let request = TestRequest::post().uri("/v1/users").to_http_request();
        let caller = |whose, grants_version| Caller {
            person: PersonId::new(Uuid::from_u128(whose)),
            roles: Vec::new(),
            yards: YardScope::All,
            grants_version,
        };
        let scope = Scope::of(&request, &caller(1, 1), Uuid::from_u128(7));
        let response = HttpResponse::Created()
            .insert_header(("Location", "/v1/users/1"))
            .insert_header(("Set-Cookie", "never"))
            .json(serde_json::json!({"token": "cwp_secret"}));
        let (_, kept) = scope.seal(response).await.expect("sealed");
        let clear = |needle: &[u8]| kept.sealed.windows(needle.len()).any(|part| part == needle);
        assert!(!clear(b"secret") && !clear(b"/v1/users"));
        let again = scope.open(&kept.sealed).expect("opened");
        assert_eq!(again.status(), 201);
        assert_eq!(
            again.headers().get("location").map(HeaderValue::as_bytes),
            Some(b"/v1/users/1".as_slice())
        );
        assert_eq!(
            again
                .headers()
                .get("idempotency-replayed")
                .map(HeaderValue::as_bytes),
            Some(b"true".as_slice())
        );
        assert!(again.headers().get("set-cookie").is_none());
        let changed = Scope::of(&request, &caller(1, 2), Uuid::from_u128(7));
        assert!(changed.open(&kept.sealed).is_err());
        for (other, whose) in [(8, 1), (7, 2)] {
            let other = Scope::of(&request, &caller(whose, 1), Uuid::from_u128(other));
            assert!(other.open(&kept.sealed).is_err());
            assert_ne!(other.id, scope.id);
        }
    }
}
