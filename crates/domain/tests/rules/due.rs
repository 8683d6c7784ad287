//! When inspections fall due, per rule set, class and yard.

use crate::support::{History, World, at, day, kg};
use clampward_domain::calendar::Interval;
use clampward_domain::entry::{Declaration, Direction, ExaminationScheme, ProofTestResult};
use clampward_domain::reference::Intervals;
use clampward_domain::schedule::DueRule;
use clampward_domain::words::{
    AmendmentField, CompetenceKind, ExaminationBasis, FitnessReason, InspectionKind, ServiceClass, Status,
};
use serde_json::json;

/// A clamp of this class, initially inspected on 31 January 2025 at 09:00 in New York.
fn of_class(world: World, class: ServiceClass, direction: Option<Direction>) -> History {
    let mut clamp = History::new(world, "erie");
    clamp.registered("2025-01-30T14:00Z", |body| body.service_class = class);
    if direction.is_some() {
        let first = clamp.entries[0].id;
        clamp.classified("2025-01-30T15:00Z", "inspector", class, Some(first), direction);
    }
    clamp.accepted("2025-01-31T14:00Z", "inspector", InspectionKind::Initial);
    clamp
}
fn directed(frequent: Option<Interval>, periodic: Option<Interval>, each_use: bool) -> Option<Direction> {
    Some(Direction {
        each_use: Some(each_use),
        frequent,
        periodic,
    })
}

#[test]
fn each_class_has_its_intervals() {
    // ASME B30.20-2013, 20-1.3 (frequent) and the 2010 text in DOE-STD-1090-96 (periodic). New York, UTC-5 and UTC-4.
    for (class, frequent, frequent_until, periodic) in [
        (
            ServiceClass::Normal,
            Some("2025-02-28"),
            "2025-03-01T05:00Z",
            "2026-01-31",
        ),
        (
            ServiceClass::Heavy,
            Some("2025-02-07"),
            "2025-02-08T05:00Z",
            "2025-07-31",
        ),
        (ServiceClass::Severe, None, "2025-02-01T14:00Z", "2025-04-30"),
    ] {
        let clamp = of_class(World::new(), class, None);
        let now = clamp.standing("2025-01-31T14:00Z");
        assert!(now.fit, "{class}");
        assert_eq!(now.service_class, Some(class));
        let due = now.due.frequent.unwrap();
        assert_eq!(
            (due.on, due.ends_at),
            (frequent.map(day), at(frequent_until)),
            "{class}"
        );
        assert_eq!(now.due.periodic.unwrap().on, Some(day(periodic)), "{class}");
        assert_eq!(now.fit_until, Some(at(frequent_until)));
        assert_eq!(clamp.reasons(frequent_until), [FitnessReason::FrequentOverdue]);
    }
}

#[test]
fn the_periodic_clock_ends_fitness_although_frequent_inspections_are_kept() {
    let mut clamp = of_class(World::new(), ServiceClass::Heavy, None);
    clamp.accepted("2025-07-30T14:00Z", "designated", InspectionKind::Frequent);
    assert!(clamp.is_fit("2025-08-01T03:59:59Z"));
    assert_eq!(
        clamp.reasons("2025-08-01T04:00Z"),
        [FitnessReason::PeriodicOverdue]
    );
}

#[test]
fn a_yard_picks_inside_weekly_to_monthly_for_heavy_service_and_outside_only_shorter() {
    let picked = |interval| {
        let world = World::new().yard("erie", |yard| {
            yard.intervals.frequent.insert(ServiceClass::Heavy, interval);
        });
        let due = of_class(world, ServiceClass::Heavy, None)
            .standing("2025-01-31T14:00Z")
            .due
            .frequent
            .unwrap();
        (due.on.unwrap().to_string(), due.rule)
    };
    assert_eq!(
        picked(Interval::Days(7)),
        ("2025-02-07".to_owned(), DueRule::Yard)
    );
    assert_eq!(
        picked(Interval::Days(14)),
        ("2025-02-14".to_owned(), DueRule::Yard)
    );
    assert_eq!(
        picked(Interval::Months(1)),
        ("2025-02-28".to_owned(), DueRule::Yard)
    );
    assert_eq!(
        picked(Interval::Days(3)),
        ("2025-02-03".to_owned(), DueRule::Yard)
    );
    assert_eq!(
        picked(Interval::Months(2)),
        ("2025-02-07".to_owned(), DueRule::RuleSet)
    );
}

