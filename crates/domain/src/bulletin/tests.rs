//! The scope of bulletins and what makes one malformed. Sources: the project's rules of the trade, all of them common
//! practice: no standard says how a bulletin's scope is read.

use super::scope::{BulletinScope, Identity, SerialRange, Serials};
use super::*;
use crate::ids::ModelId;
use crate::quantity::{Length, Mass, Range};
use crate::reference::{Model, Reference, Version, Versions};
use jiff::civil::date;
use proptest::prelude::*;
use uuid::Uuid;

const MODEL: ModelId = ModelId::new(Uuid::from_u128(1));
const OTHER: ModelId = ModelId::new(Uuid::from_u128(2));
const MAKER: &str = "Skagerfjell Lifting";

fn range(first: &str, last: &str) -> SerialRange {
    SerialRange {
        first: first.to_owned(),
        last: last.to_owned(),
    }
}
fn ranges(ends: &[(&str, &str)]) -> BulletinScope {
    serials(Serials {
        ranges: ends.iter().map(|(first, last)| range(first, last)).collect(),
        ..Serials::default()
    })
}
fn serials(serials: Serials) -> BulletinScope {
    BulletinScope {
        models: vec![MODEL],
        serials: Some(serials),
        ..BulletinScope::default()
    }
}
fn texts(texts: &[&str]) -> Vec<String> {
    texts.iter().map(|text| (*text).to_owned()).collect()
}
fn numbered(serial: &str) -> Identity<'_> {
    Identity {
        model: Some(MODEL),
        maker: Some(MAKER),
        serial_number: Some(serial),
        manufactured_on: Some(date(2021, 6, 30)),
    }
}
fn said(scope: &BulletinScope, serial: &str) -> Option<InScopeBecause> {
    scope.covers(&numbered(serial))
}

#[test]
fn a_range_has_both_its_ends_and_its_digits_count_as_a_number() {
    let scope = ranges(&[("KC-0900-B", "KC-1100-B")]);
    for inside in ["KC0900B", "kc 0999 b", "KC-1000-B", "KC1100B"] {
        assert_eq!(said(&scope, inside), Some(InScopeBecause::Named), "{inside}");
    }
    for outside in ["KC-0899-B", "KC-1101-B", "KC9999B", "KC0000B"] {
        assert_eq!(said(&scope, outside), None, "{outside}");
    }
}

#[test]
fn letters_and_digits_may_be_mixed_and_one_group_of_digits_counts() {
    let scope = ranges(&[("A17B020X", "A17B035X")]);
    assert_eq!(said(&scope, "A17B030X"), Some(InScopeBecause::Named));
    assert_eq!(said(&scope, "A17B036X"), None);
    // The year's group differs: another form.
    assert_eq!(said(&scope, "A16B030X"), Some(InScopeBecause::SerialOtherForm));
    let by_year = ranges(&[("19/0044", "21/0044")]);
    assert_eq!(said(&by_year, "20/0044"), Some(InScopeBecause::Named));
    assert_eq!(said(&by_year, "22/0044"), None);
}

#[test]
fn a_number_of_another_form_is_in_scope() {
    let scope = ranges(&[("KC0900", "KC1100")]);
    for other in [
        "KC00900", "KC900", "KD0900", "0900", "KC0900A", "KC", "9", "KC09OO7",
    ] {
        assert_eq!(
            said(&scope, other),
            Some(InScopeBecause::SerialOtherForm),
            "{other}"
        );
    }
    // With a range of its own form beside, that one speaks for it.
    let both = ranges(&[("KC0900", "KC1100"), ("KD0100", "KD0200")]);
    assert_eq!(said(&both, "KD0900"), None);
    assert_eq!(said(&both, "KD0150"), Some(InScopeBecause::Named));
    assert_eq!(said(&both, "KE0150"), Some(InScopeBecause::SerialOtherForm));
}

#[test]
fn a_look_alike_of_a_number_in_scope_is_in_scope_and_one_of_a_number_outside_is_of_another_form() {
    let scope = ranges(&[("KC0900", "KC1100")]);
    for alike in ["KCO9OO", "KC1O5O", "KCI000", "KC0 95S"] {
        assert_eq!(
            said(&scope, alike),
            Some(InScopeBecause::SerialLooksAlike),
            "{alike}"
        );
    }
    let listed = serials(Serials {
        numbers: texts(&["S8-5510"]),
        ..Serials::default()
    });
    assert_eq!(said(&listed, "s8 5510"), Some(InScopeBecause::Named));
    assert_eq!(said(&listed, "5B-SSIO"), Some(InScopeBecause::SerialLooksAlike));
    assert_eq!(said(&listed, "S8-5511"), None);
}

