//! Handing mails over by SMTP.

use crate::Letter;
use clampward_process::chain;
use lettre::message::header::{ContentType, HeaderName, HeaderValue};
use lettre::message::{Mailbox, MultiPart, SinglePart};
use lettre::transport::smtp::authentication::Credentials;
use lettre::transport::smtp::client::{Certificate, Tls, TlsParameters};
use lettre::{Address, AsyncSmtpTransport, AsyncTransport, Message, Tokio1Executor};
use std::time::Duration;

/// How long handing a mail over may take, whatever the server does meanwhile. The transport itself bounds no more than the
/// connecting: a server that says nothing would hold its sender for ever.
const PATIENCE: Duration = Duration::from_secs(60);

/// Enhanced status codes that refuse the recipient's address itself (RFC 3463, RFC 7505): trying again is of no use. Whatever
/// else is refused for good, a sender or a relay, is somebody's setting, which may be right when it is tried again.
const NOBODY: [&str; 6] = ["5.1.1", "5.1.2", "5.1.3", "5.1.6", "5.1.10", "5.2.1"];

/// How the mail server is reached.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum Security {
    /// TLS from the first byte (usually port 465).
    Tls,
    /// Plain at first, then STARTTLS, which must succeed (usually port 587).
    Starttls,
    /// Without TLS: only for a server on the same machine or network.
    None,
}

/// Where mails go.
pub struct PostOptions {
    /// The mail server's name.
    pub host: String,
    /// Its port.
    pub port: u16,
    /// How.
    pub security: Security,
    /// A certificate authority of one's own, as PEM.
    pub authority: Option<Vec<u8>>,
    /// Name and password, if the server wants them.
    pub credentials: Option<(String, String)>,
    /// From whom: `name <address>`, or an address.
    pub from: String,
}

/// Why there is no post office.
#[derive(Debug, thiserror::Error)]
pub enum PostOptionsError {
    /// The sender is no address.
    #[error("{0:?} is no sender: write `name <address>` or an address")]
    From(String),
    /// TLS cannot be set up.
    #[error("TLS for the mail server cannot be set up")]
    Tls(#[source] lettre::transport::smtp::Error),
}

/// Why a mail was not handed over.
#[derive(Debug, thiserror::Error)]
#[error("{text}")]
pub struct PostError {
    /// In words, without anything of the mail.
    pub text: String,
    /// Whether trying again is of no use: nobody has this address.
    pub is_for_good: bool,
}

impl PostError {
    fn for_good(text: &str) -> Self {
        Self {
            text: text.to_owned(),
            is_for_good: true,
        }
    }
}

/// Hands mails over, each over a connection of its own: one that was given up in the middle would answer the next mail with
/// what was meant for the one before.
pub struct Post {
    transport: AsyncSmtpTransport<Tokio1Executor>,
    from: Mailbox,
    patience: Duration,
}

impl Post {
    /// Opens no connection yet.
    pub fn new(options: PostOptions) -> Result<Self, PostOptionsError> {
        Self::patient(options, PATIENCE)
    }

    /// The same for whoever waits for no answer longer than this.
    pub fn patient(options: PostOptions, patience: Duration) -> Result<Self, PostOptionsError> {
        let from: Mailbox = options
            .from
            .parse()
            .map_err(|_| PostOptionsError::From(options.from.clone()))?;
        let tls = || {
            let mut parameters = TlsParameters::builder(options.host.clone());
            if let Some(authority) = &options.authority {
                let certificate = Certificate::from_pem(authority).map_err(PostOptionsError::Tls)?;
                parameters = parameters.add_root_certificate(certificate);
            }
            parameters.build().map_err(PostOptionsError::Tls)
        };
        let tls = match options.security {
            Security::Tls => Tls::Wrapper(tls()?),
            Security::Starttls => Tls::Required(tls()?),
            Security::None => Tls::None,
        };
        let mut builder = AsyncSmtpTransport::<Tokio1Executor>::builder_dangerous(&options.host)
            .port(options.port)
            .tls(tls)
            .timeout(Some(patience));
        if let Some((name, password)) = options.credentials {
            builder = builder.credentials(Credentials::new(name, password));
        }
        Ok(Self {
            transport: builder.build(),
            from,
            patience,
        })
    }

    /// Hands a mail over. Its id goes along, so that whoever gets it twice can tell.
    pub async fn hand_over(&self, letter: &Letter) -> Result<(), PostError> {
        let message = self.message(letter)?;
        let handed_over = tokio::time::timeout(self.patience, self.transport.send(message)).await;
        let Ok(handed_over) = handed_over else {
            return Err(PostError {
                text: "the mail server took too long".to_owned(),
                is_for_good: false,
            });
        };
        handed_over.map(drop).map_err(|error| {
            let text = shown(&error);
            let says = |code: &&str| text.split([' ', ':', '(', ')']).any(|word| word == *code);
            PostError {
                is_for_good: error.is_permanent() && NOBODY.iter().any(says),
                text,
            }
        })
    }

    /// The message with both forms of the text.
    pub fn message(&self, letter: &Letter) -> Result<Message, PostError> {
        let address: Address = letter
            .address
            .parse()
            .map_err(|_| PostError::for_good("the recipient's address is none"))?;
        let domain = self.from.email.domain();
        let parts = MultiPart::alternative()
            .singlepart(part(ContentType::TEXT_PLAIN, &letter.text))
            .singlepart(part(ContentType::TEXT_HTML, &letter.html));
        let mut message = Message::builder()
            .from(self.from.clone())
            .to(Mailbox::new(Some(letter.name.clone()), address))
            .subject(&letter.subject)
            .message_id(Some(format!("<{}@{domain}>", letter.id)))
            .multipart(parts)
            .map_err(|error| PostError::for_good(&format!("the mail cannot be written: {error}")))?;
        // Nobody's holiday notice answers it (RFC 3834).
        let name = HeaderName::new_from_ascii_str("Auto-Submitted");
        message
            .headers_mut()
            .insert_raw(HeaderValue::new(name, "auto-generated".to_owned()));
        Ok(message)
    }
}

fn part(kind: ContentType, text: &str) -> SinglePart {
    SinglePart::builder().header(kind).body(text.to_owned())
}

fn shown(error: &lettre::transport::smtp::Error) -> String {
    chain(error).chars().take(300).collect()
}
