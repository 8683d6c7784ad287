//! Who may do what: one table from permission to roles.
//!
//! Handlers take `Authorized<P>` and reach the store through nothing else; the published contract names the same
//! permission as `x-permission`. Which *yards* a person's roles hold for is read with them and checked where the yard
//! is known. What a person's word counts for (competences) is no permission and is judged in the domain. Who writes which
//! kind of entry is the domain's too: entries from devices are judged by the same roles.

use clampward_domain::signing::roles_of;
use clampward_domain::words::{EntryKind, Role};

/// A permission as a type.
pub trait Permission: 'static {
    /// Its name in answers and in the contract.
    const NAME: &'static str;
    /// The roles that hold it.
    const ROLES: &'static [Role];
}

/// One row of the table.
#[derive(Clone, Copy, Debug)]
pub struct Row {
    /// Name.
    pub name: &'static str,
    /// Roles that hold it.
    pub roles: &'static [Role],
    /// What it allows.
    pub allows: &'static str,
}

macro_rules! permissions {
    ($($name:ident = $code:literal, $allows:literal, $roles:expr;)+) => {
        $(#[doc = $allows]
        #[derive(Clone, Copy, Debug)]
        pub struct $name;
        impl Permission for $name {
            const NAME: &'static str = $code;
            const ROLES: &'static [Role] = $roles;
        })+

        /// The whole table.
        pub const TABLE: &[Row] = &[$(Row { name: $code, roles: $roles, allows: $allows }),+];
    };
}

/// Everybody but devices, which synchronise instead.
const EVERYBODY: &[Role] = &[
    Role::Operator,
    Role::StoreKeeper,
    Role::Inspector,
    Role::Technician,
    Role::YardLead,
    Role::Safety,
    Role::Auditor,
    Role::Integration,
    Role::Administrator,
];
/// Everybody who may write anything at all: an auditor reads and never writes.
const HANDS: &[Role] = roles_of(EntryKind::TaggedOut);
/// Everybody who records, and devices, whose people record on them.
const SENDERS: &[Role] = &[
    Role::Operator,
    Role::StoreKeeper,
    Role::Inspector,
    Role::Technician,
    Role::YardLead,
    Role::Safety,
    Role::Integration,
    Role::Administrator,
    Role::Device,
];
/// Everybody who may write anything at all, without programs.
const PEOPLES_HANDS: &[Role] = &[
    Role::Operator,
    Role::StoreKeeper,
    Role::Inspector,
    Role::Technician,
    Role::YardLead,
    Role::Safety,
    Role::Administrator,
];

/// Every person: a program is told of nothing.
const PEOPLE: &[Role] = &[
    Role::Operator,
    Role::StoreKeeper,
    Role::Inspector,
    Role::Technician,
    Role::YardLead,
    Role::Safety,
    Role::Auditor,
    Role::Administrator,
];

