//! One random history, fact by fact: each written once for the domain and once as bare JSON.

use crate::chance::Chance;
use crate::moments::{DAY, HOUR, beginning, day_at, instant, trying};
use crate::world::{World, YARDS, model, person, yard};
use clampward_domain::calendar::{Interval, Zone};
use clampward_domain::entry::{
    Body, Classified, Declaration, Direction, Entry, ExaminationScheme, Issued, JudgedBy, Registered,
    Retired, TaggedOut, Transferred, Used,
};
use clampward_domain::fold::{ClampState, Evidence, fold};
use clampward_domain::ids::{ClampId, EntryId};
use clampward_domain::words::{LockoutReason, RuleSetName, ServiceClass};
use jiff::ToSpan;
use jiff::civil::Date;
use serde_json::{Map, Value, json};
use uuid::Uuid;

pub struct Walk {
    pub seed: u64,
    pub chance: Chance,
    pub world: World,
    pub clamp: ClampId,
    pub entries: Vec<Entry>,
    pub facts: Vec<Map<String, Value>>,
    /// What the domain makes of the facts up to each of them.
    pub states: Vec<ClampState>,
    evidence: Evidence,
    pub now: i64,
    pub yard: &'static str,
    placed_by: Option<EntryId>,
    classed_by: usize,
}

impl Walk {
    pub fn begin(seed: u64, zones: &[String]) -> Self {
        let mut chance = Chance::new(seed);
        let at = |offset: u64| zones[usize::try_from(seed * 3 + offset).unwrap() % zones.len()].as_str();
        let names = [at(0), at(1), at(2)];
        let now = beginning(&mut chance, &Zone::named(names[0]).unwrap());
        let world = World::make(&mut chance, now, names);
        let clamp = ClampId::new(Uuid::from_u128(0xC1A << 64 | u128::from(seed)));
        Self {
            seed,
            chance,
            world,
            clamp,
            entries: Vec::new(),
            facts: Vec::new(),
            states: Vec::new(),
            evidence: Evidence::new(),
            now,
            yard: "a",
            placed_by: None,
            classed_by: 0,
        }
    }

    pub fn zone(&self) -> Zone {
        self.world.yard_at(self.yard, self.now).value.time_zone.clone()
    }
    pub fn rule_set(&self) -> RuleSetName {
        self.world.yard_at(self.yard, self.now).value.rule_set
    }
    pub fn today(&self) -> Date {
        day_at(&self.zone(), self.now)
    }

    /// Time passes.
    pub fn pass(&mut self, most_days: i64) {
        let chance = &mut self.chance;
        let seconds = match chance.between(0, 9) {
            0..=2 => chance.between(60, 2 * DAY),
            3..=5 => chance.between(DAY, 40 * DAY),
            6 | 7 => chance.between(27 * DAY, 33 * DAY),
            8 => chance.between(150 * DAY, 200 * DAY),
            _ => chance.between(340 * DAY, 420 * DAY),
        };
        let then = self.now + seconds.min(most_days * DAY);
        let zone = self.zone();
        let tried = if self.chance.percent(50) {
            trying(&mut self.chance, &zone, then)
        } else {
            then
        };
        self.now = tried.max(self.now + 1);
    }

    /// Records a fact; its number comes back.
    pub fn record(&mut self, by: &'static str, body: Body, bare: Value) -> usize {
        let number = self.facts.len();
        // Where it is stays beyond doubt: the second judge knows one place.
        let is_certain = matches!(body, Body::Transferred(_));
        let signed = is_certain || !self.chance.percent(2);
        // Some tell of a yard where the clamp never was, or comes to later.
        let told = if number > 0 && !is_certain && self.chance.percent(4) {
            self.chance.pick(&YARDS)
        } else {
            self.yard
        };
        let here = self.world.yard_at(told, self.now);
        let judged_by = JudgedBy {
            yard_id: yard(told),
            yard_version: here.version,
            rule_set: here.value.rule_set,
            rule_set_version: 1,
            model_id: model(),
            model_version: 1,
        };
        let mut fact = Map::new();
        fact.insert("n".to_owned(), json!(number));
        fact.insert("at".to_owned(), json!(self.now));
        fact.insert("kind".to_owned(), json!(body.kind()));
        fact.insert("by".to_owned(), json!(by));
        fact.insert("signed".to_owned(), json!(signed));
        fact.insert("yard".to_owned(), json!(told));
        if let Value::Object(more) = bare {
            fact.extend(more);
        }
        self.facts.push(fact);
        self.entries.push(Entry {
            id: EntryId::new(Uuid::from_u128(
                u128::from(self.seed) << 64 | u128::try_from(number + 1).unwrap(),
            )),
            clamp_id: self.clamp,
            performed_at: instant(self.now),
            counted_at: instant(self.now),
            performed_by: person(by),
            device_id: None,
            judged_by,
            signed,
            placed: false,
            body,
        });
        self.fold_on();
        number
    }

