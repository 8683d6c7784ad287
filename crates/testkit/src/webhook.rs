//! A program on loopback that is told of events over TLS, and keeps what it is told: for tests. It can be told to behave as bad
//! ones do.

use rcgen::{BasicConstraints, CertificateParams, IsCa, Issuer, KeyPair};
use rustls::ServerConfig;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use std::collections::BTreeMap;
use std::error::Error;
use std::io;
use std::sync::{Arc, Mutex, PoisonError};
use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader};
use tokio::net::{TcpListener, TcpStream};
use tokio::task::JoinHandle;
use tokio_rustls::TlsAcceptor;
use tokio_rustls::server::TlsStream;

/// The name under which it can be called, beside `localhost`: of nobody (RFC 2606).
pub const NAME: &str = "erp.halvorsund.example";

/// How it answers.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum Reply {
    /// It takes it.
    #[default]
    Takes,
    /// With this status.
    Status(u16),
    /// With 503, and asks to be left alone for so many seconds.
    Busy(u64),
    /// It sends the caller elsewhere.
    Redirects(String),
    /// It takes it, and goes on talking.
    Floods,
    /// It takes it and breaks off before it says so: nobody knows whether it arrived.
    BreaksOff,
    /// It breaks off in the middle of its answer.
    Half,
    /// It says nothing.
    IsSilent,
}

/// What it was told.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Told {
    /// The path.
    pub path: String,
    /// The header, names in lower case.
    pub header: BTreeMap<String, String>,
    /// The body.
    pub body: String,
}

type Manner = dyn Fn(&Told) -> Reply + Send + Sync;

struct Shared {
    told: Mutex<Vec<Told>>,
    manner: Mutex<Arc<Manner>>,
    flooded: Mutex<u64>,
}

/// The program; gone when dropped.
pub struct Receiver {
    /// Where it listens on 127.0.0.1.
    pub port: u16,
    /// The certificate of the authority that vouches for it, as PEM.
    pub authority: String,
    shared: Arc<Shared>,
    serving: JoinHandle<()>,
}

impl Drop for Receiver {
    fn drop(&mut self) {
        self.serving.abort();
    }
}

impl Receiver {
    /// Starts it on a free port, with a certificate of an authority of its own.
    pub async fn start() -> Result<Self, Box<dyn Error + Send + Sync>> {
        Self::start_at(0).await
    }

    /// The same on this port.
    pub async fn start_at(port: u16) -> Result<Self, Box<dyn Error + Send + Sync>> {
        let papers = Papers::new()?;
        let tls = server_config(&papers)?;
        let listener = TcpListener::bind(("127.0.0.1", port)).await?;
        let port = listener.local_addr()?.port();
        let takes: Arc<Manner> = Arc::new(|_: &Told| Reply::Takes);
        let shared = Arc::new(Shared {
            told: Mutex::default(),
            manner: Mutex::new(takes),
            flooded: Mutex::default(),
        });
        let acceptor = TlsAcceptor::from(Arc::new(tls));
        let serving = tokio::spawn({
            let shared = Arc::clone(&shared);
            async move {
                while let Ok((stream, _)) = listener.accept().await {
                    let (acceptor, shared) = (acceptor.clone(), Arc::clone(&shared));
                    tokio::spawn(async move { serve(acceptor, stream, &shared).await });
                }
            }
        });
        Ok(Self {
            port,
            authority: papers.authority,
            shared,
            serving,
        })
    }

    /// How it answers from now on.
    pub fn behave(&self, manner: impl Fn(&Told) -> Reply + Send + Sync + 'static) {
        *locked(&self.shared.manner) = Arc::new(manner);
    }

    /// What it was told so far, also what it did not take.
    pub fn told(&self) -> Vec<Told> {
        locked(&self.shared.told).clone()
    }

    /// How many bytes it could say while it went on talking.
    pub fn flooded(&self) -> u64 {
        *locked(&self.shared.flooded)
    }
}

fn locked<T>(what: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    what.lock().unwrap_or_else(PoisonError::into_inner)
}

/// What a program on loopback proves itself by, and who vouches for it; as PEM.
pub struct Papers {
    /// The certificate of the authority.
    pub authority: String,
    /// The program's own.
    pub certificate: String,
    /// Its key.
    pub key: String,
}