#[test]
fn the_makers_interval_counts_where_it_is_shorter() {
    let world = |months| {
        World::new().model(move |model| {
            let mut intervals = Intervals::default();
            intervals
                .periodic
                .insert(ServiceClass::Normal, Interval::Months(months));
            model.inspection_intervals = Some(intervals);
        })
    };
    let due = |months| {
        let due = of_class(world(months), ServiceClass::Normal, None)
            .standing("2025-01-31T14:00Z")
            .due
            .periodic;
        (due.clone().unwrap().on.unwrap(), due.unwrap().rule)
    };
    assert_eq!(due(3), (day("2025-04-30"), DueRule::Maker));
    assert_eq!(due(24), (day("2026-01-31"), DueRule::RuleSet));
}

#[test]
fn special_service_without_a_qualified_persons_direction_is_not_fit() {
    let bare = of_class(World::new(), ServiceClass::Special, None);
    assert_eq!(
        bare.reasons("2025-01-31T14:00Z"),
        [FitnessReason::DirectionMissing]
    );
    let half = of_class(
        World::new(),
        ServiceClass::Special,
        directed(Some(Interval::Days(5)), None, false),
    );
    assert_eq!(
        half.reasons("2025-01-31T14:00Z"),
        [FitnessReason::DirectionMissing]
    );
    let both = directed(Some(Interval::Days(5)), Some(Interval::Months(2)), false);
    let clamp = of_class(World::new(), ServiceClass::Special, both.clone());
    let now = clamp.standing("2025-01-31T14:00Z");
    assert!(now.fit);
    assert_eq!(now.due.frequent.unwrap().on, Some(day("2025-02-05")));
    assert_eq!(now.due.periodic.unwrap().on, Some(day("2025-03-31")));
    // The direction of somebody who is not qualified directs nothing.
    let mut clamp = of_class(World::new(), ServiceClass::Special, None);
    let first = clamp.entries[0].id;
    clamp.classified(
        "2025-01-30T15:00Z",
        "unqualified_lead",
        ServiceClass::Special,
        Some(first),
        both,
    );
    assert!(
        clamp
            .reasons("2025-01-31T14:00Z")
            .contains(&FitnessReason::DirectionMissing)
    );
}

#[test]
fn a_yards_own_interval_also_tightens_a_direction() {
    let both = directed(Some(Interval::Days(20)), Some(Interval::Months(6)), false);
    let world = World::new().yard("erie", |yard| {
        yard.intervals
            .frequent
            .insert(ServiceClass::Special, Interval::Days(5));
    });
    let due = of_class(world, ServiceClass::Special, both)
        .standing("2025-01-31T14:00Z")
        .due
        .frequent
        .unwrap();
    assert_eq!((due.on, due.rule), (Some(day("2025-02-05")), DueRule::Yard));
}

#[test]
fn each_use_needs_an_inspection_since_the_last_use_and_within_24_hours() {
    let mut clamp = of_class(World::new(), ServiceClass::Special, directed(None, None, true));
    assert_eq!(
        clamp.standing("2025-01-31T14:00Z").fit_until,
        Some(at("2025-02-01T14:00Z"))
    );
    assert!(clamp.is_fit("2025-02-01T13:59:59Z"));
    assert_eq!(
        clamp.reasons("2025-02-01T14:00Z"),
        [FitnessReason::FrequentOverdue]
    );
    clamp.used("2025-01-31T15:00Z", "2025-01-31T16:00Z", |_| {});
    assert_eq!(
        clamp.reasons("2025-01-31T16:00Z"),
        [FitnessReason::FrequentOverdue]
    );
    clamp.accepted("2025-01-31T17:00Z", "designated", InspectionKind::PreLift);
    assert!(clamp.is_fit("2025-01-31T17:00Z"));
}

