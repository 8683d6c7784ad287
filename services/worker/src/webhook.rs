//! Handing events over: one signed POST over TLS to a listed host, at an address that was looked up once, checked and then
//! connected to. Nothing that answers can send it elsewhere or keep it for long.

use clampward_process::chain;
use clampward_process::targets::Targets;
use clampward_process::webhook_keys::WebhookKeys;
use clampward_store::webhooks::Delivery;
use jiff::{SignedDuration, Timestamp};
use reqwest::dns::{Addrs, Name, Resolve, Resolving};
use reqwest::header::{CONTENT_TYPE, RETRY_AFTER};
use reqwest::redirect::Policy;
use reqwest::{Client, Response, StatusCode};
use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject;
use rustls::{ClientConfig, RootCertStore};
use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::Arc;
use std::time::Duration;

/// How long an endpoint may take to answer, whatever it does meanwhile.
pub const PATIENCE: Duration = Duration::from_secs(15);
/// As much of an answer is read, so that the connection can be used again; of more the connection is given up.
const MAX_ANSWER: usize = 64 * 1024;
/// The longest that an endpoint may ask to be left alone for.
const LONGEST_WAIT: SignedDuration = SignedDuration::from_hours(1);
/// Most characters of an error that are kept.
const MAX_ERROR: usize = 300;

/// Looks a host up.
pub type LookUp = Arc<
    dyn Fn(String) -> Pin<Box<dyn Future<Output = std::io::Result<Vec<SocketAddr>>> + Send>> + Send + Sync,
>;

/// How endpoints are called.
pub struct CallerOptions {
    /// Which may be.
    pub targets: Targets,
    /// A certificate authority of one's own, as PEM, beside those that the world trusts.
    pub authority: Option<Vec<u8>>,
    /// How a host is looked up; the system's way if left out.
    pub look_up: Option<LookUp>,
    /// How long an answer is waited for.
    pub patience: Duration,
}

/// Why nobody can be called.
#[derive(Debug, thiserror::Error)]
pub enum CallerOptionsError {
    /// The authority's certificate cannot be read.
    #[error("the certificate of the webhook authority cannot be read")]
    Authority,
    /// TLS cannot be set up.
    #[error("TLS for webhooks cannot be set up")]
    Tls(#[source] rustls::Error),
    /// The client cannot be set up.
    #[error("calling endpoints cannot be set up")]
    Client(#[source] reqwest::Error),
}

/// What came of a call.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Answered {
    /// It was taken.
    Taken(u16),
    /// The endpoint is there and does not take this one.
    Refused {
        /// What it answered, if it did.
        status: Option<u16>,
        /// In words.
        error: String,
    },
    /// The endpoint is not there, or asks to be left alone.
    Away {
        /// What it answered, if it did.
        status: Option<u16>,
        /// In words.
        error: String,
        /// For how long it asks to be left alone.
        wait: Option<SignedDuration>,
    },
    /// The endpoint says that it is gone for good.
    Gone,
}

/// Calls endpoints.
pub struct Caller {
    client: Client,
    targets: Arc<Targets>,
}

impl Caller {
    /// Connects nowhere yet.
    pub fn new(options: CallerOptions) -> Result<Self, CallerOptionsError> {
        let mut roots = RootCertStore {
            roots: webpki_roots::TLS_SERVER_ROOTS.to_vec(),
        };
        for certificate in options
            .authority
            .iter()
            .flat_map(|pem| CertificateDer::pem_slice_iter(pem))
        {
            let certificate = certificate.map_err(|_| CallerOptionsError::Authority)?;
            roots
                .add(certificate)
                .map_err(|_| CallerOptionsError::Authority)?;
        }
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        let tls = ClientConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()
            .map_err(CallerOptionsError::Tls)?
            .with_root_certificates(roots)
            .with_no_client_auth();
        let targets = Arc::new(options.targets);
        let checked = Checked {
            targets: Arc::clone(&targets),
            look_up: options.look_up.unwrap_or_else(system),
        };
        let client = Client::builder()
            .tls_backend_preconfigured(tls)
            .https_only(true)
            .redirect(Policy::none())
            .no_proxy()
            .dns_resolver(Arc::new(checked))
            .timeout(options.patience)
            .pool_max_idle_per_host(2)
            .user_agent(concat!("Clampward/", env!("CARGO_PKG_VERSION")))
            .build()
            .map_err(CallerOptionsError::Client)?;
        Ok(Self { client, targets })
    }

