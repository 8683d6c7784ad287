//! The figures of the rule sets against their published sources.

use super::*;
use crate::criteria::{criteria, criterion};
use crate::source::Certainty;
use crate::words::{CompetenceKind, ExaminationBasis};
use rust_decimal::Decimal;

const CLOCKS: &[Clock] = Clock::ALL;
const CLASSES: &[ServiceClass] = ServiceClass::ALL;

fn months(n: u16) -> Interval {
    Interval::Months(n)
}
fn decimal(text: &str) -> Decimal {
    text.parse().unwrap()
}

#[test]
fn every_embedded_rule_set_is_well_formed_and_is_the_current_version_of_its_name() {
    assert_eq!(all().len(), 3);
    for &name in RuleSetName::ALL {
        let rules = current(name);
        assert_eq!((rules.name, rules.version), (name, 1));
        assert_eq!(rule_set(name, 1), Some(rules));
        assert_eq!(rule_set(name, 2), None);
        let text = serde_json::to_string(rules).unwrap();
        assert_eq!(&serde_json::from_str::<RuleSet>(&text).unwrap(), rules);
    }
}

#[test]
fn intervals_of_the_american_rule_set_are_those_of_asme_b30_20() {
    // Source: ASME B30.20-2013, 20-1.3 (frequent) and B30.20-2010, 20-1.3 as extracted in DOE-STD-1090-96 (periodic).
    let rules = current(RuleSetName::UsB3020);
    for (clock, class, default, longest) in [
        (Clock::Frequent, ServiceClass::Normal, months(1), months(1)),
        (Clock::Frequent, ServiceClass::Heavy, Interval::Days(7), months(1)),
        (
            Clock::Frequent,
            ServiceClass::Severe,
            Interval::Hours(24),
            Interval::Days(7),
        ),
        (Clock::Periodic, ServiceClass::Normal, months(12), months(12)),
        (Clock::Periodic, ServiceClass::Heavy, months(6), months(6)),
        (Clock::Periodic, ServiceClass::Severe, months(3), months(3)),
    ] {
        let rule = rules.interval(clock, class).unwrap();
        assert_eq!(
            (rule.default, rule.longest),
            (default, longest),
            "{clock} {class}"
        );
        assert_eq!(rule.source.certainty, Certainty::Text);
    }
    for &clock in CLOCKS {
        assert!(matches!(
            rules.clock(clock, ServiceClass::Special),
            ClockRule::Directed {
                each_use_within: Interval::Hours(24),
                ..
            }
        ));
        assert_eq!(rules.interval(clock, ServiceClass::Special), None);
    }
    assert_eq!(rules.thorough_examination(), None);
}

#[test]
fn a_clamp_is_thoroughly_examined_every_six_months_under_loler_in_every_service_class() {
    // Source: SI 1998/2307 reg. 9(3)(a)(i).
    let rules = current(RuleSetName::GbLoler);
    let examination = rules.thorough_examination().unwrap();
    assert_eq!(examination.interval, months(6));
    for &class in CLASSES {
        assert_eq!(rules.interval(Clock::Periodic, class).unwrap().longest, months(6));
        assert!(matches!(
            rules.clock(Clock::Frequent, class),
            ClockRule::NotFixed { .. }
        ));
    }
    // Limb (ii), twelve months, is not for an accessory; first use: declaration not older than twelve months.
    assert!(!examination.bases.allowed.contains(&ExaminationBasis::LimbIi));
    assert_eq!(examination.bases.allowed.len(), ExaminationBasis::ALL.len() - 1);
    assert_eq!(examination.first_use_exemption.declaration_within, months(12));
}

#[test]
fn german_guidance_asks_for_a_yearly_inspection_taken_apart() {
    // Source: DGUV guidance.
    let rules = current(RuleSetName::DeDguv);
    for &class in CLASSES {
        assert_eq!(
            rules.interval(Clock::Periodic, class).unwrap().default,
            months(12)
        );
        assert_eq!(rules.interval(Clock::Frequent, class), None);
    }
    assert_eq!(rules.scope(InspectionKind::Periodic, None), Scope::Dismantled);
    assert_eq!(
        current(RuleSetName::UsB3020).scope(InspectionKind::Periodic, None),
        Scope::Periodic
    );
}