#[test]
fn idle_a_month_needs_a_frequent_and_idle_a_year_a_periodic_inspection_before_use() {
    // ASME B30.20-2013, 20-1.3.5; dates of the worked example: last use 2025-03-10.
    let both = directed(Some(Interval::Months(18)), Some(Interval::Months(24)), false);
    let mut clamp = of_class(World::new(), ServiceClass::Special, both);
    clamp.used("2025-03-10T13:00Z", "2025-03-10T14:00Z", |_| {});
    assert_eq!(
        clamp.standing("2025-03-10T15:00Z").fit_until,
        Some(at("2025-04-10T04:00Z"))
    );
    assert!(clamp.is_fit("2025-04-10T03:59:59Z"));
    assert_eq!(clamp.reasons("2025-04-10T04:00Z"), [FitnessReason::IdleTooLong]);
    // Later use does not close the gap, an inspection does.
    clamp.used("2025-04-20T13:00Z", "2025-04-20T14:00Z", |_| {});
    assert_eq!(clamp.reasons("2025-04-21T14:00Z"), [FitnessReason::IdleTooLong]);
    clamp.accepted("2025-04-22T14:00Z", "designated", InspectionKind::Frequent);
    assert!(clamp.is_fit("2025-04-22T14:00Z"));
    let used_last = |clamp: &mut History| {
        clamp.entries.pop();
        clamp.entries.pop();
    };
    used_last(&mut clamp);
    // After a year a frequent inspection is not enough.
    clamp.accepted("2026-03-09T14:00Z", "designated", InspectionKind::Frequent);
    assert!(clamp.is_fit("2026-03-09T14:00Z"));
    assert_eq!(clamp.reasons("2026-03-10T04:00Z"), [FitnessReason::IdleTooLong]);
    clamp.accepted("2026-03-11T14:00Z", "designated", InspectionKind::Frequent);
    assert_eq!(clamp.reasons("2026-03-11T14:00Z"), [FitnessReason::IdleTooLong]);
    clamp.accepted("2026-03-12T14:00Z", "inspector", InspectionKind::Periodic);
    assert!(clamp.is_fit("2026-03-12T14:00Z"));
}

#[test]
fn the_idle_rule_holds_in_other_classes_only_where_the_yard_records_use() {
    let idle = |records_use| {
        let world = World::new().yard("erie", |yard| yard.records_use = records_use);
        let mut clamp = of_class(world, ServiceClass::Normal, None);
        clamp.used("2025-02-05T13:00Z", "2025-02-05T14:00Z", |_| {});
        clamp.accepted("2025-02-28T14:00Z", "designated", InspectionKind::Frequent);
        clamp.is_fit("2025-03-05T14:00Z")
    };
    assert!(idle(false));
    assert!(!idle(true));
}

#[test]
fn a_thorough_examination_holds_six_months_from_the_day_examined() {
    // LOLER 1998 reg. 9(3)(a)(i): examined 2025-03-15, overdue from 2025-09-16. London, UTC+1.
    let mut clamp = History::new(World::new(), "leith");
    clamp.registered("2025-03-14T10:00Z", |_| {});
    assert_eq!(
        clamp.standing("2025-03-14T10:00Z").status,
        Status::AwaitingInitialInspection
    );
    clamp.examined("2025-03-15T10:00Z", |_| {});
    let now = clamp.standing("2025-03-15T10:00Z");
    assert_eq!(now.fit_until, Some(at("2025-09-15T23:00Z")));
    assert_eq!(now.due.periodic.unwrap().on, Some(day("2025-09-15")));
    assert!(clamp.is_fit("2025-09-15T22:59:59Z"));
    assert_eq!(
        clamp.reasons("2025-09-15T23:00Z"),
        [FitnessReason::PeriodicOverdue]
    );
}