    /// Takes the last entry the way the service does: applied to the state where that may be, else folded anew.
    fn fold_on(&mut self) {
        let Some(entry) = self.entries.last() else { return };
        self.evidence.insert(entry.id, entry.clone());
        let before = self
            .states
            .last()
            .cloned()
            .unwrap_or_else(|| ClampState::new(self.clamp));
        let state = if before.can_apply(entry) {
            let mut after = before;
            after.apply(entry, &self.evidence, &self.world.reference);
            after
        } else {
            fold(self.clamp, &self.entries, &self.world.reference)
        };
        self.states.push(state);
    }

    pub fn go(&mut self) {
        self.register();
        if self.chance.percent(65) {
            self.pass(10);
            self.routine();
        }
        let steps = self.chance.between(3, 11);
        for _ in 0..steps {
            self.pass(420);
            let barred = self.is_barred() && self.chance.percent(45);
            match self.chance.between(0, 99) {
                _ if barred => self.come_back(),
                0..=44 => self.routine(),
                45..=50 => {
                    self.routine();
                    self.use_soon();
                }
                51..=57 => self.tag_out(),
                58..=71 => self.come_back(),
                72..=79 => self.transfer(),
                80..=85 => self.classify(),
                86..=91 => self.use_it(),
                92..=94 => self.use_soon(),
                95 | 96 => self.use_after_a_gap(),
                97 => {
                    let issued = Issued {
                        issued_to: None,
                        issued_to_name: Some("gang 4".to_owned()),
                    };
                    self.record("olin", issued.into(), json!({}));
                }
                _ => self.come_back(),
            }
        }
        if self.chance.percent(3) {
            self.pass(30);
            let retired = Retired {
                reason: "worn out".to_owned(),
                made_unusable: None,
                witness: None,
            };
            self.record("sal", retired.into(), json!({}));
        }
    }

    fn direction(&mut self, class: ServiceClass) -> Option<Direction> {
        if class != ServiceClass::Special || self.chance.percent(10) {
            return None;
        }
        if self.chance.percent(40) {
            return Some(Direction {
                each_use: Some(true),
                frequent: None,
                periodic: None,
            });
        }
        let frequent = self.chance.maybe(
            92,
            &[Interval::Hours(36), Interval::Days(10), Interval::Months(2)],
        );
        let periodic = self.chance.maybe(
            92,
            &[Interval::Months(4), Interval::Months(12), Interval::Days(90)],
        );
        Some(Direction {
            each_use: None,
            frequent,
            periodic,
        })
    }

    fn register(&mut self) {
        let class = self.class();
        let direction = self.direction(class);
        let today = self.today();
        let new = self.chance.percent(60);
        let made_on = self
            .chance
            .percent(70)
            .then(|| today.saturating_sub(self.chance.between(0, 420).days()));
        let service_on = self
            .chance
            .percent(30)
            .then(|| today.saturating_add(self.chance.between(-30, 90).days()));
        let scheme = self.chance.percent(25).then(|| ExaminationScheme {
            interval: Interval::Months(u16::try_from(self.chance.between(2, 14)).unwrap()),
            valid_from: today.saturating_add(self.chance.between(-200, 200).days()),
            drawn_up_by: "Quinn".to_owned(),
            document: Some("scheme".to_owned()),
        });
        let bare = json!({ "service_class": class, "direction": direction, "never_used_before": new, "declared_on": made_on,
            "put_into_service_on": service_on,
            "scheme": scheme.as_ref().map(|one| json!({ "interval": one.interval, "valid_from": one.valid_from })) });
        let body = Registered {
            asset_mark: format!("HMW-{}", self.seed),
            serial_number: Some(format!("G{}", self.seed)),
            model_id: model(),
            yard_id: yard(self.yard),
            service_class: class,
            direction,
            manufactured_on: None,
            put_into_service_on: service_on,
            never_used_before: Some(new),
            declaration: made_on.map(|made_on| Declaration {
                made_on,
                document: Some("declaration".to_owned()),
            }),
            examination_scheme: scheme,
            wll: None,
            jaw_opening: None,
        };
        let by = self.chance.pick(&["quinn", "quade", "sal", "olin"]);
        self.record(by, body.into(), bare);
        self.placed_by = self.entries.last().map(|entry| entry.id);
    }

