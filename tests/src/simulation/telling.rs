//! What tablets tell of what they judged by: mostly a yard that shows the clamp and the model that it is, and otherwise
//! whatever somebody may tell, or nothing.

use super::author::Written;
use super::chance::Chance;
use super::town::{Town, named};
use clampward_domain::entry::{Amended, Body, Entry, JudgedBy};
use clampward_domain::fold::ClampState;
use clampward_domain::ids::YardId;
use clampward_domain::words::{AmendmentField, RuleSetName};
use clampward_wire::sync::push::JudgedOffline;

/// What a tablet judges by: a yard that shows the clamp, mostly, and the model that it is shown to be, mostly.
pub fn judged_by(town: &Town, body: &Body, state: Option<&ClampState>, chance: &mut Chance) -> JudgedBy {
    let shown = state.map(ClampState::yards).unwrap_or_default();
    let yard = match body {
        Body::Registered(registered) => registered.yard_id,
        Body::Transferred(transferred) if chance.one_in(3) => transferred.to_yard,
        // Whatever somebody tells: a yard where it never was, or comes to later.
        _ if shown.is_empty() || chance.one_in(25) => chance.pick(&town.yards),
        _ => chance.pick(&shown),
    };
    let model = match (body, state.and_then(ClampState::model_id)) {
        (Body::Registered(registered), _) => registered.model_id,
        (_, Some(model)) if !chance.one_in(30) => model,
        _ => chance.pick(&[town.model_id, town.other_model_id]),
    };
    JudgedBy {
        yard_id: yard,
        yard_version: 1,
        rule_set: rules(yard),
        rule_set_version: 1,
        model_id: model,
        model_version: 1,
    }
}

/// What a device says of what it judged by.
pub enum Told {
    /// All of it.
    Truly,
    /// Nothing: the service has to find it.
    Nothing,
    /// A version that nobody knows; what restricts is recorded all the same.
    Unknown,
    /// The rules of another yard.
    OtherRules,
}

impl Told {
    /// Mostly the truth.
    pub fn by_chance(body: &Body, chance: &mut Chance) -> Self {
        match chance.below(20) {
            0 | 1 => Self::Nothing,
            2 => Self::OtherRules,
            3 if matches!(body, Body::TaggedOut(_)) => Self::Unknown,
            _ => Self::Truly,
        }
    }
    /// What the push says.
    pub fn of(&self, judged_by: &JudgedBy) -> Option<JudgedOffline> {
        let mut told = judged_by.clone();
        match self {
            Self::Truly => {}
            Self::Nothing => return None,
            Self::Unknown => told.yard_version = 99,
            Self::OtherRules if told.rule_set == RuleSetName::DeDguv => told.rule_set = RuleSetName::UsB3020,
            Self::OtherRules => told.rule_set = RuleSetName::DeDguv,
        }
        Some(told.into())
    }
}

/// Now and then somebody reads the plate and finds that it is another model, with or without the maker's word for it.
pub fn turns_out_another(town: &Town, entries: &[Entry], chance: &mut Chance) -> Option<Written> {
    let registration = entries.first().filter(|_| chance.one_in(40))?;
    Some(Written {
        by: named("inspector"),
        body: Amended {
            cites: registration.id,
            field: AmendmentField::ModelId,
            value: serde_json::to_value(chance.pick(&[town.model_id, town.other_model_id])).unwrap(),
            reason: "the plate says so".to_owned(),
            document: (!chance.one_in(3)).then(|| "plate.jpg".to_owned()),
        }
        .into(),
    })
}

fn rules(yard: YardId) -> RuleSetName {
    if yard == named("leith") {
        RuleSetName::GbLoler
    } else if yard == named("emden") {
        RuleSetName::DeDguv
    } else {
        RuleSetName::UsB3020
    }
}