#[test]
fn other_inspections_do_not_start_the_thorough_clock() {
    let mut clamp = History::new(World::new(), "leith");
    clamp.registered("2025-03-14T10:00Z", |_| {});
    clamp.examined("2025-03-15T10:00Z", |_| {});
    let end = Some(at("2025-09-15T23:00Z"));
    clamp.accepted("2025-04-01T10:00Z", "inspector", InspectionKind::Frequent);
    clamp.accepted("2025-04-02T10:00Z", "inspector", InspectionKind::Periodic);
    let repair = clamp.repaired(
        "2025-04-03T10:00Z",
        "technician",
        clampward_domain::words::Component::Pins,
        &[],
    );
    let inspection = clamp.reinspected("2025-04-04T10:00Z", "inspector", repair);
    let mut of_repair = crate::support::release(
        clamp.not_reinspected(repair),
        clampward_domain::words::Ground::Reinspected,
    );
    of_repair.inspection_entry = Some(inspection);
    clamp.returned("2025-04-05T10:00Z", "lead", vec![of_repair]);
    assert_eq!(clamp.standing("2025-04-06T10:00Z").fit_until, end);
    // Nor does a frequent-scope inspection that calls itself thorough.
    let mut body = clamp.complete(InspectionKind::Frequent);
    body.basis = Some(ExaminationBasis::LimbI);
    clamp.write("2025-04-07T10:00Z", "inspector", body);
    assert_eq!(clamp.standing("2025-04-07T10:00Z").fit_until, end);
    // An after-repair inspection made and reported as a thorough examination does.
    clamp.inspection_mut(inspection).basis = Some(ExaminationBasis::LimbIv);
    assert_eq!(
        clamp.standing("2025-04-07T10:00Z").due.periodic.unwrap().on,
        Some(day("2025-10-04"))
    );
}

#[test]
fn the_examiners_earlier_date_wins_and_a_later_one_does_not() {
    let due = |latest: &str| {
        let mut clamp = History::new(World::new(), "leith");
        clamp.registered("2025-03-14T10:00Z", |_| {});
        clamp.examined("2025-03-15T10:00Z", |body| {
            body.next_latest_date = Some(day(latest))
        });
        let due = clamp.standing("2025-03-15T10:00Z").due.periodic.unwrap();
        (due.on.unwrap(), due.rule)
    };
    assert_eq!(due("2025-06-30"), (day("2025-06-30"), DueRule::Examiner));
    assert_eq!(due("2025-12-31"), (day("2025-09-15"), DueRule::RuleSet));
}

#[test]
fn twelve_months_under_limb_ii_are_refused_for_a_clamp() {
    let mut clamp = History::new(World::new(), "leith");
    clamp.registered("2025-03-14T10:00Z", |_| {});
    let examined = clamp.examined("2025-03-15T10:00Z", |body| {
        body.basis = Some(ExaminationBasis::LimbIi)
    });
    assert_eq!(clamp.judge(examined).outcome.credited, Some(false));
    assert!(!clamp.is_fit("2025-03-15T10:00Z"));
}

