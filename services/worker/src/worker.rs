//! What a worker does over and over, until it is told to stop.

use crate::backoff::{GIVES_UP_AFTER, next_try};
use crate::letter;
use crate::post::Post;
use crate::webhook::{Answered, Caller};
use clampward_store::notices::Mail;
use clampward_store::webhooks::Delivery;
use clampward_store::{RecordError, Store, StoreError};
use jiff::{SignedDuration, Timestamp};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::watch;
use uuid::Uuid;

/// How long a mail may take before somebody else may try it.
const LEASE: SignedDuration = SignedDuration::from_mins(2);
/// How long a delivery may take before somebody else may try it: longer than an endpoint is waited for.
const DELIVERY_LEASE: SignedDuration = SignedDuration::from_mins(1);
/// Attempts in a row after which the wait for an endpoint that is away grows no more: it is found soon after it is back.
const SLOWEST_PROBE: u32 = 4;
/// Between two looks at what is new.
const PAUSE: Duration = Duration::from_millis(400);
/// The longest pause while the database is away.
const LONGEST_PAUSE: Duration = Duration::from_secs(10);

/// How it works.
#[derive(Clone, Debug)]
pub struct Settings {
    /// The address under which people know the service.
    pub service: Option<String>,
    /// Mails that are handed over at once.
    pub senders: usize,
    /// Events that are delivered at once.
    pub callers: usize,
}

/// A worker on a database and, if there is one, a mail server; and endpoints, if any may be called.
pub struct Worker {
    store: Store,
    post: Option<Post>,
    caller: Option<Caller>,
    settings: Settings,
}

/// Why a piece of work was not done.
#[derive(Debug, thiserror::Error)]
pub enum WorkError {
    /// The store failed.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// Nothing could be recorded.
    #[error(transparent)]
    Record(#[from] RecordError),
    /// The operating system gave no random bytes.
    #[error("the operating system gave no random bytes")]
    NoRandomness,
}

impl Worker {
    /// Connects nowhere yet.
    pub fn new(store: Store, post: Option<Post>, settings: Settings) -> Self {
        Self {
            store,
            post,
            caller: None,
            settings,
        }
    }

    /// The same, which also calls endpoints.
    pub fn calling(mut self, caller: Caller) -> Self {
        self.caller = Some(caller);
        self
    }

    /// Raises whatever is to be told by now. Answers how many notices are new. Where one reading fails the others are done all
    /// the same.
    pub async fn raise(&self) -> Result<u64, WorkError> {
        let entries = self.of_entries().await;
        let days = self.store.notices_of_days().await;
        let moments = self.store.notices_of_moments().await;
        let further = self.escalate().await;
        let some = [entries?, days?, moments?.unwrap_or(0), further?];
        Ok(some.into_iter().fold(0, u64::saturating_add))
    }

    async fn of_entries(&self) -> Result<u64, StoreError> {
        let mut raised = 0_u64;
        while let Some(read) = self.store.notices_of_entries().await? {
            raised = raised.saturating_add(read.notices);
            if !read.has_more {
                break;
            }
        }
        Ok(raised)
    }

    async fn escalate(&self) -> Result<u64, StoreError> {
        let mut raised = 0_u64;
        loop {
            let (further, has_more) = self.store.escalate_notices().await?;
            raised = raised.saturating_add(further);
            if !has_more {
                return Ok(raised);
            }
        }
    }

    /// Goes on with the bulletins that are open: holds the next clamps. Answers whether there is more to do at once.
    pub async fn hold(&self) -> Result<bool, WorkError> {
        // Those that come to light later are not kept waiting by those that are there.
        let caught = self.store.catch_for_bulletins().await;
        let part = self.store.hold_for_bulletins().await?;
        Ok(part.has_more || caught?.has_more)
    }

    /// Reads on for the endpoints that are told of events. Answers whether there is more to read at once.
    pub async fn read_on(&self) -> Result<bool, WorkError> {
        let has_more = self.store.read_on_for_webhooks().await?;
        let forgets_more = self.store.forget_webhook_deliveries().await?;
        Ok(has_more || forgets_more)
    }

