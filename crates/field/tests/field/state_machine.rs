//! The state machine alone: whatever happens to questions and answers, the run ends, nothing is lost and nothing doubled.

use crate::support::service::Service;
use crate::support::{Device, houston, tag_out};
use clampward_domain::ids::{ClampId, EntryId};
use clampward_domain::words::LockoutReason;
use clampward_field::clock::Clock;
use clampward_field::core::{Action, Answer, Core, Event, Report};
use clampward_field::device::{Named, identity};
use clampward_field::mirror;
use clampward_field::session::{Asked, Transport, question, start, store};
use proptest::prelude::*;
use std::collections::VecDeque;

/// What happens to a question and its answer.
#[derive(Clone, Copy, Debug)]
enum Fate {
    Fine,
    /// Never arrives.
    RequestLost,
    /// Is done, and nobody hears of it.
    ReplyLost,
    /// Breaks off after so many parts.
    Torn(usize),
    /// Comes twice.
    Twice,
    /// Is taken for lost, and comes while the next question is open.
    Late,
    /// 503.
    Busy,
    /// The program is ended after the question was sent: a new run begins.
    Killed,
}

fn fate() -> impl Strategy<Value = Fate> {
    prop_oneof![
        4 => Just(Fate::Fine),
        1 => Just(Fate::RequestLost),
        2 => Just(Fate::ReplyLost),
        1 => (0_usize..3).prop_map(Fate::Torn),
        1 => Just(Fate::Twice),
        2 => Just(Fate::Late),
        1 => Just(Fate::Busy),
        1 => Just(Fate::Killed),
    ]
}

/// One run under these fates, then fine. `None`: killed.
fn run(device: &mut Device, service: &mut Service, fates: &mut VecDeque<Fate>) -> Option<Report> {
    let mut core = Core::new(start(&device.database).unwrap());
    let mut todo: VecDeque<Action> = core.step(Event::Begin).into();
    let mut late: Vec<Event> = Vec::new();
    let mut asked = device.clock.moment();
    let mut steps = 0;
    while let Some(action) = todo.pop_front() {
        steps += 1;
        assert!(steps < 20_000, "the run does not end");
        match action {
            Action::Send { request, what } => {
                asked = device.clock.moment();
                let who = identity(device.database.connection()).unwrap();
                let question = question(&device.database, &who, what, &asked).unwrap();
                let fate = fates.pop_front().unwrap_or(Fate::Fine);
                // What was taken for lost before comes first.
                for event in std::mem::take(&mut late) {
                    todo.extend(core.step(event));
                }
                assert!(todo.is_empty(), "a late answer moves nothing: {todo:?}");
                let mut answers = Vec::new();
                if let Fate::Torn(parts) = fate {
                    service.breaks_after = Some(parts);
                }
                let outcome = if matches!(fate, Fate::RequestLost | Fate::Busy) {
                    Asked::Lost
                } else {
                    service
                        .ask(&question, &mut |answer| {
                            answers.push(answer);
                            Ok(())
                        })
                        .unwrap()
                };
                service.breaks_after = None;
                let answered = |answer: Answer| Event::Answered { request, answer };
                let mut feed: Vec<Event> = match fate {
                    Fate::Fine | Fate::Torn(_) => answers.into_iter().map(answered).collect(),
                    Fate::Twice => answers
                        .iter()
                        .cloned()
                        .chain(answers.iter().cloned())
                        .map(answered)
                        .collect(),
                    Fate::RequestLost | Fate::ReplyLost => Vec::new(),
                    Fate::Late => {
                        late = answers.into_iter().map(answered).collect();
                        Vec::new()
                    }
                    Fate::Busy => vec![answered(crate::support::service::refused(
                        503,
                        "overloaded",
                        "Busy.",
                    ))],
                    Fate::Killed => return None,
                };
                let lost = outcome == Asked::Lost || matches!(fate, Fate::ReplyLost | Fate::Late);
                if lost && !matches!(fate, Fate::Busy) {
                    feed.push(Event::Lost { request });
                }
                let snapshot_twice = matches!(fate, Fate::Twice) && feed.len() > 2;
                for event in feed {
                    // A stream does not come twice: only single answers do.
                    if snapshot_twice
                        && !todo.is_empty()
                        && todo.iter().any(|action| matches!(action, Action::Send { .. }))
                    {
                        break;
                    }
                    for action in core.step(event) {
                        match action {
                            Action::Store(what) => {
                                store(&mut device.database, what, &asked, &device.clock).unwrap()
                            }
                            other => todo.push_back(other),
                        }
                    }
                }
            }
            Action::Store(what) => store(&mut device.database, what, &asked, &device.clock).unwrap(),
            Action::Show(_) => {}
            Action::Wait { milliseconds } => {
                device.clock.wait(milliseconds);
                todo.extend(core.step(Event::Timer));
            }
            Action::Finished(report) => {
                assert!(todo.is_empty(), "nothing follows the end");
                return Some(*report);
            }
        }
    }
    panic!("the run stands still");
}

