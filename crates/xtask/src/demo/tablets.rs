//! The invented tablets of Port Ellery: two that wait to be enrolled, by codes that are public on purpose like the passwords,
//! and two at work, which have been without a network and wrote about the same clamp.

use super::cast::person;
use super::ids;
use super::load::DemoError;
use super::yards::YardKey;
use clampward_domain::canonical::sha256;
use clampward_store::Store;
use clampward_store::people::{AccountKey, NewEnrolment};
use jiff::{Timestamp, ToSpan};

/// A tablet and what enrols it.
#[derive(Clone, Copy, Debug)]
pub struct Tablet {
    /// Its invented name.
    pub name: &'static str,
    /// The code that enrols it, once.
    pub code: &'static str,
}

/// Those that wait to be enrolled.
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

/// A tablet that is at work, and whoever signed in on it.
#[derive(Clone, Copy, Debug)]
pub struct AtWork {
    /// The tablet.
    pub tablet: Tablet,
    /// Name of its folder.
    pub folder: &'static str,
    /// Keys of its people.
    pub people: &'static [&'static str],
}

/// The one in the hull: somebody rejects the clamp before a lift.
pub const IN_THE_HULL: AtWork = AtWork {
    tablet: Tablet {
        name: "Tablet 3, hull 12",
        code: "DEM03-TAB1E-THREE-P0RTE-11ERY",
    },
    folder: "tablet-3",
    people: &["operator-port-ellery"],
};

/// The one at the berth: the clamp was taken apart after its fall, and is returned to service.
pub const AT_THE_BERTH: AtWork = AtWork {
    tablet: Tablet {
        name: "Tablet 4, berth 2",
        code: "DEM04-TAB1E-F0VR0-P0RTE-11ERY",
    },
    folder: "tablet-4",
    people: &["inspector-port-ellery", "lead-port-ellery"],
};

/// The short code of everybody at work on a tablet.
pub const SHORT_CODE: &str = "480216";

/// The clamp that both of them write about. It fell from its rack and is tagged out.
pub const CLAMP_OF_BOTH: &str = "PEL-010";

/// Their yard.
pub const TABLETS_YARD: YardKey = YardKey::PortEllery;

/// How long the codes are good: longer than a real one, so that a data folder may lie for a while.
const DAYS: i64 = 30;

/// Makes their enrolments.
pub(super) async fn prepare(store: &Store, today: Timestamp) -> Result<(), DemoError> {
    let at_work = [&IN_THE_HULL.tablet, &AT_THE_BERTH.tablet];
    for tablet in TABLETS.iter().chain(at_work) {
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
