//! The final word: what runs where, who can sign in, and what to try next.

use super::account::Account;
use crate::demo::{AT_THE_BERTH, AtWork, CAST, IN_THE_HULL, Member, SHORT_CODE, TABLETS};
use serde_json::{Value, json};
use std::path::PathBuf;

/// Everything that runs.
pub struct Ready {
    /// The service's address.
    pub url: String,
    /// Where the mails of the worker are read.
    pub mails: String,
    /// Who can sign in.
    pub accounts: Vec<Account>,
    /// The folder of the tablets at work, where there are some.
    pub tablets: Option<PathBuf>,
    /// What lets them meet.
    pub conflict: String,
    /// The field client.
    pub field: PathBuf,
}

impl Ready {
    /// Says it, for a person or, as one line of JSON, for a script.
    pub fn say(&self, as_json: bool) {
        if as_json {
            println!("{}", self.line());
        } else {
            println!("{}", self.words());
        }
    }

    fn line(&self) -> String {
        let has_fleet = fleet(&self.accounts).is_some();
        let accounts: Vec<_> = self.accounts.iter().map(Account::to_json).collect();
        let at_work: Vec<_> = self
            .at_work()
            .map(|(at_work, folder)| {
                let people: Vec<_> = people(at_work).map(Member::email).collect();
                json!({"name": at_work.tablet.name, "dir": folder, "people": people, "short_code": SHORT_CODE})
            })
            .collect();
        json!({
            "url": self.url,
            "mails": self.mails,
            "accounts": accounts,
            "tablets": tablets(has_fleet),
            "at_work": at_work,
            "field": self.field,
        })
        .to_string()
    }

    fn at_work(&self) -> impl Iterator<Item = (&'static AtWork, PathBuf)> {
        let folder = self.tablets.iter();
        folder.flat_map(|folder| {
            [&IN_THE_HULL, &AT_THE_BERTH].map(|at_work| (at_work, folder.join(at_work.folder)))
        })
    }

    fn words(&self) -> String {
        let Self {
            url, mails, accounts, ..
        } = self;
        let mut text = format!(
            "\nClampward runs at {url}   (documentation: {url}/docs)\n\
             What people are told comes as mails, which stay on this machine: {mails}\n\nSign-ins:\n"
        );
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
            text += &format!(
                "  curl -s '{url}/v1/fitness?mark=PEL-006' -H \"authorization: Bearer $TOKEN\"\n  \
                 curl -s '{url}/v1/clamps?status=tagged_out' -H \"authorization: Bearer $TOKEN\"\n"
            );
            text += &self.tablet_words();
            text += "\nEverything shown is invented: Halvorsund Marine Works, its yards, people, makers and clamps do not exist.\n\
                     The README takes a clamp through its whole life, and a tablet through its shift.\n";
        }
        text + "\nCtrl-C stops all of it; the next start finds its data."
    }

    /// The tablets of the invented fleet.
    fn tablet_words(&self) -> String {
        let mut text = String::new();
        let mut at_work = self.at_work().peekable();
        if at_work.peek().is_some() {
            text +=
                "\nTwo tablets of Port Ellery have been without a network, and wrote about the same clamp:\n";
            for (at_work, folder) in at_work {
                let people: Vec<_> = people(at_work).map(|member| member.name).collect();
                text += &format!(
                    "  {:<24} {} ({})\n",
                    at_work.tablet.name,
                    folder.display(),
                    people.join(", ")
                );
            }
            text += &format!(
                "  They sign there with the short code {SHORT_CODE}. Let both synchronise, and see what holds:\n"
            );
            text += &format!("    {}\n", self.conflict);
        }
        text += "\nTablets that wait to be enrolled, each once with its code:\n";
        for tablet in TABLETS {
            text += &format!("  {:<24} {}\n", tablet.name, tablet.code);
        }
        if let Some(tablet) = TABLETS.first() {
            text += &format!(
                "    {} --dir my-tablet enrol {} {}\n",
                self.field.display(),
                self.url,
                tablet.code
            );
        }
        text
    }
}

/// Who signed in on a tablet at work.
fn people(at_work: &AtWork) -> impl Iterator<Item = &'static Member> {
    let keys = at_work.people.iter();
    keys.filter_map(|key| CAST.iter().find(|member| member.key == *key))
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

    fn ready(account: Account, tablets: Option<&str>) -> Ready {
        Ready {
            url: "http://127.0.0.1:1".to_owned(),
            mails: "http://127.0.0.1:2".to_owned(),
            accounts: vec![account],
            tablets: tablets.map(PathBuf::from),
            conflict: "cargo xtask conflict --data-dir /d".to_owned(),
            field: PathBuf::from("/t/debug/clampward-field"),
        }
    }

    fn administrator() -> Account {
        Account {
            role: "administrator".to_owned(),
            ..account()
        }
    }

    #[test]
    fn a_script_gets_one_line_with_url_accounts_and_tablets() {
        let told: Value = serde_json::from_str(&ready(account(), Some("/d/tablets")).line()).unwrap();
        assert_eq!(told["url"], "http://127.0.0.1:1");
        assert_eq!(
            told["accounts"],
            json!([{"role": "safety", "email": "a@b.example", "password": "word", "yards": ["y1"]}])
        );
        assert_eq!(told["tablets"][1]["code"], TABLETS[1].code);
        assert_eq!(told["at_work"][0]["dir"], "/d/tablets/tablet-3");
        assert_eq!(
            told["at_work"][1]["people"][1],
            "lead-port-ellery@halvorsund.example"
        );
        assert_eq!(told["field"], "/t/debug/clampward-field");
    }

    #[test]
    fn an_empty_start_has_no_tablets() {
        let empty = ready(administrator(), None);
        let told: Value = serde_json::from_str(&empty.line()).unwrap();
        assert_eq!((&told["tablets"], &told["at_work"]), (&json!([]), &json!([])));
        let text = empty.words();
        assert!(!text.contains("ablet") && !text.contains("conflict"), "{text}");
    }

    #[test]
    fn a_person_gets_sign_ins_and_a_call_that_signs_in() {
        let text = ready(account(), None).words();
        assert!(text.contains("a@b.example"), "{text}");
        assert!(
            text.contains(r#"-d '{"email":"a@b.example","password":"word"}'"#),
            "{text}"
        );
    }

    #[test]
    fn a_person_is_told_where_the_tablets_are_and_what_to_type() {
        let text = ready(account(), Some("/d/tablets")).words();
        for part in [
            "/d/tablets/tablet-4 (Ivo Sand, Mara Quist)",
            "    cargo xtask conflict --data-dir /d\n",
            "/t/debug/clampward-field --dir my-tablet enrol http://127.0.0.1:1 DEM01-",
        ] {
            assert!(text.contains(part), "{part}: {text}");
        }
        // Data of an earlier version has none at work.
        let text = ready(account(), None).words();
        assert!(text.contains("DEM01-") && !text.contains("conflict"), "{text}");
    }
}
