//! Questions to a running service as one of the invented people.

use crate::bench::http::Connection;
use crate::demo::CAST;
use crate::failure::{Done, Failure, While};
use serde_json::{Value, json};
use tokio::runtime::Runtime;

/// Somebody who is signed in.
pub struct Person {
    runtime: Runtime,
    port: u16,
    token: String,
}

impl Person {
    /// Signs in, by their key in the cast.
    pub fn sign_in(url: &str, key: &str) -> Done<Self> {
        let member = CAST.iter().find(|member| member.key == key);
        let member = member.ok_or_else(|| Failure::new(format!("nobody is called {key}")))?;
        let port = url.rsplit(':').next().and_then(|port| port.parse().ok());
        let mut person = Self {
            runtime: Runtime::new().during("starting")?,
            port: port.ok_or_else(|| Failure::new(format!("{url} names no port")))?,
            token: String::new(),
        };
        let body = json!({"email": member.email(), "password": member.password()}).to_string();
        let request = format!(
            "POST /v1/auth/token HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\nContent-Length: {}\r\n\r\n{body}",
            body.len()
        );
        let answer = person.answer(&request)?;
        let token = answer.get("access_token").and_then(Value::as_str);
        token
            .ok_or_else(|| Failure::new("the service gives no token"))?
            .clone_into(&mut person.token);
        Ok(person)
    }

    /// Asks for something.
    pub fn ask(&self, path: &str) -> Done<Value> {
        self.answer(&format!(
            "GET {path} HTTP/1.1\r\nHost: 127.0.0.1\r\nAuthorization: Bearer {}\r\n\r\n",
            self.token
        ))
    }

    fn answer(&self, request: &str) -> Done<Value> {
        self.runtime.block_on(async {
            let mut connection = Connection::open(self.port).await?;
            let (status, body) = connection.ask(request.as_bytes()).await?;
            if status == 200 {
                serde_json::from_slice(body).during("reading an answer of the service")
            } else {
                Err(Failure::new(format!(
                    "the service answers {status}: {}",
                    String::from_utf8_lossy(body)
                )))
            }
        })
    }
}
