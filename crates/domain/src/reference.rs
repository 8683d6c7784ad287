//! Reference data as the domain sees them: yards, models, people, each with its dated versions.
//!
//! Versions are never overwritten. A version of a yard or model starts on a civil day; competences and grants act
//! at once. [`Reference`] is a snapshot at one reference version; the store hydrates it, the domain only reads.

mod check;

pub use check::{check_model, check_rule_set_change, check_yard, needs_qualified_person};

use crate::bulletin::Opened;
use crate::calendar::{Interval, Zone};
use crate::ids::{BulletinId, CompetenceId, ModelId, PersonId, YardId};
use crate::notice::NoticePolicy;
use crate::quantity::{Length, Mass, Range, Temperature};
use crate::words::{
    AbnormalCondition, ClampKind, CompetenceKind, EyeKind, LiftKind, LockKind, ProofTestPolicy, Role,
    RuleSetName, ServiceClass,
};
use jiff::Timestamp;
use jiff::civil::Date;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::sync::Arc;

/// Intervals that a yard or model sets, per service class. Only tighter ones than the rule set's count.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct Intervals {
    /// Frequent inspection (GB: interim inspection).
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub frequent: BTreeMap<ServiceClass, Interval>,
    /// Periodic inspection (GB: company rule beside the thorough examination's legal date).
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub periodic: BTreeMap<ServiceClass, Interval>,
}

/// What a yard is, in one version.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct Yard {
    /// Short code, unique.
    pub code: String,
    /// Name.
    pub name: String,
    /// Its IANA zone: due dates are civil dates there.
    pub time_zone: Zone,
    /// Its rule set, after its country.
    pub rule_set: RuleSetName,
    /// Tighter intervals.
    #[serde(default)]
    pub intervals: Intervals,
    /// When a proof test is demanded after a repair.
    #[serde(default = "proof_test_default")]
    pub proof_test_policy: ProofTestPolicy,
    /// Whether the re-inspection must be by another person than the repairer (only ever `false` in writing).
    #[serde(default = "yes")]
    pub independent_reinspection: bool,
    /// How old knowledge may be before an offline answer turns to "no".
    #[serde(default = "knowledge_default")]
    pub knowledge_limit: Interval,
    /// Whether the yard records use, so that the idle rule applies.
    #[serde(default)]
    pub records_use: bool,
    /// Abnormal conditions that prevail.
    #[serde(default)]
    pub abnormal_conditions: Vec<AbnormalCondition>,
    /// Whether photos are kept as they were taken, with the position and time in them, beside the copy for viewing.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub keep_photo_originals: bool,
    /// When whoever answers for it is told of what.
    #[serde(default, skip_serializing_if = "NoticePolicy::is_usual")]
    pub notices: NoticePolicy,
}

fn proof_test_default() -> ProofTestPolicy {
    ProofTestPolicy::NotRequired
}
fn yes() -> bool {
    true
}
fn knowledge_default() -> Interval {
    Interval::Hours(8)
}

/// One wear point of a model.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct WearPoint {
    /// The measured criterion.
    pub criterion: String,
    /// Size when new.
    pub nominal: Length,
    /// Wear in percent of nominal at which it is rejected (`"7.5"`); the rule set's if left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "openapi", schema(value_type = Option<String>))]
    pub limit_percent: Option<rust_decimal::Decimal>,
    /// The maker's written figure; needed for a limit looser than the rule set's.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub maker_document: Option<String>,
}

/// WLL for one kind of lift, up to an angle, where the maker gives it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct LiftRating {
    /// The kind of lift.
    pub lift: LiftKind,
    /// Applies at and below this angle from horizontal, in degrees; at every angle if left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub angle_from_horizontal: Option<crate::quantity::Angle>,
    /// The WLL for it.
    pub wll: Mass,
}

/// What a model is, in one version.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct Model {
    /// Maker.
    pub maker: String,
    /// Model name.
    pub model: String,
    /// What it may do.
    pub kind: ClampKind,
    /// Working load limit.
    pub wll: Mass,
    /// Plate thickness range.
    pub jaw_opening: Range<Length>,
    /// Minimum load in percent of WLL (`"20"`); 20 if left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "openapi", schema(value_type = Option<String>))]
    pub minimum_load_percent: Option<rust_decimal::Decimal>,
    /// Hardest plate it may grip, Brinell.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hardness_limit_hb: Option<u16>,
    /// Temperature range; −4 to 66 °C if left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub temperature: Option<Range<Temperature>>,
    /// The maker's own intervals.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub inspection_intervals: Option<Intervals>,
    /// Lock.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lock: Option<LockKind>,
    /// Eye.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub eye: Option<EyeKind>,
    /// Custom design in the sense of 29 CFR 1926.251(a)(4).
    #[serde(default)]
    pub custom_design: bool,
    /// Marked for lifting more than one plate at a time.
    #[serde(default)]
    pub stack_lifting: bool,
    /// Criteria that ask about parts which this design does not have.
    #[serde(default)]
    pub without_criteria: Vec<String>,
    /// Measured wear points.
    #[serde(default)]
    pub wear_points: Vec<WearPoint>,
    /// WLL per kind of lift and angle, where the maker gives it.
    #[serde(default)]
    pub lift_ratings: Vec<LiftRating>,
}

