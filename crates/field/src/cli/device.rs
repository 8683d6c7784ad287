//! `enrol` and `sign-in`: the two things that need a network once.

use super::Desk;
use crate::database::setting;
use crate::device;
use crate::failure::{Done, Failure};
use crate::keys::{self, DeviceSecret, KeyProblem, NewSigner, Randomness, SECRET_BYTES};
use crate::random::{bytes, id};
use crate::transport::{Http, Reply, check_address};
use clampward_domain::ids::PersonId;
use clampward_wire::sync::device::{Enrolled, SigningKey, SigningKeyRequest};
use serde::Deserialize;
use serde::de::DeserializeOwned;
use serde_json::{Value, json};

/// A reply of this shape, or why not.
pub(super) fn expect<T: DeserializeOwned>(reply: Option<Reply>, what: &str) -> Done<T> {
    let reply = reply.ok_or_else(|| {
        Failure::refused(format!(
            "{what}: the service cannot be reached; look at the address and the network"
        ))
    })?;
    if !reply.is_success() {
        return Err(Failure::refused(format!("{what}: {}", reply.refused().detail)));
    }
    reply
        .json()
        .ok_or_else(|| Failure::refused(format!("{what}: what answered is not the service")))
}

/// `enrol`: the key is on the disk before it is shown to the service, so that a lost answer is asked for again.
pub(super) fn enrol(desk: &mut Desk<'_>, server: &str, code: &str) -> Done<bool> {
    check_address(server)?;
    let known: Option<device::Identity> = setting(desk.database.connection(), "identity")?;
    if known.is_some() && desk.secret().is_err() {
        // Another secret would be another device's, and what is unsent here would wait for it for ever.
        return Err(KeyProblem::NoSecret.into());
    }
    let random = bytes::<SECRET_BYTES>(desk.host.random)?;
    let secret = DeviceSecret::read_or_make(&desk.secret_path(), &random)?;
    let http = Http::new(
        server,
        None,
        &secret,
        desk.host.clock,
        desk.host.random,
        jiff::SignedDuration::ZERO,
    );
    let request = serde_json::to_vec(&secret.enrolment(code)?)?;
    let enrolled: Enrolled = expect(http.post("/v1/devices", &request, None, None), "enrolment")?;
    let identity = device::take_up(&mut desk.database, server, &enrolled)?;
    let value = json!({
        "device_id": identity.device_id,
        "name": identity.name,
        "yards": enrolled.yards.len(),
    });
    desk.say(&value, || {
        format!(
            "This is \"{}\" now.\nNext: `clampward-field sign-in <email>`, then `clampward-field sync`.",
            identity.name
        )
    });
    Ok(true)
}

#[derive(Deserialize)]
struct Token {
    access_token: String,
}

#[derive(Deserialize)]
struct Me {
    id: PersonId,
    name: String,
}

/// A person's token, by their password.
pub(super) fn token(desk: &Desk<'_>, http: &Http<'_>, email: &str) -> Done<String> {
    check_address(&desk.identity()?.server)?;
    let password = match desk.password.clone() {
        Some(password) => password,
        None => desk.prompt_hidden(&format!("Password of {email}:"))?,
    };
    let request = serde_json::to_vec(&json!({"email": email, "password": password}))?;
    let token: Token = expect(http.post("/v1/auth/token", &request, None, None), "sign-in")?;
    Ok(token.access_token)
}

/// `sign-in`: a key of this person on this device, sealed under a short code.
pub(super) fn sign_in(desk: &mut Desk<'_>, email: &str) -> Done<bool> {
    let secret = desk.secret()?;
    let device = desk.identity()?.device_id;
    let code = match desk.short_code.clone() {
        Some(code) => code,
        None => new_code(desk)?,
    };
    keys::check_code(&code)?;
    let (new, key, me) = {
        let http = desk.http(&secret)?;
        let token = token(desk, &http, email)?;
        let me: Me = expect(http.get("/v1/me", &[], Some(&token)), "sign-in")?;
        let new = NewSigner::new(Randomness {
            seed: bytes(desk.host.random)?,
            salt: bytes(desk.host.random)?,
            nonce: bytes(desk.host.random)?,
        });
        let assertion = http
            .assertion()?
            .ok_or_else(|| Failure::refused("this device is not enrolled"))?;
        let request = SigningKeyRequest {
            public_key: new.public_key()?,
            device_assertion: assertion,
            possession: new.possession(device, me.id)?,
        };
        let path = format!("/v1/devices/{device}/signing-keys");
        let once = id(desk.host.random, desk.host.clock.moment().wall)?.to_string();
        let request = serde_json::to_vec(&request)?;
        let connection = desk.database.connection();
        let was_in_doubt = keys::doubt(connection, me.id)?;
        let reply = http.post(&path, &request, Some(&token), Some(&once));
        let is_refused = |reply: &Reply| (400..500).contains(&reply.status()) && reply.status() != 408;
        // Of an earlier attempt whose answer was lost a refusal of this one says nothing.
        if reply.as_ref().is_some_and(is_refused) && !was_in_doubt {
            keys::trust(connection, me.id)?;
        }
        let key: SigningKey = expect(reply, "signing key")?;
        (new, key, me)
    };
    keys::seal(&mut desk.database, &secret, &new, &key, email, &me.name, &code)?;
    let value: Value =
        json!({"person_id": me.id, "name": me.name, "key_id": key.id, "expires_at": key.expires_at});
    desk.say(&value, || {
        format!(
            "{} can sign on this device for {} days. The short code is worth nothing anywhere else.",
            me.name,
            // To the nearest day: both are instants of their own.
            key.expires_at
                .duration_since(key.created_at)
                .as_hours()
                .saturating_add(12)
                / 24
        )
    });
    Ok(true)
}

fn new_code(desk: &Desk<'_>) -> Done<String> {
    loop {
        let code = desk.prompt_hidden("Choose a short code of 6 to 12 digits:")?;
        if let Err(problem) = keys::check_code(&code) {
            eprintln!("{problem}");
            continue;
        }
        if desk.prompt_hidden("Once more:")? == code {
            return Ok(code);
        }
        eprintln!("These were two different codes.");
    }
}
