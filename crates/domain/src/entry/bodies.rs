//! The body of each kind of entry. Field names are those of the HTTP contract.

use crate::calendar::Interval;
use crate::ids::{BulletinId, EntryId, LiftCheckId, LockoutId, ModelId, PersonId, YardId};
use crate::quantity::{Length, Mass, Range};
use crate::words::{
    AbnormalCondition, AmendmentField, Component, EntryKind, ExaminationBasis, ExceptionalReason, Grade,
    Ground, InspectionKind, LockoutReason, Outcome, PutRight, ServiceClass, StopKind,
};
use jiff::Timestamp;
use jiff::civil::Date;
use serde::{Deserialize, Serialize, Serializer};

/// A body without its kind, as it is written.
#[derive(Clone, Copy, Debug)]
pub struct Alone<'a>(&'a Body);

macro_rules! bodies {
    ($($kind:ident),+ $(,)?) => {
        /// What happened.
        #[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
        #[serde(tag = "kind", content = "body", rename_all = "snake_case")]
        pub enum Body { $(#[doc = concat!("See [`", stringify!($kind), "`].")] $kind($kind)),+ }

        impl Body {
            /// The kind.
            pub const fn kind(&self) -> EntryKind {
                match self { $(Self::$kind(_) => EntryKind::$kind),+ }
            }
            /// Reads the body of an entry of this kind. Unknown fields are refused.
            pub fn from_json(kind: EntryKind, body: serde_json::Value) -> Result<Self, serde_json::Error> {
                match kind { $(EntryKind::$kind => serde_json::from_value::<$kind>(body).map(Self::$kind)),+ }
            }
            /// The body alone as JSON.
            pub fn to_json(&self) -> Result<serde_json::Value, serde_json::Error> {
                serde_json::to_value(self.alone())
            }
            /// The body alone, to be written.
            pub const fn alone(&self) -> Alone<'_> {
                Alone(self)
            }
        }

        impl Serialize for Alone<'_> {
            fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                match self.0 { $(Body::$kind(body) => body.serialize(serializer)),+ }
            }
        }
        $(impl From<$kind> for Body { fn from(body: $kind) -> Self { Self::$kind(body) } })+
    };
}

bodies!(
    Registered,
    Inspected,
    TaggedOut,
    Repaired,
    ProofTested,
    ReturnedToService,
    Confirmed,
    Transferred,
    Issued,
    Received,
    Classified,
    Amended,
    Used,
    Retired,
    Reassessed,
);

