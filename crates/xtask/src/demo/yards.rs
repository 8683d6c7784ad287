//! The three invented yards.

use super::ids;
use clampward_domain::calendar::{Interval, Zone};
use clampward_domain::ids::YardId;
use clampward_domain::reference::{Intervals, Yard};
use clampward_domain::words::{AbnormalCondition, ProofTestPolicy, RuleSetName, ServiceClass};
use std::collections::BTreeMap;

/// A yard of the demo.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum YardKey {
    /// United States, east coast.
    PortEllery,
    /// United States, west coast.
    CalderReach,
    /// Great Britain.
    FirthHaven,
}

impl YardKey {
    /// All three.
    pub const ALL: [Self; 3] = [Self::PortEllery, Self::CalderReach, Self::FirthHaven];

    /// Its code.
    pub const fn code(self) -> &'static str {
        match self {
            Self::PortEllery => "PEL",
            Self::CalderReach => "CAL",
            Self::FirthHaven => "FIR",
        }
    }
    /// Its id.
    pub fn id(self) -> YardId {
        YardId::new(ids::named(&format!("yard {}", self.code())))
    }
    /// The end of the keys of its people.
    pub const fn people(self) -> &'static str {
        match self {
            Self::PortEllery => "port-ellery",
            Self::CalderReach => "calder-reach",
            Self::FirthHaven => "firth-haven",
        }
    }
    /// Its rule set.
    pub const fn rule_set(self) -> RuleSetName {
        match self {
            Self::PortEllery | Self::CalderReach => RuleSetName::UsB3020,
            Self::FirthHaven => RuleSetName::GbLoler,
        }
    }
    /// What it is.
    pub fn yard(self) -> Yard {
        let (name, zone, proof_test_policy) = match self {
            Self::PortEllery => (
                "Port Ellery (invented)",
                "America/New_York",
                ProofTestPolicy::OnLoadBearingParts,
            ),
            Self::CalderReach => (
                "Calder Reach (invented)",
                "America/Los_Angeles",
                ProofTestPolicy::NotRequired,
            ),
            Self::FirthHaven => (
                "Firth Haven (invented)",
                "Europe/London",
                ProofTestPolicy::NotRequired,
            ),
        };
        let frequent = BTreeMap::from([
            (ServiceClass::Normal, Interval::Months(1)),
            (ServiceClass::Heavy, Interval::Months(1)),
            (ServiceClass::Severe, Interval::Days(7)),
        ]);
        Yard {
            code: self.code().to_owned(),
            name: name.to_owned(),
            time_zone: Zone::named(zone).unwrap_or_else(Zone::utc),
            rule_set: self.rule_set(),
            intervals: Intervals {
                frequent,
                periodic: BTreeMap::new(),
            },
            proof_test_policy,
            independent_reinspection: true,
            knowledge_limit: Interval::Hours(8),
            records_use: self == Self::PortEllery,
            keep_photo_originals: self == Self::PortEllery,
            notices: clampward_domain::notice::NoticePolicy::default(),
            abnormal_conditions: if self == Self::CalderReach {
                vec![AbnormalCondition::Corrosion]
            } else {
                Vec::new()
            },
        }
    }
}