#[test]
fn a_scheme_in_force_sets_a_longer_or_shorter_interval_and_one_written_afterwards_cures_nothing() {
    let scheme = |months, from: &str| ExaminationScheme {
        interval: Interval::Months(months),
        valid_from: day(from),
        drawn_up_by: "a competent person".to_owned(),
        document: None,
    };
    let registered = |months: Option<u16>| {
        let mut clamp = History::new(World::new(), "leith");
        clamp.registered("2025-03-14T10:00Z", |body| {
            body.examination_scheme = months.map(|months| scheme(months, "2025-01-01"));
        });
        clamp.examined("2025-03-15T10:00Z", |_| {});
        clamp
    };
    let due = |clamp: &History| {
        let due = clamp.standing("2025-03-15T10:00Z").due.periodic.unwrap();
        (due.on.unwrap().to_string(), due.rule)
    };
    assert_eq!(
        due(&registered(Some(9))),
        ("2025-12-15".to_owned(), DueRule::Scheme)
    );
    assert_eq!(
        due(&registered(Some(3))),
        ("2025-06-15".to_owned(), DueRule::Scheme)
    );
    let amended = |clamp: &mut History, when: &str, months| {
        let first = clamp.entries[0].id;
        let value = json!(scheme(months, "2025-01-01"));
        clamp.amended(when, "safety", first, AmendmentField::ExaminationScheme, value);
    };
    let mut before = registered(None);
    amended(&mut before, "2025-03-14T12:00Z", 9);
    assert_eq!(due(&before), ("2025-12-15".to_owned(), DueRule::Scheme));
    let mut afterwards = registered(None);
    amended(&mut afterwards, "2025-10-01T12:00Z", 9);
    assert_eq!(due(&afterwards), ("2025-09-15".to_owned(), DueRule::RuleSet));
    assert!(!afterwards.is_fit("2025-10-02T12:00Z"));
    let mut shorter = registered(None);
    amended(&mut shorter, "2025-10-01T12:00Z", 2);
    assert_eq!(due(&shorter), ("2025-05-15".to_owned(), DueRule::Scheme));
}

#[test]
fn a_new_clamp_is_exempt_if_put_into_service_within_a_year_of_its_declaration() {
    // LOLER 1998 reg. 9(1): declaration of 2024-03-01; 2025-03-01 yes, 2025-03-02 no.
    let new_clamp = |put: Option<&str>, never_used: Option<bool>| {
        let mut clamp = History::new(World::new(), "leith");
        clamp.registered("2024-06-01T10:00Z", |body| {
            body.never_used_before = never_used;
            body.declaration = Some(Declaration {
                made_on: day("2024-03-01"),
                document: None,
            });
            body.put_into_service_on = put.map(day);
        });
        clamp
    };
    let exempt = new_clamp(Some("2025-03-01"), Some(true));
    let now = exempt.standing("2025-03-01T12:00Z");
    assert!(now.fit);
    let due = now.due.periodic.unwrap();
    assert_eq!((due.on, due.rule), (Some(day("2025-09-01")), DueRule::FirstUse));
    assert!(!new_clamp(Some("2025-03-02"), Some(true)).is_fit("2025-03-02T12:00Z"));
    // Not stated by name, not exempt.
    assert!(!new_clamp(Some("2025-03-01"), None).is_fit("2025-03-01T12:00Z"));
    // Not yet put into service: judged again each day. London, UTC+0.
    let waiting = new_clamp(None, Some(true));
    assert_eq!(
        waiting.standing("2024-06-01T10:00Z").fit_until,
        Some(at("2025-03-02T00:00Z"))
    );
    assert!(!waiting.is_fit("2025-03-02T00:00Z"));
    // The first issue or use puts it into service, if that is earlier than the day entered.
    let mut issued = new_clamp(Some("2025-02-01"), Some(true));
    issued.issued("2024-12-10T10:00Z", "operator");
    assert_eq!(
        issued.standing("2024-12-10T10:00Z").due.periodic.unwrap().on,
        Some(day("2025-06-10"))
    );
    issued.used("2024-12-01T10:00Z", "2024-12-01T11:00Z", |_| {});
    assert_eq!(
        issued.standing("2024-12-10T10:00Z").due.periodic.unwrap().on,
        Some(day("2025-06-01"))
    );
}