#[test]
fn patterns_name_single_characters_digits_and_anything() {
    let scope = serials(Serials {
        patterns: texts(&["HM-##?7", "X*9"]),
        ..Serials::default()
    });
    for inside in ["HM12A7", "hm-34 07", "X9", "X-1239"] {
        assert_eq!(said(&scope, inside), Some(InScopeBecause::Named), "{inside}");
    }
    for outside in ["HM1A37", "HM1237X", "HM12A", "X98", "Y9"] {
        assert_eq!(said(&scope, outside), None, "{outside}");
    }
    assert_eq!(said(&scope, "HMI2A7"), Some(InScopeBecause::SerialLooksAlike));
}

#[test]
fn what_is_not_known_never_spares_a_clamp() {
    let scope = BulletinScope {
        manufactured_from: Some(date(2020, 1, 1)),
        manufactured_until: Some(date(2021, 6, 30)),
        ..ranges(&[("KC0900", "KC1100")])
    };
    let known = numbered("KC0950");
    assert_eq!(scope.covers(&known), Some(InScopeBecause::Named));
    let without = |change: &dyn Fn(&mut Identity<'_>)| {
        let mut clamp = known.clone();
        change(&mut clamp);
        scope.covers(&clamp)
    };
    assert_eq!(
        without(&|clamp| clamp.serial_number = None),
        Some(InScopeBecause::SerialUnknown)
    );
    assert_eq!(
        without(&|clamp| clamp.manufactured_on = None),
        Some(InScopeBecause::DateUnknown)
    );
    assert_eq!(
        without(&|clamp| clamp.model = None),
        Some(InScopeBecause::ModelUnknown)
    );
    // What is known to be outside stays outside, whatever else is not known.
    assert_eq!(
        without(&|clamp| {
            clamp.serial_number = None;
            clamp.manufactured_on = Some(date(2021, 7, 1));
        }),
        None
    );
    assert_eq!(without(&|clamp| clamp.model = Some(OTHER)), None);
    let of_maker = BulletinScope {
        maker: Some("SKAGERFJELL-lifting".to_owned()),
        ..BulletinScope::default()
    };
    assert_eq!(of_maker.covers(&known), Some(InScopeBecause::Named));
    let nobodys = Identity {
        maker: None,
        ..known.clone()
    };
    assert_eq!(of_maker.covers(&nobodys), Some(InScopeBecause::ModelUnknown));
    let others = Identity {
        maker: Some("Tarnvik Tools"),
        ..known
    };
    assert_eq!(of_maker.covers(&others), None);
}

#[test]
fn a_hold_bears_the_same_id_whoever_writes_it_and_another_for_each_bulletin_and_clamp() {
    let bulletin = |number| BulletinId::new(Uuid::from_u128(number));
    let clamp = |number| ClampId::new(Uuid::from_u128(number));
    assert_eq!(hold_id(bulletin(1), clamp(1)), hold_id(bulletin(1), clamp(1)));
    assert_ne!(hold_id(bulletin(1), clamp(1)), hold_id(bulletin(1), clamp(2)));
    assert_ne!(hold_id(bulletin(1), clamp(1)), hold_id(bulletin(2), clamp(1)));
}

