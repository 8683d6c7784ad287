//! Yards, maker and people of one history, as the domain takes them and as bare JSON.

use crate::chance::Chance;
use crate::moments::{DAY, day_at, instant};
use clampward_domain::calendar::{Interval, Zone};
use clampward_domain::ids::{CompetenceId, ModelId, PersonId, YardId};
use clampward_domain::quantity::{Length, Mass, Range};
use clampward_domain::reference::{
    Competence, Grant, Intervals, Model, Person, Reference, Revocation, Version, Versions, Yard, YardScope,
};
use clampward_domain::words::{ClampKind, CompetenceKind, ProofTestPolicy, Role, RuleSetName, ServiceClass};
use serde_json::{Map, Value, json};
use std::collections::BTreeMap;
use std::sync::Arc;
use uuid::Uuid;

/// The people: a designated person, two qualified ones, a technician (who also calls himself qualified), a safety
/// officer, a yard lead, an operator.
pub const PEOPLE: [&str; 7] = ["dan", "quinn", "quade", "theo", "sal", "yara", "olin"];
pub const YARDS: [&str; 3] = ["a", "b", "c"];

pub struct World {
    pub reference: Reference,
    pub json: Map<String, Value>,
}

fn id(space: u128, index: usize) -> Uuid {
    Uuid::from_u128((space << 64) | u128::try_from(index + 1).unwrap())
}
pub fn person(name: &str) -> PersonId {
    PersonId::new(id(1, PEOPLE.iter().position(|one| *one == name).unwrap()))
}
pub fn yard(name: &str) -> YardId {
    YardId::new(id(2, YARDS.iter().position(|one| *one == name).unwrap()))
}
pub fn model() -> ModelId {
    ModelId::new(id(3, 0))
}

impl World {
    pub fn make(chance: &mut Chance, start: i64, zones: [&str; 3]) -> Self {
        let mut reference = Reference {
            version: 1,
            ..Reference::default()
        };
        let mut json = Map::new();
        let mut yards = Map::new();
        for (name, zone) in YARDS.into_iter().zip(zones) {
            let versions = yard_versions(chance, start, name, zone);
            let bare = versions.iter().map(|version| {
                json!({ "from": version.from.as_second(), "zone": zone, "rule_set": version.value.rule_set,
                    "records_use": version.value.records_use, "intervals": bare_intervals(&version.value.intervals) })
            });
            yards.insert(name.to_owned(), bare.collect());
            reference.yards.insert(yard(name), Versions(versions));
        }
        json.insert("yards".to_owned(), yards.into());
        let maker = if chance.percent(30) {
            intervals(chance, RuleSetName::GbLoler, 30)
        } else {
            Intervals::default()
        };
        json.insert("maker".to_owned(), bare_intervals(&maker));
        reference
            .models
            .insert(model(), Versions(vec![first_version(start, a_model(maker))]));
        let zone = Zone::named(zones[0]).unwrap();
        let mut people = Map::new();
        for name in PEOPLE {
            let made = a_person(chance, start, &zone, name);
            people.insert(name.to_owned(), bare_person(&made));
            reference.people.insert(person(name), made);
        }
        json.insert("people".to_owned(), people.into());
        Self { reference, json }
    }
    pub fn yard_at(&self, name: &str, second: i64) -> &Version<Yard> {
        self.reference.yard_at(yard(name), instant(second)).unwrap()
    }
}

fn first_version<T>(start: i64, value: T) -> Version<T> {
    let from = instant(start - 500 * DAY);
    Version {
        version: 1,
        from,
        recorded_at: from,
        recorded_by: person("sal"),
        value: Arc::new(value),
    }
}

fn yard_versions(chance: &mut Chance, start: i64, name: &str, zone: &str) -> Vec<Version<Yard>> {
    let rule_set = chance.pick(&[
        RuleSetName::UsB3020,
        RuleSetName::UsB3020,
        RuleSetName::UsB3020,
        RuleSetName::GbLoler,
        RuleSetName::GbLoler,
        RuleSetName::DeDguv,
    ]);
    let zone = Zone::named(zone).unwrap();
    let a_yard = |chance: &mut Chance, rule_set| Yard {
        code: name.to_owned(),
        name: name.to_owned(),
        time_zone: zone.clone(),
        rule_set,
        intervals: intervals(chance, rule_set, 25),
        proof_test_policy: ProofTestPolicy::NotRequired,
        independent_reinspection: true,
        knowledge_limit: Interval::Hours(8),
        records_use: chance.percent(40),
        abnormal_conditions: Vec::new(),
        keep_photo_originals: false,
        notices: clampward_domain::notice::NoticePolicy::default(),
    };
    let mut versions = vec![first_version(start, a_yard(chance, rule_set))];
    if chance.percent(30) {
        let from = zone.start_of(day_at(&zone, start + chance.between(5 * DAY, 500 * DAY)));
        let next = chance.pick(&[rule_set, rule_set, RuleSetName::UsB3020, RuleSetName::GbLoler]);
        let value = Arc::new(a_yard(chance, next));
        versions.push(Version {
            version: 2,
            from,
            recorded_at: instant(start),
            recorded_by: person("sal"),
            value,
        });
    }
    versions
}