#[test]
fn inspections_under_another_rule_set_do_not_count_in_a_british_yard() {
    let mut clamp = History::in_service(World::new(), "erie");
    let first = clamp.entries[0].id;
    assert!(clamp.is_fit("2025-01-10T10:00Z"));
    clamp.transferred("2025-01-10T12:00Z", "leith", Some(first));
    assert_eq!(
        clamp.reasons("2025-01-10T12:00Z"),
        [FitnessReason::AwaitingInitialInspection]
    );
    clamp.now_in("leith");
    clamp.examined("2025-01-11T12:00Z", |_| {});
    assert!(clamp.is_fit("2025-01-11T12:00Z"));
}

#[test]
fn german_guidance_is_yearly_and_dismantled() {
    let mut clamp = History::new(World::new(), "emden");
    clamp.registered("2024-02-28T10:00Z", |_| {});
    clamp.accepted("2024-02-29T10:00Z", "inspector", InspectionKind::Initial);
    let now = clamp.standing("2024-02-29T10:00Z");
    // 29 February + 1 year saturates to 28 February; Berlin, UTC+1.
    assert_eq!(now.fit_until, Some(at("2025-02-28T23:00Z")));
    let periodic = clamp.accepted("2025-02-01T10:00Z", "inspector", InspectionKind::Periodic);
    clamp
        .inspection_mut(periodic)
        .findings
        .retain(|finding| finding.criterion != "lock_slot_dimpled");
    assert_eq!(clamp.judge(periodic).outcome.credited, Some(false));
}

#[test]
fn a_day_ends_at_midnight_of_the_yard_also_when_clocks_change() {
    // Due on Sunday 9 March 2025, when New York goes from UTC-5 to UTC-4, and on 2 November, when it goes back.
    let due_in = |inspected: &str| {
        let mut clamp = History::new(World::new(), "erie");
        clamp.registered("2025-01-01T14:00Z", |_| {});
        clamp.accepted(inspected, "inspector", InspectionKind::Initial);
        clamp.standing(inspected).fit_until.unwrap()
    };
    assert_eq!(due_in("2025-02-09T14:00Z"), at("2025-03-10T04:00Z"));
    assert_eq!(due_in("2025-10-02T14:00Z"), at("2025-11-03T05:00Z"));
    // Inspected at 23:30 on 31 January in New York: 1 February in Greenwich, but due on 28 February.
    assert_eq!(due_in("2025-02-01T04:30Z"), at("2025-03-01T05:00Z"));
}

#[test]
fn a_back_dated_transfer_to_a_looser_yard_frees_nothing_and_the_yard_at_the_instant_decides() {
    let mut clamp = History::in_service(World::new(), "erie");
    let first = clamp.entries[0].id;
    let worn = clamp.rejected("2025-01-20T15:00Z", "designated", "shackle_eye_worn");
    clamp.transferred("2025-01-01T10:00Z", "emden", Some(first));
    assert!(clamp.is_open(worn));
    assert!(!clamp.is_fit("2025-01-21T15:00Z"));
    // Without the rejection the German yard's year counts.
    clamp.entries.remove(2);
    assert_eq!(clamp.state().yards(), [crate::support::id("emden")]);
    assert_eq!(
        clamp.standing("2025-01-21T15:00Z").fit_until,
        Some(at("2026-01-03T23:00Z"))
    );
}

#[test]
fn a_yard_version_counts_from_its_day_on_and_fit_until_knows_it() {
    let world = World::new().yard_from("erie", "2025-01-20T05:00Z", |yard| {
        yard.intervals
            .frequent
            .insert(ServiceClass::Normal, Interval::Days(7));
    });
    let clamp = History::in_service(world, "erie");
    assert_eq!(
        clamp.standing("2025-01-05T15:00Z").due.frequent.unwrap().on,
        Some(day("2025-02-03"))
    );
    assert_eq!(
        clamp.standing("2025-01-05T15:00Z").fit_until,
        Some(at("2025-01-20T05:00Z"))
    );
    assert!(clamp.is_fit("2025-01-20T04:59:59Z"));
    assert_eq!(
        clamp.reasons("2025-01-20T05:00Z"),
        [FitnessReason::FrequentOverdue]
    );
}