#[test]
fn whoever_was_there_before_the_bulletin_was_closed_is_caught_whenever_it_is_told() {
    let at = |text: &str| text.parse().expect("an instant");
    let mut opened = Opened {
        bulletin: Arc::new(bulletin(ranges(&[("1", "2")]))),
        position: 7,
        opened_at: at("2026-03-01T08:00:00Z"),
        opened_by: PersonId::new(Uuid::nil()),
        held_at: None,
        failed: BTreeSet::new(),
        closed_at: None,
    };
    let clamp = |number| ClampId::new(Uuid::from_u128(number));
    assert!(opened.may_bar_unheld(clamp(1)));
    assert!(opened.catches(at("2036-01-01T00:00:00Z")));
    opened.closed_at = Some(at("2026-05-01T12:00:00Z"));
    assert!(opened.catches(at("2026-05-01T11:59:59Z")));
    assert!(opened.catches(at("2019-01-01T00:00:00Z")));
    assert!(opened.catches(at("2026-05-01T12:00:00Z")));
    assert!(!opened.catches(at("2026-05-01T12:00:01Z")));
    opened.held_at = Some(opened.opened_at);
    assert!(!opened.may_bar_unheld(clamp(1)));
    opened.failed.insert(clamp(1));
    assert!(opened.may_bar_unheld(clamp(1)) && !opened.may_bar_unheld(clamp(2)));
    assert_eq!(opened.holds_from(at("2019-01-01T00:00:00Z")), opened.opened_at);
    assert_eq!(
        opened.holds_from(at("2026-04-01T00:00:00Z")),
        at("2026-04-01T00:00:00Z")
    );
}

fn bulletin(scope: BulletinScope) -> Bulletin {
    Bulletin {
        code: "SB-2026-03".to_owned(),
        title: "Cam pivots of too soft a steel".to_owned(),
        issued_by: MAKER.to_owned(),
        issued_on: date(2026, 3, 1),
        class: BulletinClass::StopUse,
        text: "Pivots of one melt bend below the working load limit.\nStop use.".to_owned(),
        scope,
        checks: texts(&["pin_bent"]),
        remedy: Some(BulletinRemedy {
            text: "Renew the cam pivot".to_owned(),
            components: vec![Component::Linkage],
        }),
    }
}

fn reference() -> Reference {
    let mut reference = Reference::default();
    let model = Model {
        maker: MAKER.to_owned(),
        model: "V3".to_owned(),
        kind: crate::words::ClampKind::ALL.first().copied().expect("a kind"),
        wll: Mass::parse("3000", "kg").expect("a mass"),
        jaw_opening: Range {
            min: Length::parse("0", "mm").expect("a length"),
            max: Length::parse("40", "mm").expect("a length"),
        },
        minimum_load_percent: None,
        hardness_limit_hb: None,
        temperature: None,
        inspection_intervals: None,
        lock: None,
        eye: None,
        custom_design: false,
        stack_lifting: false,
        without_criteria: Vec::new(),
        wear_points: Vec::new(),
        lift_ratings: Vec::new(),
    };
    let version = Version {
        version: 1,
        from: Timestamp::UNIX_EPOCH,
        recorded_at: Timestamp::UNIX_EPOCH,
        recorded_by: PersonId::new(Uuid::nil()),
        value: Arc::new(model),
    };
    reference.models.insert(MODEL, Versions(vec![version]));
    reference
}