/// What happens between two runs.
#[derive(Clone, Copy, Debug)]
enum Between {
    Nothing,
    /// Somebody elsewhere tags the clamp out.
    Elsewhere,
    /// The device writes.
    Writes,
    /// An older backup is put back.
    Restored,
    /// A yard comes or goes.
    Yard,
    /// A copy of the device is noticed.
    Copied,
}

fn between() -> impl Strategy<Value = Between> {
    prop_oneof![
        2 => Just(Between::Nothing),
        3 => Just(Between::Elsewhere),
        4 => Just(Between::Writes),
        1 => Just(Between::Restored),
        1 => Just(Between::Yard),
        1 => Just(Between::Copied),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 60, max_shrink_iters: 200, ..ProptestConfig::default() })]

    #[test]
    fn after_any_losses_repeats_and_late_answers_every_entry_is_recorded_once_and_the_mirror_agrees(
        rounds in prop::collection::vec((between(), prop::collection::vec(fate(), 0..14)), 1..8)
    ) {
        let mut service = houston();
        service.grant("erie");
        for n in 0..7 {
            service.clamp_in_service("erie", &format!("ERI-{n}"));
        }
        service.snapshot_part = 2;
        service.page = 3;
        service.most_entries = 3;
        let backup = service.clone();
        let mut device = Device::enrolled();
        let clamps: Vec<ClampId> = service.granted_clamps().into_keys().collect();
        let mut told: Vec<EntryId> = Vec::new();
        for (round, (between, fates)) in rounds.into_iter().enumerate() {
            let clamp = clamps[round % clamps.len()];
            match between {
                Between::Nothing => {}
                Between::Elsewhere => {
                    service.write(clamp, "houston", "operator", tag_out(LockoutReason::Precaution));
                }
                Between::Writes => {
                    for _ in 0..5 {
                        told.push(device.tag_out(Named::Clamp(clamp)).id);
                    }
                }
                Between::Restored => service.restore(&backup),
                Between::Yard => {
                    if service.granted.contains(&crate::domain::id("erie")) {
                        service.withdraw("erie");
                    } else {
                        service.grant("erie");
                    }
                }
                Between::Copied => service.fork = Some(100 + u32::try_from(round).unwrap()),
            }
            // A copy that was noticed in a push whose reply is lost is told again.
            let forks = service.fork;
            let report = run(&mut device, &mut service, &mut fates.into());
            if report.is_none() {
                service.fork = service.fork.or(forks);
            }
        }
        // Faults stop: two runs later everything is at rest.
        run(&mut device, &mut service, &mut VecDeque::new());
        let report = run(&mut device, &mut service, &mut VecDeque::new()).unwrap();
        prop_assert!(report.is_complete(), "{:?}", report);
        for entry in &told {
            prop_assert_eq!(service.times(*entry), 1);
        }
        let kept: Vec<EntryId> = device.kept().iter().map(|kept| kept.entry_id).collect();
        prop_assert!(told.iter().all(|entry| kept.contains(entry)), "two weeks have not passed");
        let connection = device.database.connection();
        let expected = service.granted_clamps();
        prop_assert_eq!(mirror::numbers(connection).unwrap().1, expected.len() as u64);
        for (clamp, (position, state)) in expected {
            let row = mirror::clamp(connection, clamp).unwrap().unwrap();
            prop_assert_eq!(row.position, position);
            prop_assert_eq!(row.state, state);
        }
    }
}