impl Papers {
    /// New ones, of an authority of their own.
    pub fn new() -> Result<Self, rcgen::Error> {
        let mut authority = CertificateParams::new(Vec::<String>::new())?;
        authority.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
        let authority_key = KeyPair::generate()?;
        let authority_certificate = authority.self_signed(&authority_key)?;
        let issuer = Issuer::new(authority, authority_key);
        let names = ["localhost", "127.0.0.1", NAME].map(str::to_owned);
        let key = KeyPair::generate()?;
        let certificate = CertificateParams::new(names)?.signed_by(&key, &issuer)?;
        Ok(Self {
            authority: authority_certificate.pem(),
            certificate: certificate.pem(),
            key: key.serialize_pem(),
        })
    }
}

fn server_config(papers: &Papers) -> Result<ServerConfig, Box<dyn Error + Send + Sync>> {
    let certificates =
        CertificateDer::pem_slice_iter(papers.certificate.as_bytes()).collect::<Result<_, _>>()?;
    let key = PrivateKeyDer::from_pem_slice(papers.key.as_bytes())?;
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    Ok(ServerConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()?
        .with_no_client_auth()
        .with_single_cert(certificates, key)?)
}

async fn serve(acceptor: TlsAcceptor, stream: TcpStream, shared: &Shared) {
    // A caller that breaks off, or that does not trust the certificate, is none of its concern.
    if let Ok(stream) = acceptor.accept(stream).await {
        let _ = talk(BufReader::new(stream), shared).await;
    }
}

async fn talk(mut stream: BufReader<TlsStream<TcpStream>>, shared: &Shared) -> io::Result<()> {
    while let Some(told) = request(&mut stream).await? {
        let manner = Arc::clone(&locked(&shared.manner));
        let reply = manner(&told);
        locked(&shared.told).push(told);
        let head =
            |status: u16, more: &str| format!("HTTP/1.1 {status} Said\r\nContent-Length: 0\r\n{more}\r\n");
        let said = match reply {
            Reply::Takes => head(204, ""),
            Reply::Status(status) => head(status, ""),
            Reply::Busy(seconds) => head(503, &format!("Retry-After: {seconds}\r\n")),
            Reply::Redirects(to) => head(307, &format!("Location: {to}\r\n")),
            Reply::Floods => return flood(&mut stream, shared).await,
            Reply::BreaksOff => return Ok(()),
            Reply::Half => {
                stream.write_all(b"HTTP/1.1 20").await?;
                return stream.shutdown().await;
            }
            Reply::IsSilent => {
                std::future::pending::<()>().await;
                return Ok(());
            }
        };
        stream.write_all(said.as_bytes()).await?;
        stream.flush().await?;
    }
    Ok(())
}

async fn flood(stream: &mut BufReader<TlsStream<TcpStream>>, shared: &Shared) -> io::Result<()> {
    stream
        .write_all(b"HTTP/1.1 200 Said\r\nContent-Length: 1073741824\r\n\r\n")
        .await?;
    let part = [b'x'; 16 * 1024];
    loop {
        stream.write_all(&part).await?;
        *locked(&shared.flooded) += 16 * 1024;
    }
}

async fn request(stream: &mut BufReader<TlsStream<TcpStream>>) -> io::Result<Option<Told>> {
    let mut first = String::new();
    if stream.read_line(&mut first).await? == 0 {
        return Ok(None);
    }
    let path = first.split(' ').nth(1).unwrap_or_default().to_owned();
    let mut header = BTreeMap::new();
    loop {
        let mut line = String::new();
        stream.read_line(&mut line).await?;
        let Some((name, value)) = line.trim_end().split_once(':') else {
            break;
        };
        header.insert(name.to_ascii_lowercase(), value.trim().to_owned());
    }
    let length = header
        .get("content-length")
        .and_then(|length| length.parse().ok());
    let mut body = vec![0; length.unwrap_or(0)];
    stream.read_exact(&mut body).await?;
    let body = String::from_utf8(body).map_err(io::Error::other)?;
    Ok(Some(Told { path, header, body }))
}
