//! What happened to each of the 60 clamps: mostly nothing, and everything once.

use super::cast::person;
use super::fleet::{Life, Planned, Planning};
use super::models;
use super::yards::YardKey;
use clampward_domain::calendar::Interval;
use clampward_domain::calendar::Zone;
use clampward_domain::entry::{Classified, Declaration, Direction, Issued, Received, Retired, Transferred};
use clampward_domain::ids::ModelId;
use clampward_domain::quantity::{Mass, MassUnit};
use clampward_domain::reference::Model;
use clampward_domain::words::{
    Component, ExceptionalReason, Grade, InspectionKind, LockoutReason, ServiceClass,
};
use jiff::{Timestamp, ToSpan};
use rust_decimal::Decimal;

/// How far back the demo goes, in days: 18 months.
pub const DAYS: i64 = 548;
/// How many clamps each yard has.
const FLEET: [(YardKey, usize); 3] = [
    (YardKey::PortEllery, 24),
    (YardKey::CalderReach, 20),
    (YardKey::FirthHaven, 16),
];

/// Every entry of the demo up to `today`, by time.
pub fn tell(today: Timestamp, models: &[(ModelId, Model)]) -> Planning<Vec<Planned>> {
    let mut planned = Vec::new();
    for (yard, count) in FLEET {
        for index in 0..count {
            let model = index % models::COUNT;
            let Some((_, details)) = models.get(model) else {
                continue;
            };
            let class = match index % 8 {
                3 | 4 => ServiceClass::Heavy,
                7 if yard != YardKey::FirthHaven => ServiceClass::Severe,
                _ => ServiceClass::Normal,
            };
            let mark = format!("{}-{:03}", yard.code(), index + 1);
            let mut life = Life::new(&mark, yard, model, details, class, today);
            story(&mut life, index, today)?;
            planned.extend(life.entries);
        }
    }
    planned.sort_by_key(|entry| (entry.at, entry.id));
    planned.retain(|entry| entry.at <= today);
    Ok(planned)
}

/// The first weeks of an ordinary clamp, and its routine until `to` days ago.
fn ordinary(life: &mut Life<'_>, index: usize, to: i64) -> Planning<()> {
    let born = DAYS - 2 - i64::try_from(index % 12).unwrap_or_default();
    life.register(born, |_| {});
    life.full(born - 1, InspectionKind::Initial)?;
    life.routine(born - 1, to)
}

/// A clamp that is repaired after a finding and goes on.
fn repaired_once(
    life: &mut Life<'_>,
    index: usize,
    day: i64,
    criterion: &str,
    component: Component,
) -> Planning<()> {
    ordinary(life, index, day + 1)?;
    let lockout = life.reject(day, criterion, |_| {})?;
    let repair = life.repair(day - 3, &[lockout], component, "P-100", true);
    let proof_test = (life.yard == YardKey::PortEllery)
        .then(|| life.proof_test(day - 4))
        .transpose()?;
    let inspection = life.reinspect(day - 5, repair)?;
    life.release_repaired(day - 6, lockout, repair, inspection, proof_test);
    life.routine(day - 6, 1 + i64::try_from(index % 5).unwrap_or_default())
}

