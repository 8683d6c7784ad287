//! The wear histories of a clamp out of its entries.

use super::{WearHistory, WearReading, WearTrend, WearUnit, wear_trend};
use crate::calendar::Zone;
use crate::criteria;
use crate::entry::{Body, Entry};
use crate::fold::ClampState;
use crate::measured::WearDirection;
use crate::quantity::Length;
use crate::reference::{Reference, WearPoint};
use crate::rule_set;
use jiff::Timestamp;
use rust_decimal::Decimal;
use std::collections::BTreeMap;

/// The trend of every measured criterion and place of a clamp, in percent of nominal.
///
/// Nominal sizes and limits are those of the model and of the yard's rule set in force at `at`. A criterion whose
/// model gives no nominal has no trend: it is judged by look.
pub fn trends(state: &ClampState, entries: &[Entry], reference: &Reference, at: Timestamp) -> Vec<WearTrend> {
    let Some(model) = state.model_id().and_then(|model| reference.model_at(model, at)) else {
        return Vec::new();
    };
    let yard = state
        .yards()
        .first()
        .and_then(|yard| reference.yard_at(*yard, at))
        .map(|version| version.value.as_ref());
    let zone = yard.map_or_else(Zone::utc, |yard| yard.time_zone.clone());
    let mut ordered: Vec<&Entry> = entries.iter().collect();
    ordered.sort_by_key(|entry| entry.order());
    let readings = readings(&ordered, &model.value.wear_points);
    readings
        .into_iter()
        .filter_map(|((code, place), readings)| {
            let criterion = criteria::criterion(code)?;
            let point = model.value.wear_points.iter().find(|point| point.criterion == code)?;
            let of_rules = yard.and_then(|yard| rule_set::current(yard.rule_set).wear_limit(criterion));
            let limit = point.limit_percent.or_else(|| of_rules.map(|limit| limit.percent))?;
            let renewed_at: Vec<Timestamp> = ordered
                .iter()
                .filter(|entry| {
                    matches!(&entry.body, Body::Repaired(repaired) if repaired.components.contains(&criterion.component))
                })
                .map(|entry| entry.counted_at)
                .collect();
            Some(wear_trend(&WearHistory {
                criterion: code,
                place,
                unit: WearUnit::PercentOfNominal,
                limit,
                readings: &readings,
                renewed_at: &renewed_at,
                zone: &zone,
            }))
        })
        .collect()
}

type Readings<'a> = BTreeMap<(&'a str, Option<&'a str>), Vec<WearReading>>;

fn readings<'a>(ordered: &[&'a Entry], points: &[WearPoint]) -> Readings<'a> {
    let mut lifts: Option<u64> = None;
    let mut readings = Readings::new();
    for entry in ordered {
        match &entry.body {
            Body::Used(used) => lifts = Some(lifts.unwrap_or_default().saturating_add(u64::from(used.lifts))),
            Body::Inspected(inspected) => {
                for finding in &inspected.findings {
                    let point = points.iter().find(|point| point.criterion == finding.criterion);
                    let wear = finding
                        .measured
                        .zip(point)
                        .and_then(|(measured, point)| wear_percent(measured, point));
                    let Some(wear) = wear else { continue };
                    let reading = WearReading {
                        entry_id: Some(entry.id),
                        taken_at: entry.counted_at,
                        measured: finding.measured,
                        wear,
                        lifts,
                    };
                    let key = (finding.criterion.as_str(), finding.place.as_deref());
                    readings.entry(key).or_default().push(reading);
                }
            }
            Body::Registered(_)
            | Body::TaggedOut(_)
            | Body::Repaired(_)
            | Body::ProofTested(_)
            | Body::ReturnedToService(_)
            | Body::Confirmed(_)
            | Body::Transferred(_)
            | Body::Issued(_)
            | Body::Received(_)
            | Body::Classified(_)
            | Body::Amended(_)
            | Body::Retired(_)
            | Body::Reassessed(_) => {}
        }
    }
    readings
}

/// Wear in percent of nominal; positive is worse, for holes and throat too.
fn wear_percent(measured: Length, point: &WearPoint) -> Option<Decimal> {
    let nominal = point.nominal.millimetres();
    let lost = match criteria::criterion(&point.criterion)?.measured? {
        WearDirection::Shrinkage => nominal - measured.millimetres(),
        WearDirection::Growth => measured.millimetres() - nominal,
    };
    (lost * Decimal::ONE_HUNDRED)
        .checked_div(nominal)
        .map(|percent| percent.round_dp(4))
}
