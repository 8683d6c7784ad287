//! The line between a tablet and the service: real HTTP, with everything that can happen to it.
//!
//! A tablet's side asks through [`clampward_field::session::Transport`]; what becomes of each request is decided by
//! chance, or by a disaster that is waiting for the next push. Requests may also be kept back and arrive later.

use super::ground::Ground;
use super::town::Device;
use clampward_field::core::{Answer, Refused, SnapshotPart};
use clampward_field::failure::Done;
use clampward_field::session::{Asked, Question, Transport};
use clampward_field::transport::lenient;
use clampward_wire::sync::pull::{SnapshotEnd, SnapshotHead, SnapshotLine};
use std::io::Write;
use std::net::TcpStream;
use std::time::Duration;
use uuid::Uuid;

/// Lines of a snapshot that are handed over at a time.
const PART: usize = 200;

/// Of a thousand requests, so many suffer each of these.
#[derive(Clone, Copy, Debug)]
pub struct Weather {
    /// The request is lost.
    pub lost_request: usize,
    /// The answer is lost.
    pub lost_answer: usize,
    /// The request arrives twice, its second answer is heard.
    pub twice: usize,
    /// A push is kept back and arrives some time later.
    pub late: usize,
    /// The connection breaks within the request.
    pub cut_request: usize,
    /// The connection breaks within the answer.
    pub cut_answer: usize,
    /// Something in between says 503.
    pub unavailable: usize,
}

impl Weather {
    /// Bad.
    pub const BAD: Self = Self {
        lost_request: 40,
        lost_answer: 60,
        twice: 40,
        late: 30,
        cut_request: 20,
        cut_answer: 20,
        unavailable: 30,
    };
    /// Nothing happens.
    pub const CALM: Self = Self {
        lost_request: 0,
        lost_answer: 0,
        twice: 0,
        late: 0,
        cut_request: 0,
        cut_answer: 0,
        unavailable: 0,
    };
}

/// A request as it goes over the wire.
#[derive(Clone, Debug)]
pub struct Sent {
    path: String,
    token: String,
    /// For a push.
    body: Option<Vec<u8>>,
}

/// An answer as it comes.
struct Came {
    status: u16,
    retry_after: Option<u64>,
    body: Vec<u8>,
}

/// A tablet's line.
pub struct Line<'a> {
    /// Everything around it.
    pub ground: &'a mut Ground,
    /// Which device.
    pub device: &'a Device,
    /// Its access token, if it has one.
    pub token: &'a mut Option<String>,
}

fn request(agent: &ureq::Agent, url: &str, sent: &Sent) -> Option<Came> {
    let to = format!("{url}{}", sent.path);
    let bearer = format!("Bearer {}", sent.token);
    let answer = match &sent.body {
        Some(body) => agent
            .post(&to)
            .header("Authorization", &bearer)
            .header("Content-Type", "application/json")
            .send(&body[..]),
        None => agent.get(&to).header("Authorization", &bearer).call(),
    };
    let mut answer = answer.ok()?;
    let retry_after = answer
        .headers()
        .get("retry-after")
        .and_then(|value| value.to_str().ok()?.parse().ok());
    Some(Came {
        status: answer.status().as_u16(),
        retry_after,
        body: answer
            .body_mut()
            .with_config()
            .limit(1 << 30)
            .read_to_vec()
            .ok()?,
    })
}

/// A device's access token; none if the service is not there.
pub fn sign_in(agent: &ureq::Agent, url: &str, device: &Device, id: Uuid) -> Option<String> {
    let assertion = device.assertion(id, jiff::Timestamp::now());
    let form = [
        ("grant_type", "client_credentials"),
        (
            "client_assertion_type",
            "urn:ietf:params:oauth:client-assertion-type:jwt-bearer",
        ),
        ("client_assertion", assertion.as_str()),
    ];
    let mut answer = agent.post(format!("{url}/v1/oauth/token")).send_form(form).ok()?;
    let text = answer.body_mut().read_to_string().ok()?;
    let token: serde_json::Value = serde_json::from_str(&text).ok()?;
    let token = token["access_token"].as_str().map(str::to_owned);
    assert!(
        token.is_some() || answer.status().as_u16() >= 500,
        "a device is refused: {text}"
    );
    token
}

