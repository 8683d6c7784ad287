//! The invented tablets of Port Ellery: codes by which two of them enrol, public on purpose like the passwords.

use super::cast::person;
use super::ids;
use super::load::DemoError;
use super::yards::YardKey;
use clampward_domain::canonical::sha256;
use clampward_store::Store;
use clampward_store::people::{AccountKey, NewEnrolment};
use jiff::{Timestamp, ToSpan};

/// A tablet that is still to be enrolled.
#[derive(Clone, Copy, Debug)]
pub struct Tablet {
    /// Its invented name.
    pub name: &'static str,
    /// The code that enrols it, once.
    pub code: &'static str,
}

/// Both of them.
pub const TABLETS: &[Tablet] = &[
    Tablet {
        name: "Tablet 1, plate store",
        code: "DEM01-TAB1E-T0NE0-P0RTE-11ERY",
    },
    Tablet {
        name: "Tablet 2, berth 4",
        code: "DEM02-TAB1E-TTW00-P0RTE-11ERY",
    },
];

/// Their yard.
pub const TABLETS_YARD: YardKey = YardKey::PortEllery;

/// How long the codes are good: longer than a real one, so that a data folder may lie for a while.
const DAYS: i64 = 30;

/// Makes their enrolments.
pub(super) async fn prepare(store: &Store, today: Timestamp) -> Result<(), DemoError> {
    for tablet in TABLETS {
        let plain = tablet.code.replace('-', "");
        let enrolment = NewEnrolment {
            id: ids::named(&format!("enrolment {}", tablet.name)),
            digest: sha256(&[plain.as_bytes()]).to_vec(),
            // The first group names the code.
            attempts: AccountKey::of_enrolment(tablet.code.split('-').next().unwrap_or_default()),
            name: tablet.name.to_owned(),
            yards: vec![TABLETS_YARD.id()],
            expires_at: today.checked_add((DAYS * 24).hours()).unwrap_or(Timestamp::MAX),
        };
        store
            .create_enrolment(person("lead-port-ellery"), &enrolment)
            .await?;
    }
    Ok(())
}
