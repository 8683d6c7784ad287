//! Loads the invented fleet through the door, day by day.

use super::cast::{CAST, Member, person};
use super::clock::SimulatedClock;
use super::fleet::Planned;
use super::yards::YardKey;
use super::{ids, models, stories, tablets};
use argon2::{Argon2, PasswordHasher};
use clampward_domain::ids::CompetenceId;
use clampward_domain::quantity::QuantityError;
use clampward_domain::reference::YardScope;
use clampward_store::people::{AccountBody, AccountKind, CompetenceBody, PeopleError, SetPasswordToken};
use clampward_store::reference::ReferenceError;
use clampward_store::{Author, Mode, NewEntry, RecordError, Recording, Store, StoreError, StoreOptions};
use jiff::{Timestamp, ToSpan};
use std::sync::Arc;

/// Most entries in one recording of the loader.
const BATCH: usize = 100;

/// Why the demo could not be loaded.
#[derive(Debug, thiserror::Error)]
pub enum DemoError {
    /// The database.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// People.
    #[error(transparent)]
    People(#[from] PeopleError),
    /// Yards and models.
    #[error(transparent)]
    Reference(#[from] ReferenceError),
    /// An entry was refused: the stories and the rules disagree.
    #[error("{at}, clamp {clamp}: {source}")]
    Record {
        /// When.
        at: Timestamp,
        /// Which clamp.
        clamp: String,
        /// Why.
        source: Box<RecordError>,
    },
    /// A number out of its limits.
    #[error(transparent)]
    Quantity(#[from] QuantityError),
    /// A password could not be hashed.
    #[error("a password could not be hashed: {0}")]
    Hash(argon2::password_hash::Error),
    /// Something is recorded already.
    #[error("the database holds records already, and an invented fleet never stands beside real clamps")]
    NotEmpty,
}

/// What was loaded.
#[derive(Clone, Copy, Debug)]
pub struct Loaded {
    /// Clamps.
    pub clamps: usize,
    /// Entries.
    pub entries: usize,
}

/// Loads the fleet into an empty database. `progress` hears how far it is.
pub async fn load(
    url: &str,
    today: Timestamp,
    mut progress: impl FnMut(usize, usize),
) -> Result<Loaded, DemoError> {
    let begin = today.checked_sub((stories::DAYS * 24).hours()).unwrap_or(today);
    let clock = Arc::new(SimulatedClock::at(begin));
    let options = StoreOptions {
        url: url.to_owned(),
        max_connections: 4,
        clock: clock.clone(),
    };
    let store = Store::connect(options).await?;
    if store.position().await? > 0 {
        return Err(DemoError::NotEmpty);
    }
    for yard in YardKey::ALL {
        store
            .create_yard(
                row("yard", yard.code()),
                person("administrator"),
                yard.id(),
                &yard.yard(),
            )
            .await?;
    }
    let models = models::all()?;
    for (id, model) in &models {
        store
            .create_model(row("model", &model.model), person("administrator"), *id, model)
            .await?;
    }
    for member in CAST {
        enrol(&store, member, begin, today).await?;
    }
    let planned = stories::tell(today, &models)?;
    let total = planned.len();
    let mut done = 0;
    let mut rest = planned.as_slice();
    while let Some(first) = rest.first() {
        // What one person records on one day goes in together.
        let same = rest
            .iter()
            .take(BATCH)
            .take_while(|entry| {
                entry.by == first.by && entry.at.as_second() / 86_400 == first.at.as_second() / 86_400
            })
            .count();
        let (batch, later) = rest.split_at(same.max(1));
        record(&store, &clock, batch).await?;
        rest = later;
        done += batch.len();
        progress(done, total);
    }
    clock.advance_to(today);
    tablets::prepare(&store, today).await?;
    store.close().await;
    let mut clamps: Vec<_> = planned.iter().map(|entry| entry.clamp).collect();
    clamps.sort_unstable();
    clamps.dedup();
    Ok(Loaded {
        clamps: clamps.len(),
        entries: total,
    })
}

fn row(what: &str, name: &str) -> uuid::Uuid {
    ids::named(&format!("row {what} {name}"))
}

async fn enrol(store: &Store, member: &Member, begin: Timestamp, today: Timestamp) -> Result<(), DemoError> {
    let administrator = person("administrator");
    let yards = member
        .yard
        .map_or(YardScope::All, |yard| YardScope::Some(vec![yard.id()]));
    let body = AccountBody {
        kind: AccountKind::Person,
        email: member.email(),
        name: member.name.to_owned(),
        roles: member.roles.to_vec(),
        yards,
        enabled: true,
    };
    store
        .create_account(row("account", member.key), administrator, member.id(), &body)
        .await?;
    for (kind, lapsed) in member.competences {
        let day = |instant: Timestamp| clampward_domain::calendar::Zone::utc().date_at(instant);
        let valid_until = lapsed.map(|days| day(today.checked_sub((days * 24).hours()).unwrap_or(today)));
        let name = format!("{} {kind}", member.key);
        let body = CompetenceBody {
            competence_id: CompetenceId::new(ids::named(&format!("competence {name}"))),
            kind: *kind,
            valid_from: day(begin.checked_sub((365 * 24).hours()).unwrap_or(begin)),
            valid_until,
            evidence: Some("certificate (invented)".to_owned()),
        };
        store
            .record_competence(row("competence", &name), administrator, member.id(), &body)
            .await?;
    }
    let token = SetPasswordToken {
        digest: ids::named(&format!("password {}", member.key))
            .as_bytes()
            .repeat(2),
        expires_at: begin.checked_add(1.hour()).unwrap_or(begin),
    };
    store.issue_set_password_token(member.id(), &token).await?;
    let hashed = Argon2::default()
        .hash_password(member.password().as_bytes())
        .map_err(DemoError::Hash)?
        .to_string();
    store.set_password(&token.digest, &hashed).await?;
    Ok(())
}

async fn record(store: &Store, clock: &SimulatedClock, batch: &[Planned]) -> Result<(), DemoError> {
    let (Some(first), Some(last)) = (batch.first(), batch.last()) else {
        return Ok(());
    };
    clock.advance_to(last.at);
    let author = Author {
        person: first.by,
        signed: true,
        device: None,
        yards: YardScope::All,
    };
    let entries = batch
        .iter()
        .map(|entry| NewEntry {
            id: entry.id,
            clamp_id: entry.clamp,
            performed_at: entry.at,
            performed_by: entry.by,
            judged_by: None,
            body: entry.body.clone(),
        })
        .collect();
    store
        .record(Recording {
            author,
            mode: Mode::Refuse,
            entries,
        })
        .await
        .map_err(|source| DemoError::Record {
            at: first.at,
            clamp: first.clamp.to_string(),
            source: Box::new(source),
        })?;
    Ok(())
}