#[test]
fn every_fault_of_a_bulletin_is_named_with_its_place() {
    let good = bulletin(ranges(&[("KC0900", "KC1100")]));
    let faults = |bulletin: &Bulletin| -> Vec<(String, &'static str)> {
        check_bulletin(bulletin, &reference(), date(2026, 3, 1))
            .into_iter()
            .map(|fault| (fault.pointer, fault.code))
            .collect()
    };
    assert_eq!(faults(&good), []);
    type Change = fn(&mut Bulletin);
    let cases: &[(Change, &str, &str)] = &[
        (|b| b.code = String::new(), "/code", "invalid-name"),
        (|b| b.title = " x".to_owned(), "/title", "invalid-name"),
        (
            |b| b.issued_by = "a\u{7}".to_owned(),
            "/issued_by",
            "invalid-name",
        ),
        (|b| b.text = " \n".to_owned(), "/text", "invalid-text"),
        (|b| b.issued_on = date(2026, 3, 3), "/issued_on", "in-the-future"),
        (|b| b.scope.models.clear(), "/scope", "empty"),
        (|b| b.scope.models.push(OTHER), "/scope/models/1", "unknown-model"),
        (
            |b| {
                b.scope.models.clear();
                b.scope.maker = Some("Skagerfjel Lifting".to_owned());
            },
            "/scope/maker",
            "unknown-maker",
        ),
        (
            |b| b.scope.maker = Some("Tarnvik Tools".to_owned()),
            "/scope/models/0",
            "other-maker",
        ),
        (
            |b| b.scope.serials = Some(Serials::default()),
            "/scope/serials",
            "empty",
        ),
        (
            |b| b.scope.serials = ranges(&[("KC1100", "KC0900")]).serials,
            "/scope/serials/ranges/0",
            "invalid-range",
        ),
        (
            |b| b.scope.serials = ranges(&[("KC900", "KC1100")]).serials,
            "/scope/serials/ranges/0",
            "invalid-range",
        ),
        (
            |b| b.scope.serials = ranges(&[("KC0900", "KD1100")]).serials,
            "/scope/serials/ranges/0",
            "invalid-range",
        ),
        (
            |b| b.scope.serials = ranges(&[("K1C09", "K2C11")]).serials,
            "/scope/serials/ranges/0",
            "invalid-range",
        ),
        (
            |b| b.scope.serials = ranges(&[("", "KC1100")]).serials,
            "/scope/serials/ranges/0",
            "invalid-serial-number",
        ),
        (
            |b| b.scope.serials.get_or_insert_default().numbers = texts(&["-"]),
            "/scope/serials/numbers/0",
            "invalid-serial-number",
        ),
        (
            |b| b.scope.serials.get_or_insert_default().patterns = texts(&["*-?"]),
            "/scope/serials/patterns/0",
            "invalid-pattern",
        ),
        (
            |b| {
                b.scope.manufactured_from = Some(date(2021, 1, 2));
                b.scope.manufactured_until = Some(date(2021, 1, 1));
            },
            "/scope/manufactured_until",
            "out-of-order",
        ),
        (|b| b.checks.clear(), "/checks", "empty"),
        (
            |b| b.checks = texts(&["no_such"]),
            "/checks/0",
            "unknown-criterion",
        ),
        (
            |b| b.checks = texts(&["pin_bent", "pin_bent"]),
            "/checks/1",
            "given-twice",
        ),
        (
            |b| b.remedy.iter_mut().for_each(|remedy| remedy.components.clear()),
            "/remedy/components",
            "empty",
        ),
        (
            |b| b.class = BulletinClass::InspectBeforeUse,
            "/remedy",
            "not-allowed",
        ),
        (
            |b| {
                b.class = BulletinClass::Information;
                b.remedy = None;
            },
            "/checks",
            "not-allowed",
        ),
    ];
    for (change, pointer, code) in cases {
        let mut bad = good.clone();
        change(&mut bad);
        assert_eq!(faults(&bad), [((*pointer).to_owned(), *code)], "{bad:?}");
    }
}

proptest! {
    /// The oracle: numbers of one form, written out of whole numbers, are in scope as those compare.
    #[test]
    fn a_range_holds_what_lies_between_its_ends_as_numbers(
        prefix in "[AC-HJ-NP-RT-Z]{0,3}", suffix in "[AC-HJ-NP-RT-Z]{0,2}", a in 0_u32..100_000, b in 0_u32..100_000, n in 0_u32..100_000,
    ) {
        let write = |number: u32| format!("{prefix}{number:05}{suffix}");
        let (first, last) = (a.min(b), a.max(b));
        let scope = ranges(&[(&write(first), &write(last))]);
        let expected = (first <= n && n <= last).then_some(InScopeBecause::Named);
        prop_assert_eq!(said(&scope, &write(n)), expected);
    }

    /// The oracle: the pattern tried out character by character.
    #[test]
    fn a_pattern_fits_what_can_be_made_of_it(pattern in "[A7?#*]{1,6}", number in "[A7C2]{1,7}") {
        fn fits(pattern: &[u8], number: &[u8]) -> bool {
            match (pattern.split_first(), number.split_first()) {
                (None, rest) => rest.is_none(),
                (Some((b'*', rest)), tail) => {
                    fits(rest, number) || tail.is_some_and(|(_, tail)| fits(pattern, tail))
                }
                (Some((sign, rest)), Some((character, tail))) => {
                    let same = match sign {
                        b'?' => true,
                        b'#' => character.is_ascii_digit(),
                        sign => sign == character,
                    };
                    same && fits(rest, tail)
                }
                (Some(_), None) => false,
            }
        }
        let scope = serials(Serials { patterns: vec![pattern.clone()], ..Serials::default() });
        prop_assert_eq!(said(&scope, &number).is_some(), fits(pattern.as_bytes(), number.as_bytes()));
    }
}
