//! The trade's words as closed lists: one word per thing in code, SQL, JSON and on pages.

use serde::{Deserialize, Serialize};

impl AmendmentField {
    /// Whether it says how much, or how thick a plate, the clamp takes: by itself, or by naming the model.
    pub const fn is_rating(self) -> bool {
        match self {
            Self::Wll | Self::JawOpening | Self::ModelId => true,
            Self::AssetMark
            | Self::SerialNumber
            | Self::ManufacturedOn
            | Self::PutIntoServiceOn
            | Self::Declaration
            | Self::ExaminationScheme
            | Self::SameClampAs
            | Self::IncidentHoldEnded
            | Self::Found
            | Self::EnteredInError
            | Self::ForeignPart
            | Self::RetirementUndone => false,
        }
    }
}

macro_rules! words {
    ($($(#[doc = $doc:literal])+ $name:ident { $($(#[doc = $vdoc:literal])+ $variant:ident = $code:literal),+ $(,)? })+) => {$(
        $(#[doc = $doc])+
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        pub enum $name { $($(#[doc = $vdoc])+ #[serde(rename = $code)] $variant),+ }

        #[cfg(feature = "openapi")]
        impl utoipa::PartialSchema for $name {
            fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
                $crate::words::schema(concat!($($doc),+), &[$(($code, concat!($($vdoc),+))),+])
            }
        }
        #[cfg(feature = "openapi")]
        impl utoipa::ToSchema for $name {
            fn name() -> std::borrow::Cow<'static, str> {
                std::borrow::Cow::Borrowed($crate::words::schema_name(stringify!($name)))
            }
        }

        impl $name {
            /// Every value, in the order of the list.
            pub const ALL: &'static [Self] = &[$(Self::$variant),+];
            /// The word as it stands in SQL, JSON and on pages.
            pub const fn code(self) -> &'static str { match self { $(Self::$variant => $code),+ } }
            /// The value of a word.
            pub fn from_code(code: &str) -> Option<Self> {
                Self::ALL.iter().copied().find(|value| value.code() == code)
            }
        }
        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result { f.pad(self.code()) }
        }
        impl std::str::FromStr for $name {
            type Err = String;
            fn from_str(text: &str) -> Result<Self, String> {
                Self::from_code(text).ok_or_else(|| {
                    let all: Vec<_> = Self::ALL.iter().map(|value| value.code()).collect();
                    format!("{text:?} is none of {}", all.join(", "))
                })
            }
        }
    )+};
}
pub(crate) use words;

/// The schema of a list of words: the words as they stand in JSON, each with what it means.
#[cfg(feature = "openapi")]
pub(crate) fn schema(
    what: &str,
    words: &[(&str, &str)],
) -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
    let meanings = words
        .iter()
        .map(|(code, meaning)| format!("\n- `{code}`: {}", meaning.trim()));
    utoipa::openapi::schema::ObjectBuilder::new()
        .schema_type(utoipa::openapi::schema::Type::String)
        .description(Some(format!("{}\n{}", what.trim(), meanings.collect::<String>())))
        .enum_values(Some(words.iter().map(|(code, _)| *code)))
        .into()
}

/// The name of a list of words in the contract: its own, unless something else bears it there.
#[cfg(feature = "openapi")]
pub(crate) const fn schema_name(name: &'static str) -> &'static str {
    match name.as_bytes() {
        b"Outcome" => "FindingOutcome",
        b"JudgedBy" => "WayOfJudging",
        _ => name,
    }
}

words! {
    /// Service class after ASME B30.20; later values are harder service.
    ServiceClass {
        /// Below 65 % of WLL, uniform loads.
        Normal = "normal",
        /// Within WLL but above normal.
        Heavy = "heavy",
        /// Normal or heavy under abnormal conditions.
        Severe = "severe",
        /// Infrequent service as a qualified person directs.
        Special = "special",
    }
    /// What an inspection was made for.
    InspectionKind {
        /// Before first use.
        Initial = "initial",
        /// Before an occasion of special service.
        PreLift = "pre_lift",
        /// After an occasion of special service.
        PostLift = "post_lift",
        /// Frequent inspection; in Great Britain the interim inspection.
        Frequent = "frequent",
        /// Periodic inspection; in Great Britain the thorough examination.
        Periodic = "periodic",
        /// After a repair, of periodic scope.
        AfterRepair = "after_repair",
        /// After shock, overload, drop, heat, found again, or for a bulletin.
        Exceptional = "exceptional",
    }
    /// Why an exceptional inspection was made.
    ExceptionalReason {
        /// Shock load known or suspected.
        Shock = "shock",
        /// Overload known or suspected.
        Overload = "overload",
        /// Dropped.
        Drop = "drop",
        /// Exposed to heat.
        Heat = "heat",
        /// Found again after being unaccounted for.
        FoundAgain = "found_again",
        /// Demanded by a safety bulletin.
        Bulletin = "bulletin",
        /// Out of caution, nothing known.
        Precaution = "precaution",
    }
    /// What a finding says of one criterion.
    Outcome {
        /// In order.
        Accept = "accept",
        /// To be rejected.
        Reject = "reject",
        /// The design has no such part.
        NotApplicable = "not_applicable",
        /// Not looked at.
        NotChecked = "not_checked",
    }
    /// How bad a finding is.
    Grade {
        /// Noted and trended.
        Watch = "watch",
        /// Becomes a danger after a date.
        DangerBy = "danger_by",
        /// A danger now.
        Danger = "danger",
    }
    /// Something put right on the spot, then judged.
    PutRight {
        /// Debris or dirt removed.
        Cleaned = "cleaned",
        /// Safety label renewed.
        LabelRenewed = "label_renewed",
    }
    /// How a criterion is judged.
    JudgedBy {
        /// By eye.
        Look = "look",
        /// By moving the part.
        Operate = "operate",
        /// With a gauge.
        Measure = "measure",
        /// After taking the clamp apart.
        Dismantle = "dismantle",
        /// With a crack detection method.
        CrackTest = "crack_test",
    }
    /// What can clear a criterion's lock-out.
    Remedy {
        /// The part is renewed.
        Repair = "repair",
        /// The maker or its authorised shop brings the clamp back to original condition and states so.
        RestoreToOriginal = "restore_to_original",
        /// Nothing: scrap.
        None = "none",
    }
    /// The part of the clamp that a criterion looks at.
    Component {
        /// Marking and labels.
        Identification = "identification",
        /// Shackle, lifting eye.
        Shackle = "shackle",
        /// Pins, fasteners and their holes.
        Pins = "pins",
        /// Teeth of the cam.
        CamTeeth = "cam_teeth",
        /// Teeth of the fixed jaw or pad.
        JawTeeth = "jaw_teeth",
        /// Cam and linkage.
        Linkage = "linkage",
        /// Lock.
        Lock = "lock",
        /// Spring.
        Spring = "spring",
        /// Body plates and bolts.
        Body = "body",
        /// What shows only when dismantled.
        Inside = "inside",
        /// Alterations.
        Alteration = "alteration",
        /// The clamp as a whole.
        General = "general",
    }
    /// Reasons of a lock-out that is not a finding against a criterion.
    LockoutReason {
        /// Dropped.
        Dropped = "dropped",
        /// Shock load known or suspected.
        ShockSuspected = "shock_suspected",
        /// Overload known or suspected.
        OverloadSuspected = "overload_suspected",
        /// Held as evidence after an incident: do not clean, do not strip.
        IncidentHold = "incident_hold",
        /// Cannot be found.
        UnaccountedFor = "unaccounted_for",
        /// Held by a safety bulletin.
        SafetyBulletin = "safety_bulletin",
        /// Out of caution, or a defect seen outside an inspection.
        Precaution = "precaution",
        /// The every-lift check failed.
        EveryLiftCheckFailed = "every_lift_check_failed",
        /// A proof test failed.
        ProofTestFailed = "proof_test_failed",
        /// Proof-tested above what the rule set allows without the maker's figure.
        ProofTestOverLimit = "proof_test_over_limit",
        /// Repaired and not yet re-inspected.
        NotReinspected = "not_reinspected",
        /// A part that is not of the original maker.
        ForeignPart = "foreign_part",
        /// Plate, certificate, model or registration disagree on WLL or jaw opening.
        RatingInDoubt = "rating_in_doubt",
        /// No readable serial number.
        IdentityInDoubt = "identity_in_doubt",
        /// Two registrations of one number.
        NumberInDoubt = "number_in_doubt",
        /// Used over its WLL, or against a stop.
        OverloadOrMisuseSuspected = "overload_or_misuse_suspected",
        /// Used while a lock-out barred it.
        UsedWhileNotFit = "used_while_not_fit",
        /// An entry that cannot be placed yet restricts it.
        Held = "held",
        /// Retirement undone.
        RetirementUndone = "retirement_undone",
    }
    /// On what a return to service rests.
    Ground {
        /// Repaired with the maker's parts and re-inspected.
        Repaired = "repaired",
        /// Brought back to original condition by the maker or its authorised shop.
        Restored = "restored",
        /// The re-inspection that the repair demanded.
        Reinspected = "reinspected",
        /// An exceptional inspection that names the lock-out accepts.
        InspectedFit = "inspected_fit",
        /// The lock-out was opened in error.
        EnteredInError = "entered_in_error",
    }
    /// What a person's word counts for.
    CompetenceKind {
        /// Designated person: frequent inspections.
        DesignatedPerson = "designated_person",
        /// Qualified person: initial, periodic, after-repair and exceptional inspections.
        QualifiedPerson = "qualified_person",
        /// Repair technician.
        RepairTechnician = "repair_technician",
    }
    /// What a person may do in the service.
    Role {
        /// Lifts with clamps; records lift checks, uses, tag-outs.
        Operator = "operator",
        /// Issues and receives.
        StoreKeeper = "store_keeper",
        /// Inspects.
        Inspector = "inspector",
        /// Repairs and proof-tests.
        Technician = "technician",
        /// Answers for a yard.
        YardLead = "yard_lead",
        /// The corporate safety team.
        Safety = "safety",
        /// Reads, never writes.
        Auditor = "auditor",
        /// A program: field app or ERP.
        Integration = "integration",
        /// Keeps accounts and yards.
        Administrator = "administrator",
        /// An enrolled device: carries what people write on it, and writes nothing in its own name.
        Device = "device",
    }
    /// What kind of lift a clamp is made for.
    ClampKind {
        /// Vertical lifts only.
        Vertical = "vertical",
        /// Vertical lifts and turning through 90°.
        VerticalTurning90 = "vertical_turning_90",
        /// Vertical lifts and turning through 180°.
        VerticalTurning180 = "vertical_turning_180",
        /// Horizontal lifts, in pairs.
        Horizontal = "horizontal",
    }
    /// A lift.
    LiftKind {
        /// Vertical.
        Vertical = "vertical",
        /// Turning through 90°.
        Turning90 = "turning_90",
        /// Turning through 180°.
        Turning180 = "turning_180",
        /// Horizontal.
        Horizontal = "horizontal",
    }
    /// How the jaw is locked.
    LockKind {
        /// Spring-loaded lock.
        Spring = "spring",
        /// Screw.
        Screw = "screw",
        /// None.
        None = "none",
    }
    /// The lifting eye.
    EyeKind {
        /// Turns about one pin only.
        SinglePivot = "single_pivot",
        /// Moves freely.
        Free = "free",
    }
    /// When a yard demands a proof test after a repair.
    ProofTestPolicy {
        /// Never by policy.
        NotRequired = "not_required",
        /// After repairs of load-bearing parts.
        OnLoadBearingParts = "on_load_bearing_parts",
        /// After every repair.
        Always = "always",
    }
    /// Conditions that make service severe.
    AbnormalCondition {
        /// Heat.
        Heat = "heat",
        /// Corrosion.
        Corrosion = "corrosion",
        /// Dust.
        Dust = "dust",
    }
    /// Basis of a thorough examination, after LOLER 1998 reg. 9.
    ExaminationBasis {
        /// Reg. 9(1): before first use.
        FirstUse = "first_use",
        /// Reg. 9(3)(a)(i): six months.
        LimbI = "limb_i",
        /// Reg. 9(3)(a)(ii): twelve months; refused for a lifting accessory.
        LimbIi = "limb_ii",
        /// Reg. 9(3)(a)(iii): examination scheme.
        LimbIii = "limb_iii",
        /// Reg. 9(3)(a)(iv): exceptional circumstances.
        LimbIv = "limb_iv",
    }
    /// The stop against which a clamp was used.
    StopKind {
        /// Leg tension over WLL.
        Tension = "tension",
        /// Plate thickness outside the jaw opening.
        Thickness = "thickness",
        /// Kind of lift not the clamp's.
        KindOfLift = "kind_of_lift",
        /// Tilt across the body.
        Tilt = "tilt",
        /// Anything else.
        Other = "other",
    }
    /// A rule set.
    RuleSetName {
        /// ASME B30.20 in the United States.
        UsB3020 = "us-b30.20",
        /// LOLER 1998 in Great Britain and its Northern Ireland twin.
        GbLoler = "gb-loler",
        /// DGUV guidance in Germany.
        DeDguv = "de-dguv",
    }
    /// Kinds of entries in a clamp's history.
    EntryKind {
        /// The clamp became known.
        Registered = "registered",
        /// Somebody inspected it.
        Inspected = "inspected",
        /// Somebody tagged it out.
        TaggedOut = "tagged_out",
        /// Somebody repaired it.
        Repaired = "repaired",
        /// Somebody proof-tested it.
        ProofTested = "proof_tested",
        /// A named person returned it to service.
        ReturnedToService = "returned_to_service",
        /// A second person confirmed a return or an amendment.
        Confirmed = "confirmed",
        /// It went to another yard.
        Transferred = "transferred",
        /// The tool crib issued it.
        Issued = "issued",
        /// The tool crib received it back.
        Received = "received",
        /// Its service class was set.
        Classified = "classified",
        /// A correction that cites an earlier entry.
        Amended = "amended",
        /// A period's lifts.
        Used = "used",
        /// Scrapped.
        Retired = "retired",
        /// Reference data changed what the entries come to; ignored by the fold.
        Reassessed = "reassessed",
    }
    /// What an amendment corrects or settles.
    AmendmentField {
        /// The company's asset mark.
        AssetMark = "asset_mark",
        /// The maker's serial number.
        SerialNumber = "serial_number",
        /// The model.
        ModelId = "model_id",
        /// WLL, citing the maker's document or plate photo; settles `rating_in_doubt` together with a return.
        Wll = "wll",
        /// Jaw opening, likewise.
        JawOpening = "jaw_opening",
        /// Date of manufacture.
        ManufacturedOn = "manufactured_on",
        /// Day on which it was put into service.
        PutIntoServiceOn = "put_into_service_on",
        /// Declaration of conformity.
        Declaration = "declaration",
        /// Scheme of examination.
        ExaminationScheme = "examination_scheme",
        /// This registration is of the same clamp as another.
        SameClampAs = "same_clamp_as",
        /// The safety role ends an incident hold.
        IncidentHoldEnded = "incident_hold_ended",
        /// An unaccounted-for clamp was found: who, where, when.
        Found = "found",
        /// The cited entry was made in error.
        EnteredInError = "entered_in_error",
        /// A part of the cited repair is not from the original maker after all.
        ForeignPart = "foreign_part",
        /// The retirement is undone (two persons).
        RetirementUndone = "retirement_undone",
    }
    /// Status of a clamp at an instant: computed, never stored.
    Status {
        /// Registered, no credited initial inspection yet.
        AwaitingInitialInspection = "awaiting_initial_inspection",
        /// Inspected, not barred, not retired: fit, unless something is overdue or nobody's word bars it.
        InService = "in_service",
        /// A lock-out bars it.
        TaggedOut = "tagged_out",
        /// Scrapped.
        Retired = "retired",
    }
    /// Why a clamp is not fit.
    FitnessReason {
        /// A lock-out bars it.
        TaggedOut = "tagged_out",
        /// No credited initial inspection (GB: no thorough examination and no exemption).
        AwaitingInitialInspection = "awaiting_initial_inspection",
        /// Frequent inspection overdue.
        FrequentOverdue = "frequent_overdue",
        /// Periodic inspection (thorough examination) overdue.
        PeriodicOverdue = "periodic_overdue",
        /// Idle too long: an inspection is due before use.
        IdleTooLong = "idle_too_long",
        /// Special service without a qualified person's direction.
        DirectionMissing = "direction_missing",
        /// The scanned mark is borne by more than one live clamp.
        AmbiguousMark = "ambiguous_mark",
        /// Retired.
        Retired = "retired",
        /// What the answer rests on is older than the yard allows.
        KnowledgeTooOld = "knowledge_too_old",
    }
}
