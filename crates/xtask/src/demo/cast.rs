//! The invented people, each with a role, yards and competences.

use super::ids;
use super::yards::YardKey;
use clampward_domain::ids::PersonId;
use clampward_domain::words::{CompetenceKind, Role};

/// Somebody of the demo.
pub struct Member {
    /// Short name; also the first part of the e-mail address.
    pub key: &'static str,
    /// Invented name.
    pub name: &'static str,
    /// Roles.
    pub roles: &'static [Role],
    /// Yard; all if none.
    pub yard: Option<YardKey>,
    /// Competences; `Some(days)`: lapsed that many days before today.
    pub competences: &'static [(CompetenceKind, Option<i64>)],
}

use CompetenceKind::{DesignatedPerson, QualifiedPerson, RepairTechnician};
use YardKey::{CalderReach, FirthHaven, PortEllery};

/// Everybody.
pub const CAST: &[Member] = &[
    Member {
        key: "administrator",
        name: "Ada Holm",
        roles: &[Role::Administrator],
        yard: None,
        competences: &[],
    },
    Member {
        key: "safety",
        name: "Signe Varga",
        roles: &[Role::Safety],
        yard: None,
        competences: &[(QualifiedPerson, None)],
    },
    Member {
        key: "safety-second",
        name: "Tomas Reke",
        roles: &[Role::Safety],
        yard: None,
        competences: &[(QualifiedPerson, None)],
    },
    Member {
        key: "auditor",
        name: "Petra Lund",
        roles: &[Role::Auditor],
        yard: None,
        competences: &[],
    },
    Member {
        key: "erp",
        name: "ERP of Halvorsund Marine Works",
        roles: &[Role::Integration],
        yard: None,
        competences: &[],
    },
    Member {
        key: "lead-port-ellery",
        name: "Mara Quist",
        roles: &[Role::YardLead],
        yard: Some(PortEllery),
        competences: &[(QualifiedPerson, None)],
    },
    Member {
        key: "lead-calder-reach",
        name: "Jonas Arden",
        roles: &[Role::YardLead],
        yard: Some(CalderReach),
        competences: &[(QualifiedPerson, None)],
    },
    Member {
        key: "lead-firth-haven",
        name: "Elin Marr",
        roles: &[Role::YardLead],
        yard: Some(FirthHaven),
        competences: &[(QualifiedPerson, None)],
    },
    Member {
        key: "inspector-port-ellery",
        name: "Ivo Sand",
        roles: &[Role::Inspector],
        yard: Some(PortEllery),
        competences: &[(DesignatedPerson, None), (QualifiedPerson, None)],
    },
    Member {
        key: "inspector-calder-reach",
        name: "Runa Beck",
        roles: &[Role::Inspector],
        yard: Some(CalderReach),
        competences: &[(DesignatedPerson, None), (QualifiedPerson, None)],
    },
    Member {
        key: "inspector-firth-haven",
        name: "Kit Farrow",
        roles: &[Role::Inspector],
        yard: Some(FirthHaven),
        competences: &[(DesignatedPerson, None), (QualifiedPerson, None)],
    },
    Member {
        key: "inspector-lapsed",
        name: "Bo Tamm",
        roles: &[Role::Inspector],
        yard: Some(PortEllery),
        competences: &[(DesignatedPerson, Some(40)), (QualifiedPerson, Some(40))],
    },
    Member {
        key: "technician-port-ellery",
        name: "Olle Grau",
        roles: &[Role::Technician],
        yard: Some(PortEllery),
        competences: &[(RepairTechnician, None), (QualifiedPerson, None)],
    },
    Member {
        key: "technician-calder-reach",
        name: "Noor Hale",
        roles: &[Role::Technician],
        yard: Some(CalderReach),
        competences: &[(RepairTechnician, None)],
    },
    Member {
        key: "technician-firth-haven",
        name: "Vera Dunn",
        roles: &[Role::Technician],
        yard: Some(FirthHaven),
        competences: &[(RepairTechnician, None)],
    },
    Member {
        key: "stores-port-ellery",
        name: "Pim Rask",
        roles: &[Role::StoreKeeper],
        yard: Some(PortEllery),
        competences: &[],
    },
    Member {
        key: "operator-port-ellery",
        name: "Leo Stang",
        roles: &[Role::Operator],
        yard: Some(PortEllery),
        competences: &[],
    },
    Member {
        key: "operator-calder-reach",
        name: "Ines Moor",
        roles: &[Role::Operator],
        yard: Some(CalderReach),
        competences: &[],
    },
    Member {
        key: "operator-firth-haven",
        name: "Finn Airey",
        roles: &[Role::Operator],
        yard: Some(FirthHaven),
        competences: &[],
    },
];

/// Domain of the demo's e-mail addresses, which reaches nobody (RFC 2606).
const MAIL_DOMAIN: &str = "halvorsund.example";

impl Member {
    /// Their id.
    pub fn id(&self) -> PersonId {
        person(self.key)
    }
    /// Their e-mail address.
    pub fn email(&self) -> String {
        format!("{}@{MAIL_DOMAIN}", self.key)
    }
    /// Their password: printed on purpose, and only ever set by the demo.
    pub fn password(&self) -> String {
        format!("demo only: {}", self.key)
    }
}

/// The id of somebody by their key.
pub fn person(key: &str) -> PersonId {
    PersonId::new(ids::named(&format!("person {key}")))
}
