//! Whether clamps are fit: who asks and what they ask about, in one statement, and look-ups that come together share it.
//!
//! A look-up joins only a statement that was not sent yet, so that it reads after it was asked; nothing is answered from
//! an earlier one. The connections are its own: exports and writes cannot take them.

use super::state::{Knowledge, Reading};
use crate::people::accounts::{Access, scope};
use crate::reference::words;
use crate::tx::is_dead;
use crate::{Store, StoreError};
use clampward_domain::fold::ClampState;
use clampward_domain::ids::{ClampId, PersonId};
use clampward_domain::reference::Reference;
use clampward_domain::standing::{Standing, standing_now};
use jiff::Timestamp;
use jiff_sqlx::Timestamp as SqlTimestamp;
use sqlx::pool::PoolConnection;
use sqlx::postgres::PgRow;
use sqlx::types::Json;
use sqlx::{PgPool, Postgres, Row};
use std::collections::VecDeque;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};
use tokio::sync::oneshot;
use uuid::Uuid;

/// Most look-ups of one statement.
const MAX_BATCH: usize = 64;
/// How many statements run at once; also the connections that look-ups have to themselves.
pub(crate) const IN_FLIGHT: u32 = 2;
/// How many have to wait for another statement to be worth it while one runs.
const ENOUGH: usize = 16;
/// How long a statement may take before its connection is given up.
const PATIENCE: Duration = Duration::from_secs(3);
/// How long a connection is kept before the pool looks after it again.
const KEPT_FOR: Duration = Duration::from_secs(60);
/// How many look-ups wait at most. Beyond that one is told so at once instead of after a while.
const MAX_WAITING: usize = 4096;

/// Who is calling, and the clamp as they may see it: both of one moment.
#[derive(Clone, Debug)]
pub struct LookedUp {
    /// The caller's account and session, if there is such a person.
    pub access: Option<Access>,
    /// The clamp; none if it is not there, or not theirs to see.
    pub clamp: Option<FitnessNow>,
}

/// What says whether a clamp is fit now.
#[derive(Clone, Debug)]
pub struct FitnessNow {
    /// Its state; only open lock-outs are in it.
    pub state: ClampState,
    /// What this rests on.
    pub knowledge: Knowledge,
    /// The reference data to ask the state with.
    pub reference: Arc<Reference>,
}

impl FitnessNow {
    /// Its standing at an instant, as far as is known now; never from before its last entry.
    pub fn standing(&self, at: Timestamp) -> Standing {
        standing_now(&self.state, &self.reference, self.state.latest(at))
    }
}

/// One look-up as the database answered it.
struct Answer {
    access: Option<Access>,
    clamp: Option<(ClampState, bool)>,
    knowledge: Knowledge,
}

/// A look-up that waits for its statement.
struct Waiting {
    person: Uuid,
    session: Uuid,
    clamp: Uuid,
    answer: oneshot::Sender<Result<Answer, StoreError>>,
}

#[derive(Default)]
struct Queue {
    waiting: VecDeque<Waiting>,
    /// Statements that run, or are about to be sent.
    in_flight: u32,
    /// Whether one of them has not taken its look-ups yet.
    is_starting: bool,
}

/// A connection that is kept between statements: giving it back costs a question of its own each time.
struct Kept {
    connection: PoolConnection<Postgres>,
    since: Instant,
}

/// The look-ups of one store.
pub(crate) struct LookUps {
    pool: PgPool,
    queue: Mutex<Queue>,
    kept: Mutex<Vec<Kept>>,
}

impl LookUps {
    pub(crate) fn new(pool: PgPool) -> Self {
        Self {
            pool,
            queue: Mutex::default(),
            kept: Mutex::default(),
        }
    }

    /// How many connections there are, and how many of them run no statement.
    pub(crate) fn connections(&self) -> (u32, usize) {
        (self.pool.size(), self.pool.num_idle() + self.kept().len())
    }

    /// Closes the connections and waits for what is running.
    pub(crate) async fn close(&self) {
        let closing = self.pool.close();
        self.kept().clear();
        closing.await;
    }