#[test]
fn a_lapsed_competence_is_recorded_and_not_credited() {
    let mut clamp = History::new(World::new(), "houston");
    clamp.registered("2025-01-02T15:00Z", |_| {});
    let on_the_last_day = clamp.accepted("2025-02-28T15:00Z", "lapsed", InspectionKind::Initial);
    assert_eq!(clamp.judge(on_the_last_day).outcome.credited, Some(true));
    let after = clamp.accepted("2025-03-01T15:00Z", "lapsed", InspectionKind::Periodic);
    let judgement = clamp.judge(after);
    assert_eq!(judgement.refusals, []);
    assert_eq!(judgement.outcome.credited, Some(false));
    let codes: Vec<_> = judgement
        .outcome
        .not_credited
        .iter()
        .map(|why| why.code)
        .collect();
    assert_eq!(
        codes,
        [clampward_domain::crediting::NotCreditedCode::NotCompetent]
    );
    assert_eq!(
        clamp.standing("2025-03-01T15:00Z").due.periodic.unwrap().on,
        Some(day("2026-02-28"))
    );
    // Renewed later for that day: it is credited then.
    clamp.world.grant(
        "lapsed",
        CompetenceKind::QualifiedPerson,
        None,
        "2025-03-05T15:00Z",
    );
    assert_eq!(clamp.judge(after).outcome.credited, Some(true));
}

#[test]
fn an_inspection_with_a_mandatory_criterion_missing_is_incomplete_and_says_which() {
    let mut clamp = History::new(World::new(), "houston");
    clamp.registered("2025-01-02T15:00Z", |_| {});
    let initial = clamp.accepted("2025-01-03T15:00Z", "inspector", InspectionKind::Initial);
    clamp
        .inspection_mut(initial)
        .findings
        .retain(|finding| finding.criterion != "pin_worn");
    let outcome = clamp.judge(initial).outcome;
    assert_eq!(
        outcome.verdict,
        Some(clampward_domain::judge::Verdict::Incomplete)
    );
    assert!(outcome.not_credited[0].detail.contains("pin_worn"), "{outcome:?}");
    assert_eq!(
        clamp.standing("2025-01-03T15:00Z").status,
        Status::AwaitingInitialInspection
    );
    // A design without that part is switched off by the model, not by the inspector.
    clamp.world = clamp
        .world
        .model(|model| model.without_criteria.push("pin_worn".to_owned()));
    assert!(clamp.is_fit("2025-01-03T15:00Z"));
}

#[test]
fn a_precaution_does_not_let_a_designated_person_make_a_periodic_inspection() {
    let mut clamp = History::in_service(World::new(), "houston");
    let mut body = clamp.complete(InspectionKind::Periodic);
    body.exceptional_reason = Some(clampward_domain::words::ExceptionalReason::Precaution);
    let periodic = clamp.write("2025-01-10T15:00Z", "designated", body);
    assert_eq!(clamp.judge(periodic).outcome.credited, Some(false));
}

#[test]
fn two_transfers_side_by_side_leave_the_place_in_doubt_and_both_yards_rules_count() {
    let mut clamp = History::in_service(World::new(), "erie");
    clamp.transferred("2025-01-05T10:00Z", "emden", None);
    let mut both = vec![crate::support::id("erie"), crate::support::id("emden")];
    both.sort_unstable();
    assert_eq!(clamp.state().yards(), both);
    // The American month is the stricter.
    assert_eq!(
        clamp.standing("2025-01-06T10:00Z").fit_until,
        Some(at("2025-02-04T05:00Z"))
    );
    let first = clamp.entries[0].id;
    clamp.transferred("2025-01-07T10:00Z", "leith", Some(first));
    assert!(
        !clamp.is_fit("2025-01-07T10:00Z"),
        "never examined under the British rules"
    );
}

