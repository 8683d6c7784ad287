//! A safety bulletin about every clamp: how long until all are held, and what whoever asks before a lift feels of it.

use super::asking::{AskFitness, Random};
use super::database::Yard;
use super::http::{Asking, Connection};
use super::rows::FLEET;
use super::table::{Line, Target};
use super::tablets::{connect, new_id};
use super::{Bench, Running};
use crate::demo::CAST;
use crate::failure::{Done, Failure, While};
use clampward_domain::bulletin::{Bulletin, BulletinScope};
use clampward_domain::ids::BulletinId;
use clampward_domain::reference::YardScope;
use clampward_store::Store;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

/// How long holding all of them may take.
const WITHIN_SECONDS: f64 = 60.0;
/// How often somebody asks before a lift.
const EVERY: Duration = Duration::from_millis(20);
/// How much slower the slowest hundredth of the answers may get.
const SLOWER: f64 = 3.0;

/// Opens it, carries it out as a worker does, and asks all the while.
pub fn hold(bench: &mut Bench) -> Done<Vec<Line>> {
    let running = bench.running(FLEET)?;
    let asked_for = bench.seconds().max(Duration::from_secs(10));
    let seen = bench.wait(async {
        let idle = ask_until(&running, Instant::now() + asked_for, &AtomicBool::new(false)).await?;
        let store = connect(&running).await?;
        let id = open(&store).await?;
        let done = AtomicBool::new(false);
        let far = Instant::now() + Duration::from_secs(1_200);
        let (held, busy) = tokio::join!(carry_out(&store, &done), ask_until(&running, far, &done));
        let (seconds, clamps) = held?;
        let progress = store.bulletin_progress(&YardScope::All, id).await;
        let progress = progress.during("counting")?;
        store.close().await;
        if progress.all.outstanding != clamps || !progress.is_held || !progress.failed.is_empty() {
            return Err(Failure::new(format!("{clamps} were held, but {progress:?}")));
        }
        Ok((seconds, clamps, idle, busy?))
    })?;
    let (seconds, clamps, idle, busy) = seen;
    Ok(vec![
        Line {
            what: format!("A bulletin about {clamps} clamps: until all are held"),
            ours: vec![seconds],
            floor: vec![WITHIN_SECONDS],
            unit: " s",
            target: Target::AtMost(1.0),
            note: "one worker, against a limit of 60 s".to_owned(),
        },
        Line {
            what: "Fitness meanwhile, 50 a second: the slowest hundredth".to_owned(),
            ours: vec![busy],
            floor: vec![idle],
            unit: " ms",
            target: Target::AtMost(SLOWER),
            note: "against the same while nothing is held".to_owned(),
        },
    ])
}

/// About every model.
async fn open(store: &Store) -> Done<BulletinId> {
    let reference = store.reference().await.during("reading reference data")?;
    let safety = CAST.iter().find(|member| member.key == "safety");
    let safety = safety
        .ok_or_else(|| Failure::new("there is no safety team"))?
        .id();
    let mut bulletin: Bulletin = serde_json::from_value(serde_json::json!({
        "code": new_id(), "title": "Measured", "issued_by": "Halvorsund Marine Works", "issued_on": "2026-01-02",
        "class": "inspect_before_use", "text": "Look for bent pins.", "scope": {}, "checks": ["pin_bent"]
    }))
    .during("writing a bulletin")?;
    bulletin.scope = BulletinScope {
        models: reference.models.keys().copied().collect(),
        ..BulletinScope::default()
    };
    let id = BulletinId::new(new_id());
    let opened = store.open_bulletin(new_id(), safety, id, &bulletin).await;
    opened.during("opening a bulletin")?;
    Ok(id)
}

/// What a worker does. Answers the seconds that it took and how many clamps were held.
async fn carry_out(store: &Store, done: &AtomicBool) -> Done<(f64, u64)> {
    let begun = Instant::now();
    let mut held = 0;
    let result = loop {
        match store.hold_for_bulletins().await {
            Ok(part) => {
                held += part.held;
                if !part.has_more {
                    break Ok((begun.elapsed().as_secs_f64(), held));
                }
            }
            Err(error) => break Err(Failure::new(error.to_string())),
        }
    };
    done.store(true, Ordering::Relaxed);
    result
}

/// Asks for the fitness of clamps at random at an even pace, and answers within how many milliseconds all but one in a hundred
/// answers came.
async fn ask_until(running: &Running, end: Instant, done: &AtomicBool) -> Done<f64> {
    let yards = &running.fleet.yards;
    let (Some(first), Some(last)) = (yards.first(), yards.last()) else {
        return Err(Failure::new("the fleet has no yards"));
    };
    let mut asking = AskFitness {
        port: running.service.port,
        token: Arc::from(running.service.sign_in("safety").await?),
        clamps: Yard {
            id: String::new(),
            first: first.first,
            last: last.last,
        },
        random: Random::of(1),
    };
    let mut connection = Connection::open(running.service.port).await?;
    let mut request = Vec::new();
    let mut times = Vec::new();
    let mut pace = tokio::time::interval(EVERY);
    while Instant::now() < end && !done.load(Ordering::Relaxed) {
        pace.tick().await;
        asking.next(&mut request);
        let asked = Instant::now();
        let (status, body) = connection.ask(&request).await?;
        if status != 200 {
            return Err(Failure::new(String::from_utf8_lossy(body).into_owned()));
        }
        times.push(asked.elapsed().as_secs_f64() * 1000.0);
    }
    times.sort_by(f64::total_cmp);
    let place = times.len().saturating_sub(1) * 99 / 100;
    times
        .get(place)
        .copied()
        .ok_or_else(|| Failure::new("nobody asked"))
}
