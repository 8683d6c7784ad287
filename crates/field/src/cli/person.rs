//! Who is working, and the key that they sign with.

use super::Desk;
use crate::failure::{Done, Failure};
use crate::keys::{self, KeyProblem, OpenKey, Signer};

/// Whether an entry may be written without its author's signature.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Signing {
    /// It restricts all the same, or is a fact that counts for what it is worth.
    Preferred,
    /// Without the person it is not written.
    Required,
}

/// The person and, if their code opens it, their key.
pub(super) struct Author {
    pub(super) person: Signer,
    pub(super) key: Option<OpenKey>,
    /// Why there is no key.
    pub(super) unsigned: Option<String>,
}

/// Asks who is working and for their code.
pub(super) fn author(desk: &mut Desk<'_>, signing: Signing) -> Done<Author> {
    let person = keys::signer(desk.database.connection(), desk.who.as_deref())?;
    match open(desk, &person) {
        Ok(key) => Ok(Author {
            person,
            key: Some(key),
            unsigned: None,
        }),
        // Also without the device's secret: a tag-out is kept, and goes into an export.
        Err(Failure::Key(problem)) if signing == Signing::Preferred => {
            let unsigned = Some(format!(
                "not signed ({problem}): it restricts, but is not credited and releases nothing"
            ));
            Ok(Author {
                person,
                key: None,
                unsigned,
            })
        }
        Err(other) => Err(other),
    }
}

fn open(desk: &mut Desk<'_>, person: &Signer) -> Done<OpenKey> {
    let moment = desk.host.clock.moment();
    let now = crate::device::now(desk.database.connection(), &moment)?.at();
    if person.expires_at <= now {
        return Err(KeyProblem::SignInAgain.into());
    }
    let code = match desk.short_code.clone() {
        Some(code) => code,
        None if desk.interactive() => desk.prompt_hidden(&format!(
            "Short code of {} (empty: without a signature):",
            person.name
        ))?,
        None => String::new(),
    };
    if code.is_empty() {
        return Err(KeyProblem::WeakCode.into());
    }
    let device = desk.identity()?.device_id;
    let secret = desk.secret()?;
    keys::open(
        &mut desk.database,
        &secret,
        device,
        person.person_id,
        &code,
        &moment,
    )
}