    fn kept(&self) -> MutexGuard<'_, Vec<Kept>> {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner)
    }

    async fn connection(&self) -> Result<Kept, StoreError> {
        if let Some(kept) = self.kept().pop() {
            return Ok(kept);
        }
        Ok(Kept {
            connection: self.pool.acquire().await?,
            since: Instant::now(),
        })
    }

    /// Keeps a connection for the next statement; the pool sees it from time to time, and when it is closing.
    fn keep(&self, kept: Kept) {
        if kept.since.elapsed() < KEPT_FOR {
            self.kept().push(kept);
        }
        // Looked at after it was put there: whichever came first, a pool that closes gets it back.
        if self.pool.is_closed() {
            self.kept().clear();
        }
    }

    fn queue(&self) -> MutexGuard<'_, Queue> {
        self.queue.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Asks, together with whoever else asks now.
    async fn ask(self: &Arc<Self>, person: Uuid, session: Uuid, clamp: Uuid) -> Result<Answer, StoreError> {
        loop {
            let (answer, answered) = oneshot::channel();
            let starts = {
                let mut queue = self.queue();
                if queue.waiting.len() >= MAX_WAITING {
                    return Err(StoreError::Busy(sqlx::Error::PoolTimedOut));
                }
                queue.waiting.push_back(Waiting {
                    person,
                    session,
                    clamp,
                    answer,
                });
                // A few wait for the statement that runs, which is soon over, and share the next one.
                let is_worth_it = queue.in_flight == 0 || queue.waiting.len() >= ENOUGH;
                let starts = is_worth_it && !queue.is_starting && queue.in_flight < IN_FLIGHT;
                if starts {
                    queue.is_starting = true;
                    queue.in_flight += 1;
                }
                starts
            };
            if starts {
                // Not this caller's own future: others wait for the same statement, whether this caller stays or goes.
                tokio::spawn(Flight::over(Arc::clone(self)).run());
            }
            // A flight that was dropped with its runtime leaves its look-ups unanswered: they are asked again.
            if let Ok(answered) = answered.await {
                return answered;
            }
        }
    }

    /// The next look-ups, of those who still wait. `None` ends the flight: whoever comes from then on starts another one.
    fn take(&self) -> Option<Vec<Waiting>> {
        let mut queue = self.queue();
        queue.is_starting = false;
        let mut batch = Vec::new();
        while batch.len() < MAX_BATCH
            && let Some(next) = queue.waiting.pop_front()
        {
            if !next.answer.is_closed() {
                batch.push(next);
            }
        }
        if batch.is_empty() {
            queue.in_flight = queue.in_flight.saturating_sub(1);
            return None;
        }
        Some(batch)
    }

    async fn send(&self, batch: &[Waiting]) -> Result<Vec<PgRow>, StoreError> {
        let people: Vec<Uuid> = batch.iter().map(|one| one.person).collect();
        let sessions: Vec<Uuid> = batch.iter().map(|one| one.session).collect();
        let clamps: Vec<Uuid> = batch.iter().map(|one| one.clamp).collect();
        let mut dead = 0;
        loop {
            let mut kept = self.connection().await?;
            let rows = sqlx::query(
                "-- clamps.look_up
                 select n, enabled, grants_version, roles, all_yards, yards, session_goes_on, state, pending,
                        known_position, known_at, reference_version
                   from fitness_look_ups($1, $2, $3)",
            )
            .bind(&people)
            .bind(&sessions)
            .bind(&clamps)
            .fetch_all(&mut *kept.connection);
            let Ok(rows) = tokio::time::timeout(PATIENCE, rows).await else {
                // Nothing is to be hoped for from it, not even an end in good order.
                drop(kept.connection.detach());
                return Err(StoreError::Busy(sqlx::Error::PoolTimedOut));
            };
            match rows {
                Ok(rows) => {
                    self.keep(kept);
                    return Ok(rows);
                }
                // Connections are not tried before use: those that died while they were idle show here.
                Err(error) if dead < 2 * IN_FLIGHT && is_dead(&error) => dead += 1,
                Err(error) => return Err(error.into()),
            }
        }
    }
}

/// One sequence of statements, one after another, until nobody waits.
struct Flight {
    look_ups: Arc<LookUps>,
    has_begun: bool,
    is_over: bool,
}

impl Flight {
    fn over(look_ups: Arc<LookUps>) -> Self {
        Self {
            look_ups,
            has_begun: false,
            is_over: false,
        }
    }