#[test]
fn a_milder_class_needs_safety_and_the_name_of_what_it_replaces() {
    let class = |by: &str, when: &str, named: bool| {
        let mut clamp = of_class(World::new(), ServiceClass::Severe, None);
        let first = clamp.entries[0].id;
        let milder = clamp.classified(when, by, ServiceClass::Normal, named.then_some(first), None);
        let refusals = clamp.refusals(milder);
        (
            clamp.standing("2025-01-31T18:00Z").due.frequent.unwrap().on,
            refusals.len(),
        )
    };
    let monthly = Some(day("2025-02-28"));
    assert_eq!(class("safety", "2025-01-31T15:00Z", true), (monthly, 0));
    // By a later clock, without a name: both stand, the stricter counts (daily, without a date).
    assert_eq!(class("safety", "2025-01-31T15:00Z", false), (None, 0));
    assert_eq!(class("lead", "2025-01-31T15:00Z", true), (None, 1));
    // By a clock that ran slow, so that it is told before what it replaces.
    assert_eq!(class("lead", "2025-01-30T13:00Z", true), (None, 1));
}

#[test]
fn a_heavier_class_counts_at_once_whoever_sets_it() {
    let mut clamp = of_class(World::new(), ServiceClass::Normal, None);
    let first = clamp.entries[0].id;
    clamp.classified(
        "2025-01-31T15:00Z",
        "operator",
        ServiceClass::Heavy,
        Some(first),
        None,
    );
    assert_eq!(
        clamp.standing("2025-01-31T18:00Z").service_class,
        Some(ServiceClass::Heavy)
    );
    let special = clamp.classified(
        "2025-01-31T16:00Z",
        "lead",
        ServiceClass::Special,
        Some(first),
        None,
    );
    assert_eq!(
        clamp.refusals(special),
        [clampward_domain::judge::RefusalCode::MilderClass]
    );
}

#[test]
fn a_heavier_class_that_nobody_signed_for_takes_no_shorter_interval_away() {
    // The yard's own rule: more often than the law asks in normal service, and as it asks in heavy service.
    let world = World::new().yard("erie", |yard| {
        let intervals = &mut yard.intervals.frequent;
        intervals.insert(ServiceClass::Normal, Interval::Days(10));
        intervals.insert(ServiceClass::Heavy, Interval::Months(1));
    });
    let due = |signed: bool| {
        let mut clamp = of_class(world.clone(), ServiceClass::Normal, None);
        let first = clamp.entries[0].id;
        let heavier = clamp.classified(
            "2025-01-31T15:00Z",
            "operator",
            ServiceClass::Heavy,
            Some(first),
            None,
        );
        clamp.entry_mut(heavier).signed = signed;
        clamp.standing("2025-01-31T18:00Z").due.frequent.unwrap().on
    };
    assert_eq!(due(true), Some(day("2025-02-28")));
    assert_eq!(due(false), Some(day("2025-02-10")));
}

// Source: OSHA 29 CFR 1926.251(a)(4): custom design is proof-tested at 125 % of its rated load before first use.
#[test]
fn a_custom_design_is_fit_only_after_a_passed_proof_test_at_125_percent() {
    let clamp = || History::in_service(World::new().model(|model| model.custom_design = true), "houston");
    let untested = clamp();
    assert_eq!(
        untested.reasons("2025-01-10T15:00Z"),
        [FitnessReason::AwaitingInitialInspection]
    );
    // WLL 3000 kg: 118.75 % is refused, 125 % passes.
    for (load, result, fit) in [
        ("3562.5", ProofTestResult::Passed, false),
        ("3750", ProofTestResult::Failed, false),
        ("3750", ProofTestResult::Passed, true),
    ] {
        let mut clamp = clamp();
        clamp.proof_tested("2025-01-10T15:00Z", kg(load), result);
        assert_eq!(clamp.is_fit("2025-01-10T16:00Z"), fit, "{load} {result:?}");
        assert!(!clamp.is_fit("2025-01-10T14:00Z"), "not before it");
    }
}