    fn class(&mut self) -> ServiceClass {
        use ServiceClass::{Heavy, Normal, Severe, Special};
        self.chance
            .pick(&[Normal, Normal, Normal, Heavy, Heavy, Severe, Special])
    }

    fn classify(&mut self) {
        let class = self.class();
        let direction = self.direction(class);
        let before = self.classed_by;
        let bare = json!({ "service_class": class, "direction": direction, "replaces": before });
        let body = Classified {
            service_class: class,
            replaces: Some(self.entries[before].id),
            direction,
        };
        let by = self.chance.pick(&["sal", "sal", "sal", "yara"]);
        self.classed_by = self.record(by, body.into(), bare);
    }

    fn transfer(&mut self) {
        let to = self.chance.pick(&YARDS);
        let body = Transferred {
            to_yard: yard(to),
            replaces: self.placed_by,
            note: None,
        };
        self.record("yara", body.into(), json!({ "to_yard": to }));
        self.placed_by = self.entries.last().map(|entry| entry.id);
        self.yard = to;
    }

    fn tag_out(&mut self) {
        use LockoutReason::{Dropped, OverloadSuspected, Precaution, ShockSuspected};
        let reason = self
            .chance
            .pick(&[Dropped, ShockSuspected, OverloadSuspected, Precaution]);
        let body = TaggedOut {
            reason,
            note: None,
            photos: Vec::new(),
            bulletin: None,
            lift_check: None,
        };
        let by = self.chance.pick(&["olin", "olin", "dan", "quade"]);
        self.record(by, body.into(), json!({ "reason": reason }));
    }

    fn use_it(&mut self) {
        let earliest = self.last_at();
        let from =
            (self.now - self.chance.between(HOUR, 20 * DAY)).max(earliest - self.chance.between(0, 3 * DAY));
        self.use_from(from.min(self.now - 1));
    }

    /// A use soon after whatever was last, when an inspection for each use has not yet run out.
    fn use_soon(&mut self) {
        let from = self.last_at() + self.chance.between(60, 12 * HOUR);
        self.now = from + self.chance.between(60, 6 * HOUR);
        self.use_from(from);
    }

    /// A use that ends the gap since the last one on the very day, or second, on which an inspection is demanded.
    fn use_after_a_gap(&mut self) {
        let Some(last) = self.facts.iter().rfind(|fact| fact["kind"] == "used") else {
            return self.use_it();
        };
        let zone = self.zone();
        let gap = Interval::Months(self.chance.pick(&[1, 1, 12]));
        let day = gap.after(day_at(&zone, last["at"].as_i64().unwrap_or(0)));
        let from = zone.start_of(day).as_second() + self.chance.pick(&[-1, 0, 1, 5 * HOUR]);
        if from > self.last_at() {
            self.now = from + HOUR;
            self.use_from(from);
        }
    }

    fn last_at(&self) -> i64 {
        self.entries
            .last()
            .map_or(self.now, |entry| entry.counted_at.as_second())
    }

    fn use_from(&mut self, from: i64) {
        let body = Used {
            from: instant(from),
            lifts: 12,
            heaviest_load: None,
            mean_load: None,
            abnormal_conditions: Vec::new(),
            against_stop: Vec::new(),
        };
        self.record("olin", body.into(), json!({ "from": from }));
    }
}