/// Sends half of a push and breaks off.
fn cut_off(url: &str, sent: &Sent) {
    let body = sent.body.as_deref().unwrap_or_default();
    let address = url.trim_start_matches("http://");
    if let Ok(mut stream) = TcpStream::connect(address) {
        let head = format!(
            "POST {} HTTP/1.1\r\nHost: {address}\r\nAuthorization: Bearer {}\r\nContent-Type: application/json\r\nContent-Length: {}\r\n\r\n",
            sent.path,
            sent.token,
            body.len()
        );
        let _ = stream.write_all(head.as_bytes());
        let _ = stream.write_all(&body[..body.len() / 2]);
    }
}

impl Ground {
    /// Delivers what was kept back; nobody hears the answers.
    pub fn deliver_late(&mut self, at_most: usize) {
        for _ in 0..at_most {
            if self.late.is_empty() {
                return;
            }
            let index = self.chance.below(self.late.len());
            let sent = self.late.swap_remove(index);
            self.seen.late += 1;
            request(&self.agent, &self.url, &sent);
        }
    }
}

impl Line<'_> {
    fn sign_in(&mut self) -> Option<String> {
        let id = self.ground.chance.id();
        sign_in(&self.ground.agent, &self.ground.url, self.device, id)
    }

    /// The request, with whatever disaster waits for it. What it was promised counts for the history it was promised in.
    fn fetch(&mut self, sent: &Sent) -> Option<Came> {
        self.ground.seen.requests += 1;
        let waiting = if sent.body.is_some() {
            self.ground.waiting.take()
        } else {
            None
        };
        let (agent, url) = (self.ground.agent.clone(), self.ground.url.clone());
        let came = match waiting {
            None => request(&agent, &url, sent),
            Some(disaster) => {
                let copy = sent.clone();
                let under_way = std::thread::spawn(move || request(&agent, &url, &copy));
                let pause = u64::try_from(self.ground.chance.below(30_000)).unwrap();
                std::thread::sleep(Duration::from_micros(pause));
                self.ground.strike(disaster);
                under_way.join().unwrap()
            }
        };
        let told = came.as_ref().map(|came| (came.status, came.body.as_slice()));
        self.ground.note(sent.body.as_deref(), told);
        if let Some((status, body)) = told
            && status >= 500
        {
            let text = String::from_utf8_lossy(body).into_owned();
            self.ground.trouble(status, &sent.path, text);
        }
        if let Some(disaster) = waiting {
            self.ground.after(disaster);
        }
        came
    }

    fn with_token(&mut self, path: String, body: Option<Vec<u8>>) -> Option<Came> {
        for _ in 0..2 {
            if self.token.is_none() {
                *self.token = self.sign_in();
            }
            let sent = Sent {
                path: path.clone(),
                token: self.token.clone()?,
                body: body.clone(),
            };
            let came = self.with_faults(&sent)?;
            if came.status != 401 {
                return Some(came);
            }
            *self.token = None;
        }
        None
    }

    fn with_faults(&mut self, sent: &Sent) -> Option<Came> {
        let weather = self.ground.weather;
        let chance = &mut self.ground.chance;
        let is_push = sent.body.is_some();
        if chance.permille(weather.lost_request) {
            self.ground.seen.faults += 1;
            return None;
        }
        if is_push && chance.permille(weather.late) {
            self.ground.seen.faults += 1;
            self.ground.late.push(sent.clone());
            return None;
        }
        if is_push && chance.permille(weather.cut_request) {
            self.ground.seen.faults += 1;
            cut_off(&self.ground.url, sent);
            return None;
        }
        if chance.permille(weather.unavailable) {
            self.ground.seen.faults += 1;
            return Some(Came {
                status: 503,
                retry_after: Some(1),
                body: Vec::new(),
            });
        }
        if chance.permille(weather.twice) {
            self.ground.seen.faults += 1;
            self.fetch(sent);
        }
        let mut came = self.fetch(sent)?;
        let chance = &mut self.ground.chance;
        if chance.permille(weather.lost_answer) {
            self.ground.seen.faults += 1;
            return None;
        }
        if chance.permille(weather.cut_answer) {
            self.ground.seen.faults += 1;
            let keep = chance.below(came.body.len().max(1));
            came.body.truncate(keep);
        }
        Some(came)
    }
}

