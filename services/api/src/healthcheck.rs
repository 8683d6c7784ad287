//! Asks a running service how it is: for container engines and service managers, so that an image needs no other
//! program for it. Speaks just enough HTTP for one question, to this machine only, and never reads configuration itself.

use std::io::{Error, Read, Result, Write};
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr, TcpStream};
use std::time::Duration;

/// How long the answer may take.
const PATIENCE: Duration = Duration::from_secs(3);
/// As much of the answer as is looked at: its first line.
const STATUS_LINE: usize = "HTTP/1.1 200".len();

/// What is asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum Question {
    /// Whether the process lives; the database may be away.
    Alive,
    /// Whether it can answer requests, its database included.
    Ready,
}

/// Asks the service that listens at `listen`, and fails unless it says yes.
pub fn ask(listen: SocketAddr, question: Question) -> Result<()> {
    let path = match question {
        Question::Alive => "/healthz",
        Question::Ready => "/readyz",
    };
    let address = reachable(listen);
    let mut connection = TcpStream::connect_timeout(&address, PATIENCE)?;
    connection.set_read_timeout(Some(PATIENCE))?;
    connection.set_write_timeout(Some(PATIENCE))?;
    write!(
        connection,
        "GET {path} HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n\r\n"
    )?;
    let mut start = [0; STATUS_LINE];
    connection.read_exact(&mut start)?;
    if start.starts_with(b"HTTP/1.1 200") {
        return Ok(());
    }
    let said = String::from_utf8_lossy(&start).into_owned();
    Err(Error::other(format!("{path} answers {said:?}")))
}

/// Where a service that listens everywhere is reached from its own machine.
fn reachable(listen: SocketAddr) -> SocketAddr {
    let host = match listen.ip() {
        IpAddr::V4(address) if address.is_unspecified() => IpAddr::V4(Ipv4Addr::LOCALHOST),
        IpAddr::V6(address) if address.is_unspecified() => IpAddr::V6(Ipv6Addr::LOCALHOST),
        address @ (IpAddr::V4(_) | IpAddr::V6(_)) => address,
    };
    SocketAddr::new(host, listen.port())
}

#[cfg(test)]
mod tests {
    //! Against a listener that gives one answer.

    use super::{Question, ask};
    use std::io::{Read, Write};
    use std::net::{SocketAddr, TcpListener};
    use std::thread::JoinHandle;

    fn answering(answer: &'static str) -> (SocketAddr, JoinHandle<String>) {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let address = listener.local_addr().unwrap();
        let thread = std::thread::spawn(move || {
            let (mut connection, _) = listener.accept().unwrap();
            let mut asked = Vec::new();
            let mut part = [0; 256];
            while !asked.ends_with(b"\r\n\r\n") {
                let length = connection.read(&mut part).unwrap();
                assert!(length > 0, "the question has an end");
                asked.extend_from_slice(&part[..length]);
            }
            connection.write_all(answer.as_bytes()).unwrap();
            String::from_utf8(asked).unwrap()
        });
        (address, thread)
    }

    #[test]
    fn only_an_answer_of_200_is_healthy() {
        let (address, asked) = answering("HTTP/1.1 200 OK\r\nContent-Length: 0\r\n\r\n");
        ask(address, Question::Alive).unwrap();
        assert!(asked.join().unwrap().starts_with("GET /healthz HTTP/1.1\r\n"));

        let (address, asked) = answering("HTTP/1.1 503 Service Unavailable\r\n\r\n");
        let error = ask(address, Question::Ready).unwrap_err().to_string();
        assert_eq!(error, "/readyz answers \"HTTP/1.1 503\"");
        assert!(asked.join().unwrap().starts_with("GET /readyz HTTP/1.1\r\n"));

        let (address, asked) = answering("HTTP");
        assert!(ask(address, Question::Alive).is_err(), "cut off");
        asked.join().unwrap();
        assert!(ask(address, Question::Alive).is_err(), "nobody listens any more");
    }

    #[test]
    fn a_service_that_listens_everywhere_is_asked_on_this_machine() {
        let (address, asked) = answering("HTTP/1.1 200 OK\r\n\r\n");
        let everywhere = SocketAddr::from(([0, 0, 0, 0], address.port()));
        ask(everywhere, Question::Alive).unwrap();
        asked.join().unwrap();
    }
}