/// Intervals that the rule set lets a yard or a maker set.
fn intervals(chance: &mut Chance, rule_set: RuleSetName, cases: i64) -> Intervals {
    let mut made = Intervals::default();
    for class in ServiceClass::ALL {
        let frequent: &[&str] = match (rule_set, class) {
            (RuleSetName::UsB3020, ServiceClass::Normal) => &["P7D", "P14D", "P1M"],
            (RuleSetName::UsB3020, ServiceClass::Heavy) => &["P3D", "P14D", "P1M", "PT100H"],
            (RuleSetName::UsB3020, ServiceClass::Severe) => &["PT12H", "P3D", "P7D"],
            (RuleSetName::UsB3020 | RuleSetName::GbLoler | RuleSetName::DeDguv, _) => {
                &["PT48H", "P7D", "P1M", "P2M"]
            }
        };
        let periodic: &[&str] = match class {
            ServiceClass::Normal | ServiceClass::Special => &["P3M", "P5M", "P6M"],
            ServiceClass::Heavy => &["P2M", "P5M", "P180D"],
            ServiceClass::Severe => &["P1M", "P2M", "P3M"],
        };
        if let Some(text) = chance.maybe(cases, frequent) {
            made.frequent.insert(*class, Interval::parse(text).unwrap());
        }
        if let Some(text) = chance.maybe(cases, periodic) {
            made.periodic.insert(*class, Interval::parse(text).unwrap());
        }
    }
    made
}

fn bare_intervals(intervals: &Intervals) -> Value {
    let bare = |of: &BTreeMap<ServiceClass, Interval>| -> Value {
        of.iter()
            .map(|(class, interval)| (class.code().to_owned(), json!(interval)))
            .collect::<Map<_, _>>()
            .into()
    };
    json!({ "frequent": bare(&intervals.frequent), "periodic": bare(&intervals.periodic) })
}

fn a_model(maker: Intervals) -> Model {
    let length = |text| Length::parse(text, "mm").unwrap();
    Model {
        maker: "Greywater Forge".to_owned(),
        model: "GF-3".to_owned(),
        kind: ClampKind::Vertical,
        wll: Mass::parse("3000", "kg").unwrap(),
        jaw_opening: Range {
            min: length("0"),
            max: length("32"),
        },
        minimum_load_percent: None,
        hardness_limit_hb: None,
        temperature: None,
        inspection_intervals: Some(maker),
        lock: None,
        eye: None,
        custom_design: false,
        stack_lifting: false,
        without_criteria: Vec::new(),
        wear_points: Vec::new(),
        lift_ratings: Vec::new(),
    }
}

fn a_person(chance: &mut Chance, start: i64, zone: &Zone, name: &str) -> Person {
    use CompetenceKind::{DesignatedPerson, QualifiedPerson, RepairTechnician};
    let (kinds, role): (&[CompetenceKind], Role) = match name {
        "dan" => (&[DesignatedPerson], Role::Inspector),
        "quinn" | "quade" => (&[QualifiedPerson, DesignatedPerson], Role::Inspector),
        "theo" => (&[RepairTechnician, QualifiedPerson], Role::Technician),
        "sal" => (&[QualifiedPerson], Role::Safety),
        "yara" => (&[QualifiedPerson, RepairTechnician], Role::YardLead),
        _ => (&[], Role::Operator),
    };
    let number = PEOPLE.iter().position(|one| *one == name).unwrap();
    let competences = kinds.iter().enumerate().map(|(index, kind)| {
        let mut on = |from, to| day_at(zone, start + chance.between(from, to) * DAY);
        let (valid_from, last, withdrawn) = (on(-400, -300), on(30, 900), on(30, 900));
        let late = chance.percent(8).then(|| chance.between(0, 500));
        let recorded = start + late.unwrap_or(-300) * DAY;
        let lapses = name != "quade" && chance.percent(20);
        let revoked = name != "quade" && chance.percent(8);
        Competence {
            id: CompetenceId::new(id(4, number * 10 + index)),
            kind: *kind,
            valid_from,
            valid_until: lapses.then_some(last),
            recorded_at: instant(recorded),
            recorded_by: person("sal"),
            revoked: revoked.then(|| Revocation {
                from: withdrawn,
                recorded_at: instant(start + 950 * DAY),
            }),
        }
    });
    let competences = competences.collect();
    let grants = vec![Grant {
        recorded_at: instant(start - 400 * DAY),
        roles: vec![role],
        yards: YardScope::All,
    }];
    Person {
        name: name.to_owned(),
        grants,
        competences,
    }
}

fn bare_person(made: &Person) -> Value {
    let competences: Vec<Value> = made.competences.iter().map(|one| {
        json!({ "kind": one.kind, "from": one.valid_from, "until": one.valid_until,
            "recorded_at": one.recorded_at.as_second(), "revoked_from": one.revoked.as_ref().map(|revoked| revoked.from) })
    }).collect();
    json!({ "roles": made.grants[0].roles, "competences": competences })
}