#[test]
fn a_yard_chooses_inside_the_range_and_outside_it_only_shorter() {
    let rules = current(RuleSetName::UsB3020);
    for (class, asked, allowed) in [
        (ServiceClass::Normal, months(1), true),
        (ServiceClass::Normal, months(2), false),
        (ServiceClass::Heavy, Interval::Days(7), true),
        (ServiceClass::Heavy, Interval::Days(14), true),
        (ServiceClass::Heavy, months(1), true),
        (ServiceClass::Heavy, Interval::Days(1), true),
        (ServiceClass::Heavy, Interval::Days(31), false),
        (ServiceClass::Severe, Interval::Days(7), true),
        (ServiceClass::Severe, Interval::Days(8), false),
        (ServiceClass::Special, months(12), true),
    ] {
        assert_eq!(
            rules.allows(Clock::Frequent, class, asked).is_ok(),
            allowed,
            "{class} {asked}"
        );
    }
    let refusal = rules
        .allows(Clock::Periodic, ServiceClass::Heavy, months(12))
        .unwrap_err();
    assert_eq!((refusal.asked, refusal.longest), (months(12), months(6)));
    assert!(
        refusal
            .to_string()
            .starts_with("P1Y is longer than P6M, the longest that ASME B30.20"),
        "{refusal}"
    );
    assert!(
        current(RuleSetName::GbLoler)
            .allows(Clock::Periodic, ServiceClass::Normal, months(7))
            .is_err()
    );
    assert!(
        current(RuleSetName::GbLoler)
            .allows(Clock::Frequent, ServiceClass::Normal, months(7))
            .is_ok()
    );
}

#[test]
fn what_holds_by_default_is_never_longer_than_what_may_be_chosen() {
    for rules in all() {
        for (&clock, &class) in CLOCKS
            .iter()
            .flat_map(|clock| CLASSES.iter().map(move |class| (clock, class)))
        {
            if let Some(rule) = rules.interval(clock, class) {
                assert!(
                    rule.default.is_within(rule.longest),
                    "{} {clock} {class}",
                    rules.name
                );
            }
        }
    }
}

#[test]
fn a_designated_person_is_credited_with_frequent_scope_and_a_qualified_person_with_periodic_scope() {
    // Source: ASME B30.20, 20-1.3 (2010 text).
    for rules in all() {
        for &kind in InspectionKind::ALL {
            let expected = match Scope::at_least(kind) {
                Scope::Frequent => CompetenceKind::DesignatedPerson,
                Scope::Periodic | Scope::Dismantled | Scope::CrackTest => CompetenceKind::QualifiedPerson,
            };
            assert_eq!(
                rules.credited_by(kind).competence,
                expected,
                "{} {kind}",
                rules.name
            );
            assert!(rules.scope(kind, None) >= Scope::at_least(kind));
        }
    }
}

#[test]
fn after_shock_overload_drop_or_heat_an_exceptional_inspection_takes_the_clamp_apart() {
    for rules in all() {
        for &reason in ExceptionalReason::ALL {
            let apart = match reason {
                ExceptionalReason::Shock
                | ExceptionalReason::Overload
                | ExceptionalReason::Drop
                | ExceptionalReason::Heat => true,
                ExceptionalReason::FoundAgain
                | ExceptionalReason::Bulletin
                | ExceptionalReason::Precaution => false,
            };
            assert_eq!(
                rules.must_be_dismantled(Some(reason)),
                apart,
                "{} {reason}",
                rules.name
            );
            let scope = rules.scope(InspectionKind::Exceptional, Some(reason));
            assert_eq!(scope, if apart { Scope::Dismantled } else { Scope::Periodic });
        }
    }
}

