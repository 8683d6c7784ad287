//! A mail server on loopback that keeps what it is given: for tests, and to see the mails of `cargo xtask up`.
//!
//! It speaks as much SMTP (RFC 5321) as it needs to be handed a mail, and can be told to behave as bad servers do.

mod pages;

pub use pages::Pages;

use std::io;
use std::sync::{Arc, Mutex, PoisonError};
use tokio::io::{AsyncBufReadExt, AsyncWriteExt, BufReader};
use tokio::net::{TcpListener, TcpStream};
use tokio::task::JoinHandle;

/// How it behaves towards whoever hands a mail over.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Manner {
    /// Takes every mail.
    #[default]
    Takes,
    /// Says that there is no such recipient.
    KnowsNobody,
    /// Says that it is busy.
    IsBusy,
    /// Takes a mail and breaks off before it says so: nobody knows whether it went.
    BreaksOff,
    /// Answers nothing.
    IsSilent,
}

/// A mail as it was handed over.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CaughtMail {
    /// To whom, as the envelope says.
    pub to: String,
    /// The whole message, with its header.
    pub message: String,
}

impl CaughtMail {
    /// The value of a header, its lines joined.
    pub fn header(&self, name: &str) -> Option<String> {
        let mut found: Option<String> = None;
        for line in self.message.lines().take_while(|line| !line.is_empty()) {
            if let Some(value) = found.as_mut() {
                if line.starts_with([' ', '\t']) {
                    value.push_str(line);
                    continue;
                }
                break;
            }
            let (key, value) = line.split_once(':')?;
            if key.eq_ignore_ascii_case(name) {
                found = Some(value.trim().to_owned());
            }
        }
        found
    }
    fn parsed(&self) -> Option<mail_parser::Message<'_>> {
        mail_parser::MessageParser::default().parse(self.message.as_bytes())
    }
    /// The subject, decoded.
    pub fn subject(&self) -> String {
        let parsed = self.parsed();
        parsed
            .and_then(|mail| mail.subject().map(str::to_owned))
            .unwrap_or_default()
    }
    /// The plain text, decoded.
    pub fn text(&self) -> String {
        let parsed = self.parsed();
        let text = parsed.as_ref().and_then(|mail| mail.body_text(0));
        text.map(|text| text.into_owned()).unwrap_or_default()
    }
    /// The HTML, decoded.
    pub fn html(&self) -> String {
        let parsed = self.parsed();
        let html = parsed.as_ref().and_then(|mail| mail.body_html(0));
        html.map(|html| html.into_owned()).unwrap_or_default()
    }
}

#[derive(Default)]
struct Kept {
    mails: Vec<CaughtMail>,
    manner: Manner,
}

type Shared = Arc<Mutex<Kept>>;

/// The server; gone when dropped.
pub struct MailCatcher {
    /// Where it listens on 127.0.0.1.
    pub port: u16,
    shared: Shared,
    serving: JoinHandle<()>,
}

impl MailCatcher {
    /// Listens on a port of its own.
    pub async fn start() -> io::Result<Self> {
        let listener = TcpListener::bind("127.0.0.1:0").await?;
        let port = listener.local_addr()?.port();
        let shared = Shared::default();
        let serving = tokio::spawn(serve(listener, Arc::clone(&shared)));
        Ok(Self {
            port,
            shared,
            serving,
        })
    }
    /// What was handed over so far.
    pub fn mails(&self) -> Vec<CaughtMail> {
        locked(&self.shared, |shared| shared.mails.clone())
    }
    /// Behaves in another way from now on.
    pub fn behave(&self, manner: Manner) {
        locked(&self.shared, |shared| shared.manner = manner);
    }
}

impl Drop for MailCatcher {
    fn drop(&mut self) {
        self.serving.abort();
    }
}

fn locked<T>(shared: &Shared, what: impl FnOnce(&mut Kept) -> T) -> T {
    what(&mut shared.lock().unwrap_or_else(PoisonError::into_inner))
}

async fn serve(listener: TcpListener, shared: Shared) {
    while let Ok((stream, _)) = listener.accept().await {
        let shared = Arc::clone(&shared);
        tokio::spawn(async move {
            // Whoever breaks off has said all they wanted.
            let _ = converse(stream, shared).await;
        });
    }
}

async fn converse(stream: TcpStream, shared: Shared) -> io::Result<()> {
    let manner = || locked(&shared, |shared| shared.manner);
    let (reading, mut writing) = stream.into_split();
    let mut lines = BufReader::new(reading).lines();
    if manner() == Manner::IsSilent {
        while lines.next_line().await?.is_some() {}
        return Ok(());
    }
    writing.write_all(b"220 catcher\r\n").await?;
    let mut to = String::new();
    while let Some(line) = lines.next_line().await? {
        let word = line.get(..4).unwrap_or(&line).to_ascii_uppercase();
        let answer = match word.as_str() {
            "EHLO" => "250-catcher\r\n250 8BITMIME\r\n",
            "RCPT" => match manner() {
                Manner::KnowsNobody => "550 5.1.1 nobody here\r\n",
                Manner::IsBusy => "451 come back later\r\n",
                Manner::Takes | Manner::BreaksOff | Manner::IsSilent => {
                    let address = line.split_once('<').and_then(|(_, rest)| rest.split_once('>'));
                    to = address.map(|(address, _)| address.to_owned()).unwrap_or_default();
                    "250 ok\r\n"
                }
            },
            "DATA" => {
                writing.write_all(b"354 go on\r\n").await?;
                let mut message = String::new();
                while let Some(line) = lines.next_line().await? {
                    if line == "." {
                        break;
                    }
                    message.push_str(line.strip_prefix('.').unwrap_or(&line));
                    message.push_str("\r\n");
                }
                let caught = CaughtMail {
                    to: to.clone(),
                    message,
                };
                locked(&shared, |shared| shared.mails.push(caught));
                if manner() == Manner::BreaksOff {
                    return Ok(());
                }
                "250 taken\r\n"
            }
            "QUIT" => {
                writing.write_all(b"221 bye\r\n").await?;
                return Ok(());
            }
            _ => "250 ok\r\n",
        };
        writing.write_all(answer.as_bytes()).await?;
    }
    Ok(())
}
