//! The mails that were caught, as pages for a browser on this machine.

use super::{CaughtMail, MailCatcher, Shared, locked};
use std::io;
use std::sync::Arc;
use tokio::io::{AsyncBufReadExt, AsyncWriteExt, BufReader};
use tokio::net::{TcpListener, TcpStream};
use tokio::task::JoinHandle;

/// The pages; gone when dropped.
pub struct Pages {
    /// Where they are read on 127.0.0.1.
    pub port: u16,
    serving: JoinHandle<()>,
}

impl Drop for Pages {
    fn drop(&mut self) {
        self.serving.abort();
    }
}

impl MailCatcher {
    /// Shows what is caught on a port of its own: `/` lists the mails, `/1` shows the first one.
    pub async fn show(&self) -> io::Result<Pages> {
        let listener = TcpListener::bind("127.0.0.1:0").await?;
        let port = listener.local_addr()?.port();
        let shared = Arc::clone(&self.shared);
        let serving = tokio::spawn(async move {
            while let Ok((stream, _)) = listener.accept().await {
                let shared = Arc::clone(&shared);
                tokio::spawn(async move {
                    let _ = answer(stream, &shared).await;
                });
            }
        });
        Ok(Pages { port, serving })
    }
}

async fn answer(stream: TcpStream, shared: &Shared) -> io::Result<()> {
    let (reading, mut writing) = stream.into_split();
    let mut lines = BufReader::new(reading).lines();
    let first = lines.next_line().await?.unwrap_or_default();
    while lines.next_line().await?.is_some_and(|line| !line.is_empty()) {}
    let path = first
        .split(' ')
        .nth(1)
        .unwrap_or("/")
        .trim_start_matches('/')
        .to_owned();
    let mails = locked(shared, |kept| kept.mails.clone());
    let page = match path.parse::<usize>() {
        _ if path.is_empty() => Some(list(&mails)),
        Ok(number) => mails.get(number.wrapping_sub(1)).map(CaughtMail::html),
        Err(_) => None,
    };
    let (status, body) = match page {
        Some(page) => ("200 OK", page),
        None => ("404 Not Found", "There is no such mail.".to_owned()),
    };
    let head = format!(
        "HTTP/1.1 {status}\r\nContent-Type: text/html; charset=utf-8\r\nContent-Length: {}\r\n\
         Content-Security-Policy: default-src 'none'; style-src 'unsafe-inline'\r\nConnection: close\r\n\r\n",
        body.len()
    );
    writing.write_all(head.as_bytes()).await?;
    writing.write_all(body.as_bytes()).await
}

/// The mails, the latest first.
fn list(mails: &[CaughtMail]) -> String {
    let escaped = |text: &str| {
        text.replace('&', "&amp;")
            .replace('<', "&lt;")
            .replace('>', "&gt;")
    };
    let mut page = String::from(
        "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"><title>Mails</title></head>\n\
         <body style=\"margin:0 auto;padding:16px;max-width:720px;font:16px/1.5 sans-serif\"><h1>Mails</h1>\n<ol reversed>\n",
    );
    for (index, mail) in mails.iter().enumerate().rev() {
        page.push_str(&format!(
            "<li><a href=\"/{}\">{}</a> to {}</li>\n",
            index + 1,
            escaped(&mail.subject()),
            escaped(&mail.to)
        ));
    }
    page.push_str("</ol>\n<p>Caught on this machine: nothing left it. Load the page again to see what came since.</p></body></html>\n");
    page
}
