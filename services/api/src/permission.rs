//! Who may do what: one table from permission to roles.
//!
//! Handlers take `Authorized<P>` and reach the store through nothing else; the published contract names the same
//! permission as `x-permission`. Which *yards* a person's roles hold for is read with them and checked where the yard
//! is known. What a person's word counts for (competences) is no permission and is judged in the domain.

use clampward_domain::words::Role;

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

const EVERYBODY: &[Role] = Role::ALL;
/// Everybody who may write anything at all: an auditor reads and never writes.
const HANDS: &[Role] = &[
    Role::Operator,
    Role::StoreKeeper,
    Role::Inspector,
    Role::Technician,
    Role::YardLead,
    Role::Safety,
    Role::Integration,
    Role::Administrator,
];

permissions! {
    ReadSelf = "read_self", "See who one is signed in as.", EVERYBODY;
    ReadReference = "read_reference", "See yards, models, rule sets and criteria.", EVERYBODY;
    KeepYards = "keep_yards", "Record yards and new versions of them.", &[Role::Safety, Role::Administrator];
    KeepModels = "keep_models", "Record models and new versions of them.", &[Role::Safety, Role::Administrator];
    ReadPeople = "read_people", "See people, their roles and competences.",
        &[Role::YardLead, Role::Safety, Role::Auditor, Role::Administrator];
    KeepPeople = "keep_people", "Record people, their roles and yards.", &[Role::Administrator];
    RecordCompetences = "record_competences", "Record and withdraw competences of other people.",
        &[Role::Safety, Role::Administrator];
    ReadClamps = "read_clamps", "See clamps, their history, fitness and wear.", EVERYBODY;
    RegisterClamps = "register_clamps", "Register clamps.", &[Role::YardLead, Role::Safety, Role::Integration];
    RecordInspections = "record_inspections", "Record inspections.",
        &[Role::Operator, Role::Inspector, Role::Technician, Role::YardLead, Role::Safety];
    TagOut = "tag_out", "Tag clamps out.", HANDS;
    RecordRepairs = "record_repairs", "Record repairs.", &[Role::Technician];
    RecordProofTests = "record_proof_tests", "Record proof tests.", &[Role::Inspector, Role::Technician];
    ReturnToService = "return_to_service", "Return clamps to service, and confirm another's return.",
        &[Role::YardLead, Role::Safety];
    TransferClamps = "transfer_clamps", "Transfer clamps between yards.",
        &[Role::StoreKeeper, Role::YardLead, Role::Safety];
    ClassifyClamps = "classify_clamps", "Set a clamp's service class.",
        &[Role::Inspector, Role::YardLead, Role::Safety];
    HandOut = "hand_out", "Issue clamps from the tool crib and receive them back.",
        &[Role::StoreKeeper, Role::YardLead];
    RecordUse = "record_use", "Record lifts made with a clamp.",
        &[Role::Operator, Role::StoreKeeper, Role::YardLead, Role::Integration];
    AmendClamps = "amend_clamps", "Correct what was recorded of a clamp.",
        &[Role::Inspector, Role::Technician, Role::YardLead, Role::Safety];
    RetireClamps = "retire_clamps", "Retire clamps.", &[Role::YardLead, Role::Safety];
    ReadReports = "read_reports", "See counts over the fleet.",
        &[Role::YardLead, Role::Safety, Role::Auditor, Role::Integration, Role::Administrator];
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