fn path(question: &Question) -> String {
    let encoded = |text: &str| text.replace('+', "%2B").replace('=', "%3D");
    match question {
        Question::Config => "/v1/sync/config".to_owned(),
        Question::Receipts { device_number, from } => {
            format!(
                "/v1/sync/receipts?device_number={device_number}&from={}",
                from.max(&1)
            )
        }
        Question::Push(_) => "/v1/sync/entries".to_owned(),
        Question::Changes { cursors } => {
            let cursors: Vec<_> = cursors
                .iter()
                .map(|(_, cursor)| format!("cursor={}", encoded(cursor)))
                .collect();
            format!("/v1/sync/changes?{}", cursors.join("&"))
        }
        Question::Snapshot { yard, after, cursor } => {
            let after = after.map_or_else(String::new, |after| format!("&after={after}"));
            let cursor = cursor
                .as_ref()
                .map_or_else(String::new, |cursor| format!("&cursor={}", encoded(cursor)));
            format!("/v1/sync/snapshot?yard={yard}{after}{cursor}")
        }
    }
}

fn refused(came: &Came) -> Answer {
    let problem: serde_json::Value = serde_json::from_slice(&came.body).unwrap_or_default();
    let text = |name: &str| problem[name].as_str().unwrap_or_default().to_owned();
    Answer::Refused(Refused {
        status: came.status,
        code: text("code"),
        detail: text("detail"),
        retry_after_seconds: came.retry_after,
    })
}

/// Hands a snapshot over in parts. Answers whether it came to its end.
fn snapshot(body: &[u8], each: &mut dyn FnMut(Answer) -> Done) -> Done<bool> {
    let whole = body.last() == Some(&b'\n');
    let mut lines: Vec<&[u8]> = body.split(|byte| *byte == b'\n').collect();
    // What follows the last line feed is nothing, or a line that was cut.
    lines.pop();
    let mut part = SnapshotPart::default();
    let mut ended = false;
    for (number, line) in lines.iter().enumerate() {
        if number == 0 {
            part.head = serde_json::from_slice::<SnapshotHead>(line).ok();
            assert!(part.head.is_some(), "{}", String::from_utf8_lossy(line));
        } else if let Ok(end) = serde_json::from_slice::<SnapshotEnd>(line) {
            part.end = Some(end);
            ended = true;
        } else {
            let line: SnapshotLine = serde_json::from_slice(line).expect("a line of a snapshot");
            part.lines.push(line);
        }
        if part.lines.len() == PART || ended {
            each(Answer::Snapshot(std::mem::take(&mut part)))?;
        }
    }
    if part != SnapshotPart::default() {
        each(Answer::Snapshot(part))?;
    }
    Ok(whole && ended)
}

impl Transport for Line<'_> {
    fn ask(&mut self, question: &Question, each: &mut dyn FnMut(Answer) -> Done) -> Done<Asked> {
        let body = match question {
            Question::Push(push) => Some(serde_json::to_vec(push).unwrap()),
            _ => None,
        };
        let Some(came) = self.with_token(path(question), body) else {
            return Ok(Asked::Lost);
        };
        if came.status != 200 {
            each(refused(&came))?;
            return Ok(Asked::Answered);
        }
        if matches!(question, Question::Snapshot { .. }) {
            let ended = snapshot(&came.body, each)?;
            return Ok(if ended { Asked::Answered } else { Asked::Lost });
        }
        // Cut in the middle.
        let Ok(body) = serde_json::from_slice(&came.body) else {
            return Ok(Asked::Lost);
        };
        let answer = match question {
            Question::Config => serde_json::from_value(body).ok().map(Answer::Config),
            Question::Receipts { .. } => lenient::receipts(body).map(Answer::Receipts),
            Question::Push(_) => lenient::pushed(body).map(|pushed| Answer::Pushed(Box::new(pushed))),
            Question::Changes { .. } | Question::Snapshot { .. } => {
                lenient::changes(body).map(Answer::Changes)
            }
        };
        match answer {
            Some(answer) => {
                each(answer)?;
                Ok(Asked::Answered)
            }
            None => Ok(Asked::Lost),
        }
    }
}