fn story(life: &mut Life<'_>, index: usize, today: Timestamp) -> Planning<()> {
    let operator = life.someone("operator");
    let lead = life.someone("lead");
    let recent = 1 + i64::try_from(index % 6).unwrap_or_default();
    match (life.yard, index) {
        // Registered, not yet inspected.
        (YardKey::PortEllery, 20) | (YardKey::CalderReach, 18) => {
            life.register(6, |_| {});
        }
        // New in Great Britain: exempt until put into service.
        (YardKey::FirthHaven, 14) => {
            let made_on = Zone::utc().date_at(today.checked_sub((40 * 24).hours()).unwrap_or(today));
            life.register(9, |body| {
                body.never_used_before = Some(true);
                body.declaration = Some(Declaration {
                    made_on,
                    document: Some("DoC 0815 (invented)".to_owned()),
                });
            });
        }
        // Tagged out now: a worn shackle eye, found by the gauge.
        (YardKey::PortEllery, 5) => {
            ordinary(life, index, 22)?;
            life.reject(21, "shackle_eye_worn", |finding| {
                finding.note = Some("bright line on the crown".to_owned())
            })?;
        }
        // Repaired, not yet re-inspected.
        (YardKey::PortEllery, 6) | (YardKey::FirthHaven, 6) => {
            ordinary(life, index, 12)?;
            let lockout = life.reject(11, "cam_teeth_chipped", |_| {})?;
            life.repair(4, &[lockout], Component::CamTeeth, "CAM-7", true);
        }
        // Repaired with a foreign part.
        (YardKey::CalderReach, 5) => {
            ordinary(life, index, 30)?;
            let lockout = life.reject(29, "spring_stretched", |_| {})?;
            let repair = life.repair(20, &[lockout], Component::Spring, "SPR-X", false);
            life.reinspect(19, repair)?;
        }
        (YardKey::PortEllery, 9) => {
            ordinary(life, index, 3)?;
            life.tag_out(
                2,
                operator,
                LockoutReason::Dropped,
                "fell from the rack, about 2 m",
            );
        }
        (YardKey::CalderReach, 7) => {
            ordinary(life, index, 16)?;
            life.tag_out(
                15,
                person("safety"),
                LockoutReason::IncidentHold,
                "plate slipped; evidence: do not clean, do not strip",
            );
        }
        (YardKey::FirthHaven, 9) => {
            ordinary(life, index, 35)?;
            life.tag_out(
                34,
                lead,
                LockoutReason::UnaccountedFor,
                "not found at the count of stores",
            );
        }
        // Plate and model disagree.
        (YardKey::CalderReach, 11) => {
            let wll = Mass::new(
                Decimal::from(models::wll_kg(life.model) - 500),
                MassUnit::Kilogram,
            )?;
            life.register(80, |body| body.wll = Some(wll));
            life.full(79, InspectionKind::Initial)?;
        }
        // No readable serial number.
        (YardKey::PortEllery, 21) => {
            life.register(60, |body| body.serial_number = None);
            life.full(59, InspectionKind::Initial)?;
        }
        // A defect with a date, under LOLER.
        (YardKey::FirthHaven, 3) => {
            ordinary(life, index, 9)?;
            let by = Zone::utc().date_at(today.checked_add((20 * 24).hours()).unwrap_or(today));
            life.reject(8, "safety_label_missing", |finding| {
                finding.grade = Some(Grade::DangerBy);
                finding.by_date = Some(by);
            })?;
        }
        // Overdue.
        (YardKey::PortEllery, 12) | (YardKey::CalderReach, 12) => ordinary(life, index, 45)?,
        (YardKey::FirthHaven, 12) => ordinary(life, index, 200)?,
        // The last inspection was by somebody whose competence had lapsed: recorded, not credited.
        (YardKey::PortEllery, 13) => {
            ordinary(life, index, 38)?;
            life.frequent(10, person("inspector-lapsed"), false)?;
        }
        // Scrapped.
        (YardKey::PortEllery, 15) | (YardKey::CalderReach, 15) | (YardKey::FirthHaven, 11) => {
            ordinary(life, index, 120)?;
            life.reject(119, "body_plate_cracked", |_| {})?;
            life.other(
                110,
                14,
                lead,
                Retired {
                    reason: "crack in the body plate outside a weld".to_owned(),
                    made_unusable: Some("body cut through".to_owned()),
                    witness: Some("Signe Varga".to_owned()),
                },
            );
        }
        // Dropped, taken apart, found sound.
        (YardKey::CalderReach, 2) => {
            ordinary(life, index, 90)?;
            let lockout = life.tag_out(89, operator, LockoutReason::Dropped, "dropped on deck");
            let inspection = life.examine(86, ExceptionalReason::Drop, lockout)?;
            life.release_inspected(85, lockout, inspection);
            life.routine(85, recent)?;
        }
        // Transferred from one yard to the other.
        (YardKey::CalderReach, 16) => {
            ordinary(life, index, 41)?;
            let by = person("safety");
            life.other(
                40,
                12,
                by,
                Transferred {
                    to_yard: YardKey::PortEllery.id(),
                    replaces: None,
                    note: Some("for hull 12".to_owned()),
                },
            );
            life.yard = YardKey::PortEllery;
            let inspector = life.someone("inspector");
            life.frequent(30, inspector, false)?;
            life.routine(30, recent)?;
        }
        // Special service under a qualified person's direction.
        (YardKey::PortEllery, 18) => {
            ordinary(life, index, 61)?;
            life.other(
                60,
                12,
                person("safety"),
                Classified {
                    service_class: ServiceClass::Special,
                    replaces: None,
                    direction: Some(Direction {
                        each_use: None,
                        frequent: Some(Interval::Months(1)),
                        periodic: Some(Interval::Months(6)),
                    }),
                },
            );
            life.routine(61, recent)?;
        }
        // Issued to a gang today, received before.
        (YardKey::PortEllery, 0) => {
            ordinary(life, index, recent)?;
            let stores = person("stores-port-ellery");
            for day in [30, 9] {
                life.other(
                    day,
                    13,
                    stores,
                    Issued {
                        issued_to: None,
                        issued_to_name: Some("gang 4, hull 12".to_owned()),
                    },
                );
                life.other(day - 1, 18, stores, Received { note: None });
            }
        }
        (_, 1) => repaired_once(life, index, 200, "shackle_eye_worn", Component::Shackle)?,
        (_, 10) => repaired_once(life, index, 150, "cam_teeth_dull", Component::CamTeeth)?,
        (YardKey::PortEllery, 17) => repaired_once(life, index, 100, "lock_does_not_hold", Component::Lock)?,
        (YardKey::CalderReach, 17) => repaired_once(life, index, 75, "pin_bent", Component::Pins)?,
        _ => ordinary(life, index, recent)?,
    }
    Ok(())
}