permissions! {
    ReadSelf = "read_self", "See who one is signed in as.", Role::ALL;
    ReadReference = "read_reference", "See yards, models, rule sets and criteria.", Role::ALL;
    KeepYards = "keep_yards", "Record yards and new versions of them.", &[Role::Safety, Role::Administrator];
    KeepModels = "keep_models", "Record models and new versions of them.", &[Role::Safety, Role::Administrator];
    ReadPeople = "read_people", "See people, their roles and competences.",
        &[Role::YardLead, Role::Safety, Role::Auditor, Role::Administrator];
    KeepPeople = "keep_people", "Record people, their roles and yards.", &[Role::Administrator];
    RecordCompetences = "record_competences", "Record and withdraw competences of other people.",
        &[Role::Safety, Role::Administrator];
    ReadDevices = "read_devices", "See devices, what they last sent, and the keys by which people sign on them.",
        &[Role::YardLead, Role::Safety, Role::Auditor, Role::Administrator];
    KeepDevices = "keep_devices", "Enrol, change and revoke devices of one's yards.",
        &[Role::YardLead, Role::Safety, Role::Administrator];
    SignOnDevices = "sign_on_devices", "Have a key of one's own by which one signs on a device.", PEOPLES_HANDS;
    Sync = "sync", "Push entries from a device.", &[Role::Device];
    BringFiles = "bring_files", "Bring in entries that a device of one's yards wrote into a file.", PEOPLES_HANDS;
    KeepHeldEntries = "keep_held_entries", "See, place and dismiss entries that are held.",
        &[Role::YardLead, Role::Safety];
    ReadNotices = "read_notices", "See what one was told.", PEOPLE;
    ReadTeamNotices = "read_team_notices", "See what anybody was told of one's yards.",
        &[Role::YardLead, Role::Safety, Role::Auditor, Role::Administrator];
    AcknowledgeNotices = "acknowledge_notices", "Say that one sees to what one was told.", PEOPLES_HANDS;
    ReadBulletins = "read_bulletins", "See safety bulletins and how far they have come.", EVERYBODY;
    KeepBulletins = "keep_bulletins", "Open and close safety bulletins.", &[Role::Safety];
    AccountForBulletins = "account_for_bulletins", "Say that a clamp which a bulletin holds was not found.",
        &[Role::YardLead, Role::Safety];
    ReadWebhooks = "read_webhooks", "See which programs are told of events, and what became of it.",
        &[Role::Safety, Role::Auditor, Role::Administrator];
    KeepWebhooks = "keep_webhooks", "Have programs told of events, and hand out what these are signed with.",
        &[Role::Administrator];
    ReadClamps = "read_clamps", "See clamps, their history, fitness and wear.", EVERYBODY;
    RegisterClamps = "register_clamps", "Register clamps.", roles_of(EntryKind::Registered);
    RecordInspections = "record_inspections", "Record inspections.", roles_of(EntryKind::Inspected);
    TagOut = "tag_out", "Tag clamps out.", HANDS;
    RecordRepairs = "record_repairs", "Record repairs.", roles_of(EntryKind::Repaired);
    RecordProofTests = "record_proof_tests", "Record proof tests.", roles_of(EntryKind::ProofTested);
    ReturnToService = "return_to_service", "Return clamps to service, and confirm another's return.",
        roles_of(EntryKind::ReturnedToService);
    TransferClamps = "transfer_clamps", "Transfer clamps between yards.", roles_of(EntryKind::Transferred);
    ClassifyClamps = "classify_clamps", "Set a clamp's service class.", roles_of(EntryKind::Classified);
    HandOut = "hand_out", "Issue clamps from the tool crib and receive them back.", roles_of(EntryKind::Issued);
    RecordUse = "record_use", "Record lifts made with a clamp.", roles_of(EntryKind::Used);
    AmendClamps = "amend_clamps", "Correct what was recorded of a clamp.", roles_of(EntryKind::Amended);
    RetireClamps = "retire_clamps", "Retire clamps.", roles_of(EntryKind::Retired);
    Pull = "pull", "Pull what is recorded in one's yards, and take snapshots.", &[Role::Device, Role::Integration];
    ReadEvents = "read_events", "Read the whole ledger, with all yards.",
        &[Role::Safety, Role::Auditor, Role::Integration, Role::Administrator];
    ReadReports = "read_reports", "See counts over the fleet.",
        &[Role::YardLead, Role::Safety, Role::Auditor, Role::Integration, Role::Administrator];
    UploadPhotos = "upload_photos", "Send photos that entries cite.", SENDERS;
    ReadPhotoOriginals = "read_photo_originals", "See photos as they were taken, with position and time.",
        &[Role::YardLead, Role::Safety, Role::Auditor];
    CheckLifts = "check_lifts", "Ask whether a lift may be made.", HANDS;
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_auditor_reads_and_never_writes() {
        for row in TABLE {
            let reads = row.name.starts_with("read_");
            assert!(reads || !row.roles.contains(&Role::Auditor), "{}", row.name);
        }
    }

    #[test]
    fn a_device_synchronises_and_reads_what_it_needs_for_that() {
        let of_devices: Vec<&str> = TABLE
            .iter()
            .filter(|row| row.roles.contains(&Role::Device))
            .map(|row| row.name)
            .collect();
        assert_eq!(
            of_devices,
            ["read_self", "read_reference", "sync", "pull", "upload_photos"]
        );
        assert_eq!(<Sync as Permission>::ROLES, &[Role::Device]);
    }

    #[test]
    fn every_permission_stands_once_and_somebody_holds_it() {
        for (index, row) in TABLE.iter().enumerate() {
            assert!(!row.roles.is_empty(), "{}", row.name);
            assert!(
                TABLE.iter().skip(index + 1).all(|other| other.name != row.name),
                "{}",
                row.name
            );
        }
    }
}