macro_rules! body_struct {
    ($($(#[$doc:meta])* $name:ident { $($(#[$fdoc:meta])* $field:ident : $type:ty),* $(,)? })+) => {$(
        $(#[$doc])*
        #[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
        #[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
        #[serde(deny_unknown_fields)]
        pub struct $name { $($(#[$fdoc])* pub $field: $type),* }
    )+};
}

body_struct! {
    /// A declaration of conformity.
    Declaration {
        /// Day on which it was made.
        made_on: Date,
        /// The document.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        document: Option<String>,
    }
    /// A scheme of examination drawn up by a named competent person (LOLER 1998 reg. 9(3)(a)(iii)).
    ExaminationScheme {
        /// The interval it sets.
        interval: Interval,
        /// From which day it is in force.
        valid_from: Date,
        /// Who drew it up.
        drawn_up_by: String,
        /// The document.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        document: Option<String>,
    }
    /// The clamp became known.
    Registered {
        /// The company's own mark.
        asset_mark: String,
        /// The maker's serial number; left out if none can be read (then barred `identity_in_doubt`).
        #[serde(default, skip_serializing_if = "Option::is_none")]
        serial_number: Option<String>,
        /// Its model.
        model_id: ModelId,
        /// The yard that has it.
        yard_id: YardId,
        /// Its service class.
        service_class: ServiceClass,
        /// A qualified person's direction, for class special.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        direction: Option<Direction>,
        /// Day of manufacture.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        manufactured_on: Option<Date>,
        /// Day on which it is put into service.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        put_into_service_on: Option<Date>,
        /// Stated by name: never used before.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        never_used_before: Option<bool>,
        /// Declaration of conformity.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        declaration: Option<Declaration>,
        /// Scheme of examination.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        examination_scheme: Option<ExaminationScheme>,
        /// WLL on its plate; the model's if left out.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        wll: Option<Mass>,
        /// Jaw opening on its plate; the model's if left out.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        jaw_opening: Option<Range<Length>>,
    }
    /// A qualified person's direction for special service: both intervals, or inspection for each use.
    Direction {
        /// `true`: a credited inspection since the last recorded use and within 24 h.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        each_use: Option<bool>,
        /// Interval of frequent inspections.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        frequent: Option<Interval>,
        /// Interval of periodic inspections.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        periodic: Option<Interval>,
    }
    /// What an inspector says of one criterion.
    Finding {
        /// The criterion's code.
        criterion: String,
        /// What they found.
        outcome: Outcome,
        /// How bad.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        grade: Option<Grade>,
        /// Last day of use, for `danger_by`.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        by_date: Option<Date>,
        /// What the gauge read.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        measured: Option<Length>,
        /// Expanded uncertainty of the gauge (k = 2).
        #[serde(default, skip_serializing_if = "Option::is_none")]
        uncertainty: Option<Length>,
        /// Which of several like parts, for example `left`.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        place: Option<String>,
        /// Put right on the spot before it was judged.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        put_right: Option<PutRight>,
        /// In the inspector's words.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        note: Option<String>,
        /// SHA-256 of photos, in hex.
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        photos: Vec<String>,
    }
    /// Somebody inspected the clamp.
    Inspected {
        /// What for.
        #[serde(rename = "kind")]
        inspection_kind: InspectionKind,
        /// One per criterion and place.
        findings: Vec<Finding>,
        /// The repair that this after-repair inspection answers.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        after_repair_of: Option<EntryId>,
        /// Lock-outs without a finding that this inspection was made for.
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        lockouts: Vec<LockoutId>,
        /// The bulletin whose checks were made.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        bulletin: Option<BulletinId>,
        /// Why, for an exceptional inspection.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        exceptional_reason: Option<ExceptionalReason>,
        /// Whether the clamp was taken apart and its inside looked at.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        dismantled: Option<bool>,
        /// Whether load-bearing parts were crack-tested.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        crack_tested: Option<bool>,
        /// The qualified person's written reason for no crack test.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        no_crack_test_reason: Option<String>,
        /// Makes it a thorough examination under `gb-loler`.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        basis: Option<ExaminationBasis>,
        /// The examiner's own latest date for the next one (LOLER Schedule 1 para 8(d)).
        #[serde(default, skip_serializing_if = "Option::is_none")]
        next_latest_date: Option<Date>,
        /// Where it was examined.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        premises: Option<String>,
        /// The examiner's statement.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        safe_to_operate: Option<bool>,
    }
    /// Somebody tagged the clamp out.
    TaggedOut {
        /// Why.
        reason: LockoutReason,
        /// In their words.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        note: Option<String>,
        /// SHA-256 of photos, in hex.
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        photos: Vec<String>,
        /// The bulletin that holds it.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        bulletin: Option<BulletinId>,
        /// The lift check that failed.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        lift_check: Option<LiftCheckId>,
    }
    /// A part that was fitted.
    Part {
        /// What it belongs to.
        component: Component,
        /// The maker's part number.
        part_number: String,
        /// Lot or batch.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        lot: Option<String>,
        /// Whether it is of the clamp's original maker.
        from_original_maker: bool,
    }
    /// Somebody repaired the clamp. Opens a lock-out `not_reinspected` of its own.
    Repaired {
        /// What was worked on.
        components: Vec<Component>,
        /// The lock-outs that the repair answers.
        answers: Vec<LockoutId>,
        /// Parts fitted.
        parts: Vec<Part>,
        /// What was done.
        work: String,
        /// Written statement of the maker or its authorised shop.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        statement_document: Option<String>,
    }
    /// Somebody proof-tested the clamp.
    ProofTested {
        /// The test load.
        load: Mass,
        /// The result.
        result: ProofTestResult,
        /// Certificate number.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        certificate_number: Option<String>,
        /// The document.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        document: Option<String>,
        /// The maker's written figure that allows a load above the rule set's.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        maker_document: Option<String>,
    }
    /// One lock-out that a return closes, and on what ground.
    Release {
        /// The lock-out, by name.
        lockout_id: LockoutId,
        /// The ground.
        ground: Ground,
        /// The repair that answers it.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        repair_entry: Option<EntryId>,
        /// The inspection that accepts.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        inspection_entry: Option<EntryId>,
        /// The proof test, where one is demanded.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        proof_test_entry: Option<EntryId>,
        /// The correction, for `entered_in_error`; the settling amendment, for doubts and holds.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        correction_entry: Option<EntryId>,
        /// The maker's written release, where a bulletin stops use.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        maker_document: Option<String>,
        /// In the signer's words.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        statement: Option<String>,
    }
    /// A named person returned the clamp to service.
    ReturnedToService {
        /// Every lock-out that it closes.
        releases: Vec<Release>,
    }
    /// A second person confirmed a return or an amendment.
    Confirmed {
        /// The entry confirmed.
        confirms: EntryId,
    }
    /// The clamp went to another yard.
    Transferred {
        /// Where to.
        to_yard: YardId,
        /// The placing entry (registration or transfer) that it follows; without it, it stands beside.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        replaces: Option<EntryId>,
        /// In words.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        note: Option<String>,
    }
    /// The tool crib issued the clamp.
    Issued {
        /// To whom.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        issued_to: Option<PersonId>,
        /// Name or gang, where the person has no account.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        issued_to_name: Option<String>,
    }
    /// The tool crib received the clamp back.
    Received {
        /// What the store keeper saw.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        note: Option<String>,
    }
    /// The clamp's service class was set.
    Classified {
        /// The class.
        service_class: ServiceClass,
        /// The entry (registration or classification) that it follows; without it, it stands beside.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        replaces: Option<EntryId>,
        /// A qualified person's direction, for class special.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        direction: Option<Direction>,
    }
    /// A correction, or a settlement, that cites an earlier entry.
    Amended {
        /// The entry amended.
        cites: EntryId,
        /// What is amended.
        field: AmendmentField,
        /// The new value: text, date, quantity, range or id, as the field has it.
        value: serde_json::Value,
        /// Why.
        reason: String,
        /// The maker's document or plate photo that it rests on.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        document: Option<String>,
    }
    /// A period's lifts.
    Used {
        /// Start of the period; its end is `performed_at`.
        from: Timestamp,
        /// Number of lifts.
        lifts: u32,
        /// Heaviest load of the period; left out: not known.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        heaviest_load: Option<Mass>,
        /// Mean load of the period.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        mean_load: Option<Mass>,
        /// Conditions that make service severe.
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        abnormal_conditions: Vec<AbnormalCondition>,
        /// The stops against which it was used.
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        against_stop: Vec<StopKind>,
    }
    /// Scrapped: made unusable, witnessed, number retired.
    Retired {
        /// Why.
        reason: String,
        /// How it was made unusable.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        made_unusable: Option<String>,
        /// Who saw it.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        witness: Option<String>,
    }
    /// Reference data changed what the entries come to. Ignored by the fold.
    Reassessed {
        /// The reference row's ledger position that caused it.
        reference_position: u64,
        /// In words.
        cause: String,
    }
}

/// Result of a proof test.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum ProofTestResult {
    /// Held without deformation or slip.
    Passed,
    /// Did not.
    Failed,
}

impl Repaired {
    /// Whether a part of this component was fitted.
    pub fn renews(&self, component: Component) -> bool {
        self.parts.iter().any(|part| part.component == component)
    }
}
