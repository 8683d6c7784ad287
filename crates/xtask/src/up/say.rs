//! The final word: what runs where, who can sign in, and what to try next.

use super::account::Account;
use crate::demo::TABLETS;
use serde_json::{Value, json};

/// Says that everything runs, for a person or, as one line of JSON, for a script.
pub fn ready(url: &str, accounts: &[Account], as_json: bool) {
    if as_json {
        println!("{}", line(url, accounts));
    } else {
        println!("{}", words(url, accounts));
    }
}

fn line(url: &str, accounts: &[Account]) -> String {
    let has_fleet = fleet(accounts).is_some();
    let accounts: Vec<_> = accounts.iter().map(Account::to_json).collect();
    json!({"url": url, "accounts": accounts, "tablets": tablets(has_fleet)}).to_string()
}

/// Whoever stands for the invented fleet; an empty start has nobody of this role.
fn fleet(accounts: &[Account]) -> Option<&Account> {
    accounts.iter().find(|account| account.role == "safety")
}

/// The tablets that wait to be enrolled.
fn tablets(has_fleet: bool) -> Vec<Value> {
    let tablets = TABLETS.iter().filter(|_| has_fleet);
    tablets
        .map(|tablet| json!({"name": tablet.name, "code": tablet.code}))
        .collect()
}

fn words(url: &str, accounts: &[Account]) -> String {
    let mut text = format!("\nClampward runs at {url}   (documentation: {url}/docs)\n\nSign-ins:\n");
    for account in accounts {
        let yards = if account.yards.is_array() {
            "one yard"
        } else {
            "all yards"
        };
        text += &format!(
            "  {:<14} {:<44} {:<36} {yards}\n",
            account.role, account.email, account.password
        );
    }
    let demo = fleet(accounts);
    if let Some(account) = demo.or(accounts.first()) {
        text += &format!(
            "\nTry next:\n  \
             TOKEN=$(curl -s {url}/v1/auth/token -H 'content-type: application/json' \\\n    \
             -d '{}' | sed 's/.*\"access_token\":\"\\([^\"]*\\)\".*/\\1/')\n  \
             curl -s {url}/v1/me -H \"authorization: Bearer $TOKEN\"\n",
            json!({"email": account.email, "password": account.password})
        );
    }
    if demo.is_some() {
        text += "\nTablets of Port Ellery, each to be enrolled once with its code:\n";
        for tablet in TABLETS {
            text += &format!("  {:<24} {}\n", tablet.name, tablet.code);
        }
        text += "\n";
        text += &format!(
            "  curl -s '{url}/v1/fitness?mark=PEL-006' -H \"authorization: Bearer $TOKEN\"\n  \
             curl -s '{url}/v1/clamps?status=tagged_out' -H \"authorization: Bearer $TOKEN\"\n\n\
             Everything shown is invented: Halvorsund Marine Works, its yards, people, makers and clamps do not exist.\n\
             The README takes a clamp through its whole life.\n"
        );
    }
    text + "\nCtrl-C stops all of it; the next start finds its data."
}

#[cfg(test)]
mod tests {
    //! Both ways of saying it.

    use super::*;

    fn account() -> Account {
        Account {
            role: "safety".to_owned(),
            email: "a@b.example".to_owned(),
            password: "word".to_owned(),
            yards: json!(["y1"]),
        }
    }

    #[test]
    fn a_script_gets_one_line_with_url_and_accounts() {
        let told: Value = serde_json::from_str(&line("http://127.0.0.1:1", &[account()])).unwrap();
        assert_eq!(told["url"], "http://127.0.0.1:1");
        assert_eq!(
            told["accounts"],
            json!([{"role": "safety", "email": "a@b.example", "password": "word", "yards": ["y1"]}])
        );
        assert_eq!(told["tablets"][1]["code"], TABLETS[1].code);
        let alone = Account {
            role: "administrator".to_owned(),
            ..account()
        };
        let told: Value = serde_json::from_str(&line("http://127.0.0.1:1", &[alone])).unwrap();
        assert_eq!(told["tablets"], json!([]));
    }

    #[test]
    fn a_person_gets_sign_ins_and_a_call_that_signs_in() {
        let text = words("http://127.0.0.1:1", &[account()]);
        assert!(text.contains("a@b.example"), "{text}");
        assert!(
            text.contains(r#"-d '{"email":"a@b.example","password":"word"}'"#),
            "{text}"
        );
    }
}