    /// Makes the next delivery, if there is one that is to be made. Answers whether there was.
    pub async fn deliver_one(&self) -> Result<bool, WorkError> {
        let Some(caller) = &self.caller else {
            return Ok(false);
        };
        let token = random_id()?;
        let claimed = self.store.claim_delivery(token, DELIVERY_LEASE).await?;
        let Some(delivery) = claimed else { return Ok(false) };
        let answered = caller.call(&delivery, self.store.now()).await;
        let in_time = self.note(&delivery, token, &answered).await?;
        let (endpoint, event) = (delivery.endpoint, delivery.event);
        match answered {
            Answered::Taken(status) => {
                tracing::debug!(event = "delivered", %endpoint, id = %event, r#type = %delivery.kind, status, in_time, "an event was delivered");
            }
            other => {
                tracing::warn!(event = "not_delivered", %endpoint, id = %event, r#type = %delivery.kind, attempts = delivery.attempt, answered = ?other, in_time, "an event was not delivered");
            }
        }
        Ok(true)
    }

    async fn note(&self, delivery: &Delivery, token: Uuid, answered: &Answered) -> Result<bool, StoreError> {
        let now = self.store.now();
        match answered {
            Answered::Taken(status) => self.store.delivered(delivery, token, *status).await,
            Answered::Refused { status, error } => {
                let next = next_try(delivery.made_at, delivery.attempt, now);
                let said = (*status, error.as_str());
                self.store.delivery_refused(delivery, token, said, next).await
            }
            Answered::Away { status, error, wait } => {
                let said = (*status, error.as_str());
                let Some(next) = next_try(delivery.made_at, delivery.attempt, now) else {
                    return self.store.delivery_refused(delivery, token, said, None).await;
                };
                let times = (probe_at(delivery, *wait, now), next);
                self.store.endpoint_away(delivery, token, said, times).await
            }
            Answered::Gone => self.store.endpoint_gone(delivery, token).await,
        }
    }

    /// Hands the next mail over, if there is one that is to leave. Answers whether there was.
    pub async fn send_one(&self) -> Result<bool, WorkError> {
        let Some(post) = &self.post else { return Ok(false) };
        let token = random_id()?;
        let claimed = self.store.claim_mail(token, self.new_id()?, LEASE).await?;
        let Some(mail) = claimed else { return Ok(false) };
        let against = if !mail.is_open {
            Some("the recipient's account is closed")
        } else if self.store.now().duration_since(mail.made_at) >= GIVES_UP_AFTER {
            Some("it was tried for too long")
        } else {
            None
        };
        if let Some(against) = against {
            self.failed(&mail, token, against, true).await?;
            return Ok(true);
        }
        let reference = self.store.reference().await?;
        let letter = letter::write(
            &mail,
            &reference,
            self.store.now(),
            self.settings.service.as_deref(),
        );
        match post.hand_over(&letter).await {
            Ok(()) => {
                let in_time = self.store.mail_sent(&mail, token).await?;
                tracing::info!(event = "mail_sent", mail = %mail.id, person = %mail.recipient, notices = mail.notices.len(), in_time, "a mail was handed over");
            }
            Err(error) => self.failed(&mail, token, &error.text, error.is_for_good).await?,
        }
        Ok(true)
    }

    async fn failed(
        &self,
        mail: &Mail,
        token: Uuid,
        error: &str,
        is_for_good: bool,
    ) -> Result<(), WorkError> {
        let next = next_try(mail.made_at, mail.attempt, self.store.now()).filter(|_| !is_for_good);
        self.store.mail_failed(mail, token, error, next).await?;
        match next {
            Some(next) => {
                tracing::warn!(event = "mail_failed", mail = %mail.id, person = %mail.recipient, attempts = mail.attempt, error, %next, "a mail was not handed over; it is tried again");
            }
            None => {
                tracing::error!(event = "mail_given_up", mail = %mail.id, person = %mail.recipient, attempts = mail.attempt, error, "a mail is given up: those above its recipient hear of it");
            }
        }
        Ok(())
    }

    fn new_id(&self) -> Result<Uuid, WorkError> {
        let millis = u64::try_from(self.store.now().as_millisecond()).unwrap_or(0);
        let mut bytes = [0; 10];
        getrandom::fill(&mut bytes).map_err(|_| WorkError::NoRandomness)?;
        Ok(uuid::Builder::from_unix_timestamp_millis(millis, &bytes).into_uuid())
    }

    /// Works until it is told to stop, and ends what it is at. False if a part of it ended by itself, which is a fault: whoever
    /// watches the process starts it again.
    pub async fn run_until(self, told: impl Future<Output = ()>) -> bool {
        let worker = Arc::new(self);
        let (stop, stopping) = watch::channel(false);
        let mut tasks = tokio::task::JoinSet::new();
        macro_rules! over_and_over {
            ($what:literal, $times:expr, $worker:ident => $piece:expr) => {
                for _ in 0..$times {
                    let worker = Arc::clone(&worker);
                    tasks.spawn(over_and_over($what, stopping.clone(), move || {
                        let $worker = Arc::clone(&worker);
                        async move { $piece }
                    }));
                }
            };
        }
        let senders = worker.post.as_ref().map_or(0, |_| worker.settings.senders.max(1));
        let callers = worker
            .caller
            .as_ref()
            .map_or(0, |_| worker.settings.callers.max(1));
        over_and_over!("raising notices", 1, worker => worker.raise().await.map(|_| false));
        over_and_over!("holding for bulletins", 1, worker => worker.hold().await);
        over_and_over!("sending mails", senders, worker => worker.send_one().await);
        over_and_over!("reading for webhooks", callers.min(1), worker => worker.read_on().await);
        over_and_over!("delivering events", callers, worker => worker.deliver_one().await);
        let is_well = tokio::select! {
            () = told => true,
            _ = tasks.join_next() => {
                tracing::error!(event = "worker_broken", "a part of the worker ended by itself");
                false
            }
        };
        tracing::info!("stopping: what is under way is finished");
        let _ = stop.send(true);
        while tasks.join_next().await.is_some() {}
        worker.store.close().await;
        is_well
    }
}

/// Does a piece of work again and again, at once while there is more. While it fails it waits longer, and says so once.
async fn over_and_over<F, Fut>(work: &'static str, mut stopping: watch::Receiver<bool>, piece: F)
where
    F: Fn() -> Fut,
    Fut: Future<Output = Result<bool, WorkError>>,
{
    let mut pause = PAUSE;
    let mut fails = false;
    while !*stopping.borrow() {
        match piece().await {
            Ok(has_more) => {
                if fails {
                    tracing::info!(event = "works_again", work, "it works again");
                }
                fails = false;
                pause = PAUSE;
                if has_more {
                    continue;
                }
            }
            Err(error) => {
                if !fails {
                    tracing::error!(event = "work_fails", work, %error, "it is tried again");
                }
                fails = true;
                pause = (pause * 2).min(LONGEST_PAUSE);
            }
        }
        tokio::select! {
            () = tokio::time::sleep(pause) => {}
            _ = stopping.changed() => {}
        }
    }
}

/// When an endpoint that is away is tried again.
fn probe_at(delivery: &Delivery, asked: Option<SignedDuration>, now: Timestamp) -> Timestamp {
    let attempts = delivery.failures.saturating_add(1).min(SLOWEST_PROBE);
    let usual = next_try(now, attempts, now).unwrap_or(now);
    let asked = asked.and_then(|wait| now.checked_add(wait).ok());
    asked.map_or(usual, |asked| asked.max(usual))
}

fn random_id() -> Result<Uuid, WorkError> {
    let mut bytes = [0; 16];
    getrandom::fill(&mut bytes).map_err(|_| WorkError::NoRandomness)?;
    Ok(uuid::Builder::from_random_bytes(bytes).into_uuid())
}
