//! One connection to the service: requests as this device, as a person, and as nobody.

use crate::clock::Clock;
use crate::device::Identity;
use crate::failure::{Done, Failure};
use crate::keys::DeviceSecret;
use crate::random::{self, Random};
use flate2::Compression;
use flate2::write::GzEncoder;
use jiff::{SignedDuration, Timestamp};
use serde::de::DeserializeOwned;
use serde_json::Value;
use std::io::{Read, Write};
use std::net::IpAddr;
use std::time::Duration;
use ureq::http::{Response, Uri};
use ureq::{Agent, Body};

/// How long a connection may take.
const CONNECT: Duration = Duration::from_secs(10);
/// How long an answer may take to begin.
const ANSWER: Duration = Duration::from_secs(60);
/// How long a body may take, a whole snapshot included.
const BODY: Duration = Duration::from_secs(1800);
/// Largest body that is read at once.
pub(super) const BODY_BYTES: u64 = 64 * 1024 * 1024;
/// Bodies below this are sent as they are.
const COMPRESSED_FROM: usize = 1024;

/// A reply of some server.
pub struct Reply {
    response: Response<Body>,
}

impl Reply {
    /// Its status.
    pub fn status(&self) -> u16 {
        self.response.status().as_u16()
    }
    /// Whether it did what was asked.
    pub fn is_success(&self) -> bool {
        self.response.status().is_success()
    }
    fn header(&self, name: &str) -> Option<&str> {
        self.response.headers().get(name)?.to_str().ok()
    }
    /// When to ask again, in seconds.
    pub fn retry_after(&self) -> Option<u64> {
        self.header("retry-after")?.trim().parse().ok()
    }
    /// What time it is there.
    fn date(&self) -> Option<Timestamp> {
        jiff::fmt::rfc2822::parse(self.header("date")?)
            .ok()
            .map(|zoned| zoned.timestamp())
    }
    /// The body, if it is JSON of this shape.
    pub fn json<T: DeserializeOwned>(self) -> Option<T> {
        let bytes = self
            .response
            .into_body()
            .into_with_config()
            .limit(BODY_BYTES)
            .read_to_vec()
            .ok()?;
        serde_json::from_slice(&bytes).ok()
    }
    /// The body as it comes.
    pub fn into_reader(self) -> impl Read {
        self.response.into_body().into_reader()
    }
}

/// Whether anything may be sent to this address: over `https`, or to this machine itself.
pub fn check_address(server: &str) -> Done {
    let uri = server.parse::<Uri>().ok();
    let scheme = uri.as_ref().and_then(Uri::scheme_str);
    let host = uri.as_ref().and_then(Uri::host).unwrap_or_default();
    let is_here = host == "localhost"
        || host
            .trim_matches(['[', ']'])
            .parse::<IpAddr>()
            .is_ok_and(|address| address.is_loopback());
    match scheme {
        Some("https") => Ok(()),
        Some("http") if is_here => Ok(()),
        Some("http") => Err(Failure::refused(format!(
            "over http anybody on the way reads what is sent, passwords and codes too: nothing was sent. Give the address \
             with https:// ({server}); http:// is for a service on this machine only"
        ))),
        Some(_) | None => Err(Failure::refused(format!(
            "{server} is no address of a service: it begins with https://"
        ))),
    }
}

/// A connection.
pub struct Http<'a> {
    agent: Agent,
    server: String,
    identity: Option<Identity>,
    secret: &'a DeviceSecret,
    clock: &'a dyn Clock,
    random: &'a dyn Random,
    /// How far the service's clock is ahead of this device's.
    ahead: SignedDuration,
    token: Option<String>,
}

impl<'a> Http<'a> {
    /// To a server; as this device, if it is enrolled.
    pub fn new(
        server: &str,
        identity: Option<Identity>,
        secret: &'a DeviceSecret,
        clock: &'a dyn Clock,
        random: &'a dyn Random,
        ahead: SignedDuration,
    ) -> Self {
        let agent = Agent::config_builder()
            .http_status_as_error(false)
            .timeout_connect(Some(CONNECT))
            .timeout_recv_response(Some(ANSWER))
            .timeout_send_body(Some(ANSWER))
            .timeout_recv_body(Some(BODY))
            .max_redirects(0)
            .user_agent(concat!("clampward-field/", env!("CARGO_PKG_VERSION")))
            .build()
            .new_agent();
        Self {
            agent,
            server: server.trim_end_matches('/').to_owned(),
            identity,
            secret,
            clock,
            random,
            ahead,
            token: None,
        }
    }