/// One version of something, in force from an instant on.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Version<T> {
    /// 1, 2, 3 …
    pub version: u32,
    /// In force from here (the start of a civil day in the yard's zone; the first version from its recording).
    pub from: Timestamp,
    /// When it was recorded.
    pub recorded_at: Timestamp,
    /// Who set it.
    pub recorded_by: PersonId,
    /// What it says.
    pub value: Arc<T>,
}

/// All versions of one thing, oldest first.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Versions<T>(pub Vec<Version<T>>);

impl<T> Default for Versions<T> {
    fn default() -> Self {
        Self(Vec::new())
    }
}

impl<T> Versions<T> {
    /// The version in force at an instant; before the first one, the first.
    pub fn at(&self, instant: Timestamp) -> Option<&Version<T>> {
        self.0
            .iter()
            .rev()
            .find(|version| version.from <= instant)
            .or(self.0.first())
    }
    /// A version by its number.
    pub fn numbered(&self, number: u32) -> Option<&Version<T>> {
        self.0.iter().find(|version| version.version == number)
    }
    /// The instants after `instant` at which another version comes into force.
    pub fn changes_after(&self, instant: Timestamp) -> impl Iterator<Item = Timestamp> + '_ {
        self.0
            .iter()
            .map(|version| version.from)
            .filter(move |from| *from > instant)
    }
}

/// Which yards a person's roles hold for.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum YardScope {
    /// Every yard, also later ones.
    All,
    /// These yards.
    Some(Vec<YardId>),
}

impl YardScope {
    /// Whether the scope covers a yard.
    pub fn covers(&self, yard: YardId) -> bool {
        match self {
            Self::All => true,
            Self::Some(yards) => yards.contains(&yard),
        }
    }
}

/// Roles and yards of a person from an instant on.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Grant {
    /// In force from its recording on, until the next one.
    pub recorded_at: Timestamp,
    /// Roles.
    pub roles: Vec<Role>,
    /// Yards.
    pub yards: YardScope,
}

/// Withdrawal of a competence.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Revocation {
    /// Not valid from this day on, whenever it was recorded.
    pub from: Date,
    /// When it was recorded.
    pub recorded_at: Timestamp,
}

/// A dated competence of a person.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Competence {
    /// Its id.
    pub id: CompetenceId,
    /// What for.
    pub kind: CompetenceKind,
    /// First day.
    pub valid_from: Date,
    /// Last day; open-ended if none.
    pub valid_until: Option<Date>,
    /// When it was recorded.
    pub recorded_at: Timestamp,
    /// Who recorded it.
    pub recorded_by: PersonId,
    /// Withdrawn.
    pub revoked: Option<Revocation>,
}

impl Competence {
    /// Whether it covers a day. A revocation counts from its date, whenever it was recorded.
    pub fn covers(&self, day: Date) -> bool {
        self.valid_from <= day
            && self.valid_until.is_none_or(|last| day <= last)
            && self.revoked.as_ref().is_none_or(|revoked| day < revoked.from)
    }
}

/// A person as the rules see them.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Person {
    /// Name, for answers and reports.
    pub name: String,
    /// Roles over time, oldest first.
    pub grants: Vec<Grant>,
    /// Competences.
    pub competences: Vec<Competence>,
}

impl Person {
    /// Roles and yards in force at an instant.
    pub fn grant_at(&self, instant: Timestamp) -> Option<&Grant> {
        self.grants
            .iter()
            .rev()
            .find(|grant| grant.recorded_at <= instant)
    }
    /// Whether one of `roles` was held for `yard` at an instant.
    pub fn holds(&self, roles: &[Role], yard: YardId, instant: Timestamp) -> bool {
        self.grant_at(instant).is_some_and(|grant| {
            grant.yards.covers(yard) && grant.roles.iter().any(|role| roles.contains(role))
        })
    }
    /// Whether a competence of this kind covers the day.
    pub fn competent(&self, kind: CompetenceKind, day: Date) -> bool {
        self.competences
            .iter()
            .any(|competence| competence.kind == kind && competence.covers(day))
    }
    /// Whether a competence of this kind covers the day and was known by `known_by`: later knowledge only tightens.
    pub fn competent_as_known(&self, kind: CompetenceKind, day: Date, known_by: Timestamp) -> bool {
        self.competences.iter().any(|competence| {
            competence.kind == kind && competence.recorded_at <= known_by && competence.covers(day)
        })
    }
}

/// Reference data at one reference version.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Reference {
    /// The version of the whole: counts every reference row.
    pub version: u64,
    /// Yards.
    pub yards: BTreeMap<YardId, Versions<Yard>>,
    /// Models.
    pub models: BTreeMap<ModelId, Versions<Model>>,
    /// People.
    pub people: BTreeMap<PersonId, Person>,
    /// Safety bulletins, closed ones among them.
    pub bulletins: BTreeMap<BulletinId, Opened>,
}

impl Reference {
    /// The yard's version in force at an instant.
    pub fn yard_at(&self, yard: YardId, instant: Timestamp) -> Option<&Version<Yard>> {
        self.yards.get(&yard).and_then(|versions| versions.at(instant))
    }
    /// The model's version in force at an instant.
    pub fn model_at(&self, model: ModelId, instant: Timestamp) -> Option<&Version<Model>> {
        self.models.get(&model).and_then(|versions| versions.at(instant))
    }
}
