//! What the clients ask: fitness of clamps at random, and inspections of clamps at random.

use super::database::{Yard, clamp_id};
use super::http::Asking;
use clampward_domain::criteria;
use clampward_domain::rule_set;
use clampward_domain::words::{InspectionKind, RuleSetName};
use std::io::Write;
use std::sync::Arc;

/// Numbers that look random, the same in every run.
pub struct Random(u64);

impl Random {
    /// A row of numbers of its own for each client.
    pub fn of(client: usize) -> Self {
        let client = u64::try_from(client).unwrap_or(0);
        Self(0x9e37_79b9_7f4a_7c15 ^ client.wrapping_add(1).wrapping_mul(0xbf58_476d_1ce4_e5b9))
    }
    fn next(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0
    }
    /// A clamp of a yard.
    pub fn clamp(&mut self, yard: &Yard) -> u64 {
        yard.first + self.next() % (yard.last - yard.first + 1)
    }
    /// A clamp of a yard that only this one of so many clients asks for.
    fn own_clamp(&mut self, yard: &Yard, client: u64, clients: u64) -> u64 {
        let each = ((yard.last - yard.first + 1) / clients).max(1);
        yard.first + self.next() % each * clients + client
    }
}

/// Asks one address again and again.
pub struct Again {
    /// Port of the service.
    pub port: u16,
    /// Path.
    pub path: &'static str,
}

impl Asking for Again {
    fn next(&mut self, request: &mut Vec<u8>) {
        request.clear();
        let _ = write!(
            request,
            "GET {} HTTP/1.1\r\nHost: 127.0.0.1:{}\r\n\r\n",
            self.path, self.port
        );
    }
}

/// Asks one address again and again as somebody.
pub struct AgainAs {
    /// Port of the service.
    pub port: u16,
    /// Somebody's token.
    pub token: Arc<str>,
    /// Path and query.
    pub path: Arc<str>,
}

impl Asking for AgainAs {
    fn next(&mut self, request: &mut Vec<u8>) {
        request.clear();
        let _ = write!(
            request,
            "GET {} HTTP/1.1\r\nHost: 127.0.0.1:{}\r\nAuthorization: Bearer {}\r\n\r\n",
            self.path, self.port, self.token
        );
    }
}

/// Asks whether clamps are fit.
pub struct AskFitness {
    /// Port of the service.
    pub port: u16,
    /// Somebody's token.
    pub token: Arc<str>,
    /// The clamps that they see.
    pub clamps: Yard,
    /// Which one next.
    pub random: Random,
}

impl Asking for AskFitness {
    fn next(&mut self, request: &mut Vec<u8>) {
        request.clear();
        let clamp = clamp_id(self.random.clamp(&self.clamps));
        let _ = write!(
            request,
            "GET /v1/clamps/{clamp}/fitness HTTP/1.1\r\nHost: 127.0.0.1:{}\r\nAuthorization: Bearer {}\r\n\r\n",
            self.port, self.token
        );
    }
}

/// Records frequent inspections that find nothing.
pub struct Inspect {
    /// Port of the service.
    pub port: u16,
    /// An inspector's token.
    pub token: Arc<str>,
    /// The clamps of their yard.
    pub clamps: Yard,
    /// Which one next.
    pub random: Random,
    /// Which of how many clients this is. Each has clamps of its own: a copied clamp has no history from which it could be
    /// judged anew where of two inspections the earlier one comes later.
    pub client: (u64, u64),
    /// The findings, as JSON.
    pub findings: Arc<str>,
}

impl Asking for Inspect {
    #[expect(
        clippy::disallowed_methods,
        reason = "a measurement at this moment, by a binary"
    )]
    fn next(&mut self, request: &mut Vec<u8>) {
        request.clear();
        let (client, clients) = self.client;
        let clamp = clamp_id(self.random.own_clamp(&self.clamps, client, clients));
        let body = format!(
            r#"{{"entry_id":"{}","performed_at":"{:.6}","kind":"frequent","findings":{}}}"#,
            uuid::Uuid::now_v7(),
            jiff::Timestamp::now(),
            self.findings
        );
        let _ = write!(
            request,
            "POST /v1/clamps/{clamp}/inspections HTTP/1.1\r\nHost: 127.0.0.1:{}\r\nAuthorization: Bearer {}\r\n\
             Content-Type: application/json\r\nContent-Length: {}\r\n\r\n{body}",
            self.port,
            self.token,
            body.len()
        );
    }
}

/// Findings of a frequent inspection under a rule set, none of them bad.
pub fn nothing_found(rules: RuleSetName) -> String {
    let scope = rule_set::current(rules).scope(InspectionKind::Frequent, None);
    let findings: Vec<_> = criteria::asked(scope, None)
        .filter(|(_, mandatory)| *mandatory)
        .map(|(criterion, _)| serde_json::json!({"criterion": criterion.code, "outcome": "accept"}))
        .collect();
    serde_json::Value::from(findings).to_string()
}
