//! Classes from use. The boundary of 65 % is that of ASME B30.20, 20-1 (1999/2003).

use super::*;
use proptest::prelude::*;

const WLL: &str = "3000";

fn kg(text: &str) -> Mass {
    Mass::parse(text, "kg").unwrap()
}

fn period(lifts: u32, heaviest: &str, mean: &str) -> UsedPeriod {
    UsedPeriod {
        lifts,
        heaviest_load: Some(kg(heaviest)),
        mean_load: Some(kg(mean)),
        abnormal_conditions: Vec::new(),
    }
}

fn proposed(periods: &[UsedPeriod], current: ServiceClass) -> Option<ServiceClass> {
    propose(periods.to_vec(), kg(WLL), current).map(|proposal| proposal.class)
}

#[test]
fn exactly_sixty_five_percent_is_not_normal() {
    // 65 % of 3000 kg is 1950 kg.
    let at = [period(30, "1950", "1950")];
    assert_eq!(proposed(&at, ServiceClass::Normal), Some(ServiceClass::Heavy));
    assert_eq!(proposed(&at, ServiceClass::Heavy), None);
    let below = [period(30, "1949.9999", "1949.9999")];
    assert_eq!(proposed(&below, ServiceClass::Normal), None);
    assert_eq!(proposed(&below, ServiceClass::Heavy), Some(ServiceClass::Normal));
    let proposal = propose(at.to_vec(), kg(WLL), ServiceClass::Normal).unwrap();
    assert_eq!(proposal.heaviest_percent.unwrap().to_string(), "65");
    assert!(!proposal.milder);
}

#[test]
fn below_thirty_lifts_nothing_is_proposed() {
    let twice = |first, second| [period(first, "2900", "2900"), period(second, "2900", "2900")];
    assert_eq!(proposed(&twice(15, 14), ServiceClass::Normal), None);
    assert_eq!(
        proposed(&twice(15, 15), ServiceClass::Normal),
        Some(ServiceClass::Heavy)
    );
}

#[test]
fn a_milder_class_needs_both_readings_a_harder_one_either() {
    // Heaviest 90 %, mean 40 %: the readings disagree.
    let mixed = [period(40, "2700", "1200")];
    assert_eq!(proposed(&mixed, ServiceClass::Heavy), None);
    let proposal = propose(mixed.to_vec(), kg(WLL), ServiceClass::Normal).unwrap();
    assert_eq!(proposal.class, ServiceClass::Heavy);
    assert_eq!(
        (proposal.by_heaviest, proposal.by_mean),
        (ServiceClass::Heavy, ServiceClass::Normal)
    );
    assert_eq!(proposal.mean_percent.unwrap().to_string(), "40");
    assert_eq!(proposal.lifts, 40);
    let milder = propose([period(40, "1500", "1200")], kg(WLL), ServiceClass::Heavy).unwrap();
    assert_eq!((milder.class, milder.milder), (ServiceClass::Normal, true));
}

#[test]
fn the_mean_is_over_lifts_and_not_over_periods() {
    // 10 lifts at 100 % and 90 at 50 %: 55 % over lifts, 75 % over periods.
    let proposal = propose(
        [period(10, "3000", "3000"), period(90, "1500", "1500")],
        kg(WLL),
        ServiceClass::Normal,
    )
    .unwrap();
    assert_eq!(proposal.by_mean, ServiceClass::Normal);
    assert_eq!(proposal.mean_percent.unwrap().to_string(), "55");
}

#[test]
fn abnormal_conditions_make_either_class_severe() {
    let mut hot = period(30, "300", "300");
    hot.abnormal_conditions = vec![AbnormalCondition::Heat];
    assert_eq!(
        proposed(&[hot.clone()], ServiceClass::Normal),
        Some(ServiceClass::Severe)
    );
    assert_eq!(proposed(&[hot.clone()], ServiceClass::Severe), None);
    // Conditions count also where nobody noted the loads.
    hot.heaviest_load = None;
    hot.mean_load = None;
    assert_eq!(proposed(&[hot], ServiceClass::Heavy), Some(ServiceClass::Severe));
}

#[test]
fn unknown_loads_never_make_a_class_milder() {
    let mut unknown = period(20, "100", "100");
    unknown.heaviest_load = None;
    let light = period(30, "100", "100");
    assert_eq!(
        proposed(std::slice::from_ref(&light), ServiceClass::Heavy),
        Some(ServiceClass::Normal)
    );
    assert_eq!(proposed(&[light, unknown.clone()], ServiceClass::Heavy), None);
    unknown.mean_load = None;
    unknown.lifts = 100;
    assert_eq!(proposed(&[unknown], ServiceClass::Heavy), None);
}

#[test]
fn leaving_special_service_counts_as_milder_and_needs_every_load() {
    let mut periods = [period(30, "2900", "2900")];
    let proposal = propose(periods.to_vec(), kg(WLL), ServiceClass::Special).unwrap();
    assert_eq!((proposal.class, proposal.milder), (ServiceClass::Heavy, true));
    periods[0].heaviest_load = None;
    assert_eq!(proposed(&periods, ServiceClass::Special), None);
}

proptest! {
    #[test]
    fn heavier_use_never_proposes_a_milder_class(
        lifts in 30u32..500, heaviest in 0u32..4000, mean in 0u32..4000, more in 0u32..2000,
    ) {
        let class_of = |heaviest: u32| {
            let period = period(lifts, &heaviest.to_string(), &mean.to_string());
            proposed(&[period], ServiceClass::Normal).unwrap_or(ServiceClass::Normal)
        };
        prop_assert!(class_of(heaviest) <= class_of(heaviest + more));
    }
}