#[test]
fn wear_rejects_at_ten_percent_in_america_and_at_five_in_europe_and_a_throat_opened_by_ten_everywhere() {
    // Sources: ASME B30.26 "a 10 % reduction"; DGUV Information 209-013 (5 % of the section); one maker (throat).
    for (name, shackle, other) in [
        (RuleSetName::UsB3020, "10", "10"),
        (RuleSetName::GbLoler, "5", "5"),
        (RuleSetName::DeDguv, "5", "5"),
    ] {
        let limit = |code| {
            current(name)
                .wear_limit(criterion(code).unwrap())
                .unwrap()
                .percent
        };
        assert_eq!(limit("shackle_eye_worn"), decimal(shackle), "{name}");
        assert_eq!(limit("shackle_eye_hole_elongated"), decimal(shackle), "{name}");
        assert_eq!(limit("pin_worn"), decimal(other), "{name}");
        assert_eq!(limit("body_hole_elongated"), decimal(other), "{name}");
        assert_eq!(limit("body_section_reduced"), decimal(other), "{name}");
        assert_eq!(limit("throat_opened"), decimal("10"), "{name}");
    }
}

#[test]
fn only_measured_criteria_have_a_wear_limit() {
    for rules in all() {
        for criterion in criteria() {
            assert_eq!(
                rules.wear_limit(criterion).is_some(),
                criterion.measured.is_some(),
                "{}",
                criterion.code
            );
        }
    }
}

#[test]
fn a_proof_test_goes_to_125_percent_and_only_the_american_rule_set_bars_above_it() {
    // Sources: ASME B30.20-2013, 20-1.3.8.2; 29 CFR 1926.251(a)(4).
    for rules in all() {
        let test = &rules.proof_test;
        assert_eq!(test.max_percent, decimal("125.0"));
        assert_eq!(test.over_limit_opens_lockout, rules.name == RuleSetName::UsB3020);
        assert_eq!(test.custom_design.is_some(), rules.name == RuleSetName::UsB3020);
        // WLL at most 80 % of the test load and test load at most 125 % of WLL: both meet at exactly 125 %.
        assert_eq!(
            test.max_percent * test.rated_at_most_percent_of_test_load,
            decimal("10000")
        );
    }
}

#[test]
fn a_clamp_idle_for_a_month_needs_a_frequent_and_for_a_year_a_periodic_inspection() {
    // Source: ASME B30.20-2013, 20-1.3.5. Last use 2025-03-10: frequent from 2025-04-10, periodic from 2026-03-10.
    let idle = current(RuleSetName::UsB3020).idle.as_ref().unwrap();
    let last_use = "2025-03-10".parse().unwrap();
    assert_eq!(idle.frequent_from.after(last_use).to_string(), "2025-04-10");
    assert_eq!(idle.periodic_from.after(last_use).to_string(), "2026-03-10");
    // The fold joins uses that lie closer together: a shorter gap would be lost there.
    for rule in all().iter().filter_map(|rules| rules.idle.as_ref()) {
        assert!(crate::fold::JOINED_WITHIN.is_within(rule.frequent_from));
        assert!(crate::fold::JOINED_WITHIN.is_within(rule.periodic_from));
    }
}

#[test]
fn every_figure_names_its_source() {
    fn walk(value: &serde_json::Value, found: &mut usize) {
        match value {
            serde_json::Value::Object(fields) => {
                if let Some(cite) = fields.get("cite") {
                    assert!(cite.as_str().unwrap().len() >= 10, "{cite}");
                    *found += 1;
                } else if fields.keys().any(|key| {
                    matches!(
                        key.as_str(),
                        "percent" | "default" | "scope" | "competence" | "days"
                    )
                }) {
                    let sourced = fields
                        .keys()
                        .any(|key| key == "source" || key == "before_first_use");
                    assert!(sourced, "a figure without its source: {value}");
                }
                fields.values().for_each(|value| walk(value, found));
            }
            serde_json::Value::Array(values) => values.iter().for_each(|value| walk(value, found)),
            _ => {}
        }
    }
    for rules in all() {
        let mut found = 0;
        walk(&serde_json::to_value(rules).unwrap(), &mut found);
        assert!(found >= 25, "{} has {found} sources", rules.name);
    }
}
