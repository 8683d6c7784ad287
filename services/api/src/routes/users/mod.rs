//! People's accounts: roles, yards, and who may sign in.

pub mod change;
pub mod create;
pub mod list;
pub mod read;
pub mod renew_token;
pub mod view;

use crate::random::Secret;
use crate::reply::Failure;
use clampward_domain::ids::PersonId;
use clampward_domain::reference::YardScope;
use clampward_domain::words::Role;
use clampward_store::Store;
use clampward_store::people::{AccountBody, PeopleError, SetPasswordToken};
use clampward_wire::problem::{self, FieldError, Problem};
use jiff::{Timestamp, ToSpan};

/// Prefix of one-time tokens.
const SET_PASSWORD_PREFIX: &str = "cwp_";
/// Longest name.
const MAX_NAME_CHARS: usize = 120;

impl From<PeopleError> for Failure {
    fn from(error: PeopleError) -> Self {
        match error {
            PeopleError::EmailTaken => {
                Self::new(problem::EMAIL_TAKEN, "Another account uses this e-mail address.")
            }
            PeopleError::NotFound => Self::not_found("person"),
            PeopleError::Stale => Self::new(
                problem::VERSION_STALE,
                "It was changed meanwhile: read it again and repeat your change.",
            ),
            PeopleError::OwnCompetence => Self::new(
                problem::OWN_COMPETENCE,
                "Somebody else with the role safety or administrator has to do this.",
            ),
            PeopleError::AlreadyRevoked => Self::new(
                problem::ALREADY_REVOKED,
                "It was withdrawn from this or an earlier day already.",
            ),
            PeopleError::SecretsFull => Self::new(
                problem::SECRETS_FULL,
                "Two secrets are valid already: withdraw the one that is no longer used.",
            ),
            PeopleError::CodeRefused => Self::new(
                problem::ENROLMENT_CODE_INVALID,
                "The code is unknown, withdrawn, expired, or another device's: ask for a new one.",
            ),
            PeopleError::EnrolmentUsed => Self::new(
                problem::ENROLMENT_USED,
                "The code enrolled a device already: revoke that device.",
            ),
            PeopleError::KeyInUse => {
                Self::new(problem::KEY_IN_USE, "This key is in use already: make a new one.")
            }
            PeopleError::DeviceRevoked => Self::new(
                problem::DEVICE_REVOKED,
                "The device was revoked, which is for good.",
            ),
            PeopleError::AdministratorExists => {
                Self::new(problem::EMAIL_TAKEN, "There is an administrator already.")
            }
            PeopleError::Store(error) => error.into(),
        }
    }
}

/// Every fault of an account's particulars, including yards that do not exist.
pub(super) async fn check(store: &Store, body: &AccountBody) -> Result<(), Failure> {
    let mut errors = Vec::new();
    if !is_email(&body.email) {
        errors.push(FieldError::new(
            "/email",
            "invalid-email",
            "write one address, for example name@company.example",
        ));
    }
    if body.name.trim().is_empty() || body.name.chars().count() > MAX_NAME_CHARS {
        errors.push(FieldError::new(
            "/name",
            "invalid-name",
            format!("1 to {MAX_NAME_CHARS} characters"),
        ));
    }
    if body.roles.is_empty() {
        errors.push(FieldError::new(
            "/roles",
            "role-missing",
            "give at least one role",
        ));
    }
    if body.roles.contains(&Role::Device) {
        let detail = "the role device is an enrolled device's alone";
        errors.push(FieldError::new("/roles", "role-of-devices", detail));
    }
    if let YardScope::Some(yards) = &body.yards {
        let unknown = store.unknown_yards(yards).await?;
        for (index, yard) in yards
            .iter()
            .enumerate()
            .filter(|(_, yard)| unknown.contains(yard))
        {
            errors.push(FieldError::new(
                format!("/yards/{index}"),
                "unknown-yard",
                format!("there is no yard {yard}"),
            ));
        }
    }
    if errors.is_empty() {
        Ok(())
    } else {
        Err(Problem::input(errors).into())
    }
}

fn is_email(text: &str) -> bool {
    let plain = text.len() <= 254 && !text.chars().any(|c| c.is_whitespace() || c.is_control());
    let parts = text.split_once('@').is_some_and(|(name, host)| {
        !name.is_empty()
            && host.contains('.')
            && !host.contains('@')
            && !host.starts_with('.')
            && !host.ends_with('.')
    });
    plain && parts
}

/// A one-time token for a person; the only time that it is seen.
async fn hand_out_token(store: &Store, person: PersonId, hours: i64) -> Result<(String, Timestamp), Failure> {
    let secret = Secret::new(SET_PASSWORD_PREFIX)?;
    let expires_at = store.now().checked_add(hours.hours()).unwrap_or(Timestamp::MAX);
    let token = SetPasswordToken {
        digest: secret.digest(),
        expires_at,
    };
    store.issue_set_password_token(person, &token).await?;
    Ok((secret.reveal().to_owned(), expires_at))
}