    /// The service's time, as far as is known.
    fn now(&self) -> Timestamp {
        crate::clock::later(self.clock.moment().wall, self.ahead)
    }

    /// Asks as nobody, or with a token. Nothing: it was lost.
    pub fn get(&self, path: &str, query: &[(&str, String)], token: Option<&str>) -> Option<Reply> {
        let mut request = self
            .agent
            .get(format!("{}{path}", self.server))
            .query_pairs(query.iter().map(|(name, value)| (*name, value.as_str())));
        if let Some(token) = token {
            request = request.header("authorization", format!("Bearer {token}"));
        }
        request.call().ok().map(|response| Reply { response })
    }

    /// Sends JSON as nobody, or with a token, under an idempotency key where one is given. Nothing: it was lost.
    pub fn post(&self, path: &str, body: &[u8], token: Option<&str>, key: Option<&str>) -> Option<Reply> {
        let mut request = self
            .agent
            .post(format!("{}{path}", self.server))
            .header("content-type", "application/json");
        if let Some(token) = token {
            request = request.header("authorization", format!("Bearer {token}"));
        }
        if let Some(key) = key {
            request = request.header("idempotency-key", key);
        }
        let compressed = (body.len() >= COMPRESSED_FROM).then(|| gzip(body)).flatten();
        let sent = match compressed {
            Some(compressed) => request.header("content-encoding", "gzip").send(&compressed[..]),
            None => request.send(body),
        };
        sent.ok().map(|response| Reply { response })
    }

    /// What proves that this device takes part.
    pub fn assertion(&self) -> Done<Option<String>> {
        let Some(identity) = &self.identity else {
            return Ok(None);
        };
        let id = random::id(self.random, self.now())?;
        let assertion = self
            .secret
            .assertion(identity.device_id, &identity.audience, id, self.now())?;
        Ok(Some(assertion))
    }

    /// A token of this device; or why there is none. Nothing: it was lost.
    fn sign_in(&mut self) -> Done<Option<Result<String, Reply>>> {
        // The second attempt goes by the service's clock, should this one be far off.
        for attempt in 0..2 {
            let Some(assertion) = self.assertion()? else {
                return Ok(None);
            };
            let form = [
                ("grant_type", "client_credentials"),
                (
                    "client_assertion_type",
                    "urn:ietf:params:oauth:client-assertion-type:jwt-bearer",
                ),
                ("client_assertion", assertion.as_str()),
            ];
            let sent = self
                .agent
                .post(format!("{}/v1/oauth/token", self.server))
                .send_form(form);
            let Ok(response) = sent else { return Ok(None) };
            let reply = Reply { response };
            if reply.is_success() {
                let token: Option<Value> = reply.json();
                let token = token
                    .as_ref()
                    .and_then(|token| token.get("access_token"))
                    .and_then(Value::as_str)
                    .map(str::to_owned);
                return Ok(token.map(Ok));
            }
            let off = reply
                .date()
                .map(|there| there.duration_since(self.clock.moment().wall))
                .filter(|off| (*off - self.ahead).abs() > SignedDuration::from_secs(30));
            match off {
                Some(off) if attempt == 0 => self.ahead = off,
                _ => return Ok(Some(Err(reply))),
            }
        }
        Ok(None)
    }

    /// Does something with this device's token; once more with a fresh one, should it be over.
    fn as_device(&mut self, ask: impl Fn(&Self, &str) -> Option<Reply>) -> Done<Option<Reply>> {
        let mut fresh = false;
        loop {
            let token = match self.token.clone() {
                Some(token) => token,
                None => match self.sign_in()? {
                    None => return Ok(None),
                    Some(Err(reply)) => return Ok(Some(reply)),
                    Some(Ok(token)) => {
                        fresh = true;
                        self.token = Some(token.clone());
                        token
                    }
                },
            };
            match ask(self, &token) {
                Some(reply) if reply.status() == 401 && !fresh => self.token = None,
                reply => return Ok(reply),
            }
        }
    }

    /// Asks as this device.
    pub fn get_as_device(&mut self, path: &str, query: &[(&str, String)]) -> Done<Option<Reply>> {
        self.as_device(|http, token| http.get(path, query, Some(token)))
    }

    /// Sends as this device.
    pub fn post_as_device(&mut self, path: &str, body: &[u8]) -> Done<Option<Reply>> {
        self.as_device(|http, token| http.post(path, body, Some(token), None))
    }
}

fn gzip(body: &[u8]) -> Option<Vec<u8>> {
    let mut encoder = GzEncoder::new(Vec::new(), Compression::fast());
    encoder.write_all(body).ok()?;
    encoder.finish().ok()
}