    /// Makes a delivery. The time of the attempt is in its header and signed with it.
    pub async fn call(&self, delivery: &Delivery, now: Timestamp) -> Answered {
        let refused = |error: String| Answered::Refused { status: None, error };
        let url = match self.targets.check(&delivery.url) {
            Ok(url) => url,
            // Whoever runs the service may list it yet: it waits as for one that is away.
            Err(error) => return away(None, error.to_string(), None),
        };
        let id = delivery.event.to_string();
        let seconds = now.as_second();
        let keys: Result<Vec<WebhookKeys>, _> = delivery
            .keys
            .iter()
            .map(|bytes| WebhookKeys::new(bytes))
            .collect();
        let keys = match keys {
            Ok(keys) if !keys.is_empty() => keys,
            Ok(_) | Err(_) => return refused("the endpoint has no secret to sign with".to_owned()),
        };
        let signatures: Vec<String> = keys
            .iter()
            .map(|keys| keys.sign(&id, seconds, &delivery.body))
            .collect();
        let sent = self
            .client
            .post(url)
            .header(CONTENT_TYPE, "application/json")
            .header("webhook-id", id)
            .header("webhook-timestamp", seconds)
            .header("webhook-signature", signatures.join(" "))
            .body(delivery.body.clone())
            .send()
            .await;
        match sent {
            Ok(answer) => {
                let answered = read(&answer, now);
                finish(answer).await;
                answered
            }
            Err(error) => away(None, shown(&error.without_url()), None),
        }
    }
}

fn away(status: Option<u16>, error: String, wait: Option<SignedDuration>) -> Answered {
    Answered::Away { status, error, wait }
}

fn read(answer: &Response, now: Timestamp) -> Answered {
    let status = answer.status();
    let code = Some(status.as_u16());
    match status {
        _ if status.is_success() => Answered::Taken(status.as_u16()),
        StatusCode::GONE => Answered::Gone,
        StatusCode::TOO_MANY_REQUESTS
        | StatusCode::BAD_GATEWAY
        | StatusCode::SERVICE_UNAVAILABLE
        | StatusCode::GATEWAY_TIMEOUT => {
            away(code, format!("it answered {status}"), asked_to_wait(answer, now))
        }
        _ if status.is_redirection() => Answered::Refused {
            status: code,
            error: format!("it answered {status}: a redirect is not followed"),
        },
        _ => Answered::Refused {
            status: code,
            error: format!("it answered {status}"),
        },
    }
}

/// `Retry-After` as seconds or as a date (RFC 9110, section 10.2.3).
fn asked_to_wait(answer: &Response, now: Timestamp) -> Option<SignedDuration> {
    let text = answer.headers().get(RETRY_AFTER)?.to_str().ok()?.trim();
    let wait = match text.parse::<i64>() {
        Ok(seconds) => SignedDuration::from_secs(seconds),
        Err(_) => {
            let until = jiff::fmt::rfc2822::DateTimeParser::new()
                .parse_timestamp(text)
                .ok()?;
            until.duration_since(now)
        }
    };
    (wait > SignedDuration::ZERO).then(|| wait.min(LONGEST_WAIT))
}

/// Reads what is left of a short answer, so that the connection can be used again. What it says is nobody's concern.
async fn finish(mut answer: Response) {
    let mut read = 0_usize;
    while let Ok(Some(part)) = answer.chunk().await {
        read = read.saturating_add(part.len());
        if read > MAX_ANSWER {
            return;
        }
    }
}

fn shown(error: &reqwest::Error) -> String {
    chain(error).chars().take(MAX_ERROR).collect()
}

fn system() -> LookUp {
    Arc::new(|host| Box::pin(async move { Ok(tokio::net::lookup_host((host, 0)).await?.collect()) }))
}

/// Looks a host up and answers only if every address may be connected to; it is these that are connected to.
struct Checked {
    targets: Arc<Targets>,
    look_up: LookUp,
}

impl Resolve for Checked {
    fn resolve(&self, name: Name) -> Resolving {
        let host = name.as_str().to_owned();
        let found = (self.look_up)(host.clone());
        let targets = Arc::clone(&self.targets);
        Box::pin(async move {
            let found = found.await?;
            if let Some(bad) = found
                .iter()
                .find(|address| !targets.may_be_at(&host, address.ip()))
            {
                return Err(format!("its name leads to {}, where nothing may be called", bad.ip()).into());
            }
            let found: Addrs = Box::new(found.into_iter());
            Ok(found)
        })
    }
}
