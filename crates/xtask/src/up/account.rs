//! A sign-in to try the service with.

use serde_json::{Value, json};

/// Who can sign in, and for which yards.
#[derive(Clone, Debug, PartialEq)]
pub struct Account {
    /// The role, by its code.
    pub role: String,
    /// E-mail address.
    pub email: String,
    /// Password.
    pub password: String,
    /// `"all"` or a list of yard ids.
    pub yards: Value,
}

impl Account {
    /// As it is kept and printed.
    pub fn to_json(&self) -> Value {
        json!({"role": self.role, "email": self.email, "password": self.password, "yards": self.yards})
    }

    /// The reverse of [`Self::to_json`].
    pub fn from_json(value: &Value) -> Option<Self> {
        let part = |name: &str| value.get(name)?.as_str().map(str::to_owned);
        Some(Self {
            role: part("role")?,
            email: part("email")?,
            password: part("password")?,
            yards: value.get("yards")?.clone(),
        })
    }
}
