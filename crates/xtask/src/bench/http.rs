//! A load generator: clients that each keep one connection and ask again as soon as they are answered.
//!
//! Speaks just enough HTTP/1.1 for answers with a length, so that it costs as little as can be beside what it measures.
//! Knows no operation of the service.

use crate::failure::{Done, Failure, While};
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::task::JoinSet;

/// How long the clients ask before it counts.
const WARM_UP: Duration = Duration::from_millis(500);
/// What is read at once.
const CHUNK: usize = 16 * 1024;
/// How an answer in pieces ends.
const LAST_CHUNK: &[u8] = b"\r\n0\r\n\r\n";

/// What one client asks: the bytes of its next request.
pub trait Asking: Send + 'static {
    /// Writes the next request over `request`.
    fn next(&mut self, request: &mut Vec<u8>);
}

/// What the clients saw.
#[derive(Clone, Copy, Debug)]
pub struct Seen {
    /// Answers per second.
    pub per_second: f64,
    /// The time within which all but one of a hundred answers came, in milliseconds.
    pub slowest_hundredth_ms: f64,
}

/// One kept connection.
pub struct Connection {
    stream: TcpStream,
    buffer: Vec<u8>,
}

impl Connection {
    /// Connects to a port of this machine.
    pub async fn open(port: u16) -> Done<Self> {
        let stream = TcpStream::connect(("127.0.0.1", port))
            .await
            .during("connecting to the service")?;
        stream.set_nodelay(true).during("connecting to the service")?;
        Ok(Self {
            stream,
            buffer: Vec::with_capacity(CHUNK),
        })
    }

    /// Asks and answers the status and the body.
    pub async fn ask(&mut self, request: &[u8]) -> Done<(u16, &[u8])> {
        self.stream.write_all(request).await.during("asking")?;
        self.buffer.clear();
        let mut head = None;
        loop {
            let read = self.stream.read_buf(&mut self.buffer).await.during("reading")?;
            if read == 0 {
                return Err(Failure::new("the service closed the connection"));
            }
            if head.is_none() {
                head = Head::read(&self.buffer);
            }
            if let Some(head) = &head
                && let Some(body) = self.buffer.get(head.length..)
                && body.len() >= head.body
            {
                let (status, length) = (head.status, head.length);
                return Ok((status, self.buffer.get(length..).unwrap_or_default()));
            }
        }
    }

    /// Asks with `Connection: close` and answers all that came until then, as it came.
    pub async fn whole(mut self, request: &[u8]) -> Done<String> {
        self.stream.write_all(request).await.during("asking")?;
        let mut bytes = Vec::new();
        self.stream.read_to_end(&mut bytes).await.during("reading")?;
        Ok(String::from_utf8_lossy(&bytes).into_owned())
    }

    /// Asks for what comes in pieces of unknown number, and answers how many lines and bytes they had.
    pub async fn drain(mut self, request: &[u8]) -> Done<(usize, usize)> {
        self.stream.write_all(request).await.during("asking")?;
        let (mut lines, mut bytes) = (0, 0);
        let mut end: Vec<u8> = Vec::new();
        let mut is_first = true;
        loop {
            self.buffer.clear();
            let read = self.stream.read_buf(&mut self.buffer).await.during("reading")?;
            if read == 0 {
                return Err(Failure::new("the service broke the stream off"));
            }
            if std::mem::take(&mut is_first) && !self.buffer.starts_with(b"HTTP/1.1 200 ") {
                return Err(Failure::new(String::from_utf8_lossy(&self.buffer).into_owned()));
            }
            lines += self.buffer.iter().filter(|byte| **byte == b'\n').count();
            bytes += read;
            end.extend_from_slice(
                self.buffer
                    .get(read.saturating_sub(LAST_CHUNK.len())..)
                    .unwrap_or_default(),
            );
            end.drain(..end.len().saturating_sub(LAST_CHUNK.len()));
            if end == LAST_CHUNK {
                return Ok((lines, bytes));
            }
        }
    }
}

/// What the head of an answer says.
struct Head {
    status: u16,
    length: usize,
    body: usize,
}

impl Head {
    /// Reads a head once it is there whole.
    fn read(bytes: &[u8]) -> Option<Self> {
        let end = bytes.windows(4).position(|four| four == b"\r\n\r\n")?;
        let head = std::str::from_utf8(bytes.get(..end)?).ok()?;
        let mut lines = head.split("\r\n");
        let status = lines.next()?.split(' ').nth(1)?.parse().ok()?;
        let body = lines
            .filter_map(|line| line.split_once(": "))
            .find(|(name, _)| name.eq_ignore_ascii_case("content-length"))
            .and_then(|(_, value)| value.parse().ok())?;
        Some(Self {
            status,
            length: end + 4,
            body,
        })
    }
}

/// Lets clients ask for a while; fails at the first answer of another status.
pub async fn load(port: u16, status: u16, clients: Vec<Box<dyn Asking>>, seconds: Duration) -> Done<Seen> {
    let count = clients.len();
    let start = Arc::new(tokio::sync::Barrier::new(count));
    let mut running = JoinSet::new();
    for mut client in clients {
        let start = Arc::clone(&start);
        running.spawn(async move {
            let connection = Connection::open(port).await;
            start.wait().await;
            let mut connection = connection?;
            let mut request = Vec::with_capacity(CHUNK);
            let begin = Instant::now();
            let counted = begin + WARM_UP;
            let end = counted + seconds;
            let mut times: Vec<u32> = Vec::new();
            loop {
                client.next(&mut request);
                let asked = Instant::now();
                let (answered, body) = connection.ask(&request).await?;
                if answered != status {
                    return Err(Failure::new(format!(
                        "the service answers {answered} instead of {status}: {}",
                        String::from_utf8_lossy(body)
                    )));
                }
                let now = Instant::now();
                if now >= end {
                    return Ok(times);
                }
                if asked >= counted {
                    times.push(u32::try_from((now - asked).as_micros()).unwrap_or(u32::MAX));
                }
            }
        });
    }
    let mut times: Vec<u32> = Vec::new();
    while let Some(done) = running.join_next().await {
        times.extend(done.during("a client ended")??);
    }
    times.sort_unstable();
    let place = times.len().saturating_sub(1) * 99 / 100;
    let slowest = times.get(place).copied().unwrap_or_default();
    let answers = u32::try_from(times.len()).unwrap_or(u32::MAX);
    Ok(Seen {
        per_second: f64::from(answers) / seconds.as_secs_f64(),
        slowest_hundredth_ms: f64::from(slowest) / 1000.0,
    })
}

#[cfg(test)]
mod tests {
    //! An answer is read whole, whatever pieces it comes in.

    use super::*;
    use tokio::net::TcpListener;

    #[tokio::test]
    async fn an_answer_in_pieces_is_read_whole() {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let port = listener.local_addr().unwrap().port();
        tokio::spawn(async move {
            let (mut stream, _) = listener.accept().await.unwrap();
            let mut asked = [0; 64];
            let _ = stream.read(&mut asked).await.unwrap();
            for piece in [
                "HTTP/1.1 201 Created\r\nContent-",
                "Length: 5\r\n\r",
                "\nab",
                "cde",
            ] {
                stream.write_all(piece.as_bytes()).await.unwrap();
                tokio::task::yield_now().await;
            }
        });
        let mut connection = Connection::open(port).await.unwrap();
        let (status, body) = connection.ask(b"GET / HTTP/1.1\r\n\r\n").await.unwrap();
        assert_eq!((status, body), (201, b"abcde".as_slice()));
    }
}