    async fn run(mut self) {
        loop {
            // Whoever is about to ask in this turn of the worker joins.
            tokio::task::yield_now().await;
            let batch = self.look_ups.take();
            self.has_begun = true;
            let Some(batch) = batch else {
                self.is_over = true;
                return;
            };
            match self.look_ups.send(&batch).await {
                Ok(rows) => deliver(batch, &rows),
                Err(error) => fail(batch, error),
            }
        }
    }
}

impl Drop for Flight {
    fn drop(&mut self) {
        if self.is_over {
            return;
        }
        let mut queue = self.look_ups.queue();
        queue.in_flight = queue.in_flight.saturating_sub(1);
        if !self.has_begun {
            queue.is_starting = false;
        }
    }
}

/// Gives each look-up its own row. A receiver that is gone does not mind.
fn deliver(batch: Vec<Waiting>, rows: &[PgRow]) {
    let mut answers: Vec<Option<Result<Answer, StoreError>>> = batch.iter().map(|_| None).collect();
    for row in rows {
        let place = row
            .try_get::<i32, _>(0)
            .ok()
            .and_then(|n| usize::try_from(n - 1).ok());
        if let Some((place, of)) = place.and_then(|place| Some((place, batch.get(place)?)))
            && let Some(slot) = answers.get_mut(place)
        {
            *slot = Some(read(row, of));
        }
    }
    for (one, answer) in batch.into_iter().zip(answers) {
        let missing = || {
            Err(StoreError::Inconsistent {
                table: "clamp",
                column: "state",
                id: one.clamp,
                detail: "the statement answered no row for it".to_owned(),
            })
        };
        let _ = one.answer.send(answer.unwrap_or_else(missing));
    }
}

/// Tells everybody of a statement that it failed.
fn fail(batch: Vec<Waiting>, error: StoreError) {
    let error = Arc::new(error);
    for one in batch {
        let _ = one.answer.send(Err(StoreError::Shared(Arc::clone(&error))));
    }
}

fn read(row: &PgRow, of: &Waiting) -> Result<Answer, StoreError> {
    let enabled: Option<bool> = row.try_get(1)?;
    let access = match enabled {
        None => None,
        Some(enabled) => {
            let roles: Vec<String> = row.try_get(3)?;
            Some(Access {
                enabled,
                grants_version: u64::from(row.try_get::<i32, _>(2)?.unsigned_abs()),
                roles: words("person_version", "roles", of.person, &roles)?,
                yards: scope(row.try_get(4)?, row.try_get(5)?),
                session_goes_on: row.try_get(6)?,
            })
        }
    };
    let clamp = match row.try_get::<Option<Json<ClampState>>, _>(7)? {
        None => None,
        Some(Json(state)) => Some((state, row.try_get(8)?)),
    };
    Ok(Answer {
        access,
        clamp,
        knowledge: Knowledge {
            position: row.try_get::<i64, _>(9)?.unsigned_abs(),
            known_at: row.try_get::<SqlTimestamp, _>(10)?.to_jiff(),
            reference_version: row.try_get::<i64, _>(11)?.unsigned_abs(),
        },
    })
}

impl Store {
    /// Who is calling in this session, and a clamp as they may see it, both as they are now.
    pub async fn look_up(
        &self,
        person: PersonId,
        session: Uuid,
        clamp: ClampId,
    ) -> Result<LookedUp, StoreError> {
        let mut reads = 0;
        loop {
            reads += 1;
            let answer = self
                .inner
                .look_ups
                .ask(person.uuid(), session, clamp.uuid())
                .await?;
            let Answer {
                access: Some(access),
                clamp: Some((state, pending)),
                knowledge,
            } = answer
            else {
                return Ok(LookedUp {
                    access: answer.access,
                    clamp: None,
                });
            };
            let version = knowledge.reference_version;
            let clamp = match self.reading(version, pending, reads).await? {
                Reading::Holds(reference) => Some(FitnessNow {
                    state,
                    knowledge,
                    reference,
                }),
                Reading::Outdated => {
                    let folded = self.clamp_with_entries(clamp, &access.yards).await?;
                    folded.map(|(now, _)| FitnessNow {
                        state: now.state,
                        knowledge: now.knowledge,
                        reference: now.reference,
                    })
                }
                Reading::Again => continue,
            };
            return Ok(LookedUp {
                access: Some(access),
                clamp,
            });
        }
    }
}
