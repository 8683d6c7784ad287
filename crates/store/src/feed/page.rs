//! A page of what happened in several yards, each from its own cursor: all of one moment.

use super::check::{Verdict, judge};
use super::head::{self, Head};
use super::rows::{self, Read, Wanted};
use super::shares::shares;
use super::{Cursor, EVERYBODY, FeedClamp, FeedRow, Gone, MAX_ROWS};
use crate::{Store, StoreError};
use clampward_domain::ids::{ModelId, PersonId, YardId};
use clampward_domain::reference::{Model, Person, Reference, Versions, Yard, YardScope};
use jiff::Timestamp;
use sqlx::PgConnection;
use std::collections::{BTreeMap, BTreeSet};
use uuid::Uuid;

/// Reference data as they are now.
#[derive(Clone, Debug, PartialEq)]
pub enum ReferenceRecord {
    /// A yard with all its versions.
    Yard(YardId, Versions<Yard>),
    /// A model with all its versions.
    Model(ModelId, Versions<Model>),
    /// A person as the rules see them: no address, nothing of their sign-in.
    Person(PersonId, Person),
}

/// What happened in a yard since a cursor.
#[derive(Clone, Debug, PartialEq)]
pub struct Page {
    /// Rows by position.
    pub rows: Vec<FeedRow>,
    /// The clamps that they touch, as they are now.
    pub clamps: Vec<FeedClamp>,
    /// The reference data that they touch, as they are now.
    pub reference: Vec<ReferenceRecord>,
    /// Where to go on; nothing where nothing came, so that the cursor stays what it is.
    pub next: Option<Cursor>,
    /// Whether more follows at once.
    pub more: bool,
    /// Everything up to here was told.
    pub known_position: u64,
    /// The instant of that knowledge.
    pub known_at: Timestamp,
}

/// A page for each cursor, in their order.
#[derive(Clone, Debug)]
pub struct Changes {
    /// The pages, or why there is none.
    pub parts: Vec<Result<Page, Gone>>,
    /// The head when they were read: whoever waits, waits for what comes after it.
    pub position: u64,
}

impl Changes {
    /// Whether there is nothing to tell: no row, and no cursor that is to be given up.
    pub fn is_empty(&self) -> bool {
        self.parts
            .iter()
            .all(|part| part.as_ref().is_ok_and(|page| page.rows.is_empty() && !page.more))
    }
}

impl Store {
    /// What happened since each of these cursors, as far as their yards are the reader's: at most `limit` rows together,
    /// shared so that no yard waits for another.
    pub async fn changes(
        &self,
        yards: &YardScope,
        cursors: &[Cursor],
        limit: u32,
    ) -> Result<Changes, StoreError> {
        let before = self.now();
        let granted = |cursor: &Cursor| cursor.yard != EVERYBODY && yards.covers(cursor.yard);
        let told: BTreeSet<YardId> = cursors
            .iter()
            .filter(|cursor| granted(cursor))
            .map(|cursor| cursor.yard)
            .collect();
        // Told no more yards than are asked about, the database lets no other yard's rows through whatever is asked.
        let told = YardScope::Some(told.into_iter().collect());
        let mut tx = self.read_moment(&told).await?;
        let positions: Vec<u64> = cursors.iter().flat_map(Cursor::positions).collect();
        let (head, tags) = head::read(&mut tx, &positions, before).await?;
        let mut verdicts = Vec::with_capacity(cursors.len());
        let (tags, _) = tags.as_chunks::<2>();
        for (cursor, tags) in cursors.iter().zip(tags) {
            verdicts.push(if granted(cursor) {
                judge(&mut tx, cursor, &head, *tags).await?
            } else {
                Verdict::Gone(Gone::NotGranted)
            });
        }
        let good: Vec<(Uuid, u64)> = cursors
            .iter()
            .zip(&verdicts)
            .filter(|(_, verdict)| **verdict == Verdict::Good)
            .map(|(cursor, _)| (cursor.yard.uuid(), cursor.position))
            .collect();
        let found = read_rows(&mut tx, &good, &head, limit.clamp(1, MAX_ROWS)).await?;
        let present = self.present(&mut tx, &touched(&found), &head).await?;
        let reference = if found.iter().any(Found::touches_reference) {
            Some(self.snapshot(&mut tx, head.reference_version).await?)
        } else {
            None
        };
        let tags = last_tags(&mut tx, &found, before).await?;
        tx.finish().await?;

        let mut found = found.into_iter();
        let parts = cursors
            .iter()
            .zip(verdicts)
            .map(|(cursor, verdict)| match verdict {
                Verdict::Gone(gone) => Err(gone),
                Verdict::Wait => Ok(nothing(cursor)),
                Verdict::Good => {
                    let found = found.next().unwrap_or_default();
                    let clamps = found.clamps(cursor.yard, &present);
                    let reference = reference.as_deref();
                    let reference = found.reference(cursor.yard, reference);
                    Ok(found.page(cursor, &head, before, &tags, clamps, reference))
                }
            })
            .collect();
        Ok(Changes {
            parts,
            position: head.position,
        })
    }
}

/// What was found for a cursor.
#[derive(Default)]
struct Found {
    rows: Vec<FeedRow>,
    more: bool,
}

/// The rows of each yard, as many as the page has room for.
async fn read_rows(
    connection: &mut PgConnection,
    yards: &[(Uuid, u64)],
    head: &Head,
    limit: u32,
) -> Result<Vec<Found>, StoreError> {
    if yards.is_empty() {
        return Ok(Vec::new());
    }
    // One more says whether there is more.
    let wanted = rows::after(connection, yards, head.position, limit.saturating_add(1)).await?;
    let counts: Vec<usize> = wanted.iter().map(Vec::len).collect();
    let shares = shares(&counts, usize::try_from(limit).unwrap_or(usize::MAX));
    let taken: BTreeSet<i64> = wanted
        .iter()
        .zip(&shares)
        .flat_map(|(wanted, share)| wanted.iter().take(*share))
        .filter(|wanted| wanted.company.is_none())
        .map(|wanted| wanted.position)
        .collect();
    let taken: Vec<i64> = taken.into_iter().collect();
    let read = rows::at(connection, &taken).await?;
    wanted
        .into_iter()
        .zip(shares)
        .map(|(wanted, share)| found(wanted, share, &read))
        .collect()
}

fn found(wanted: Vec<Wanted>, share: usize, read: &BTreeMap<i64, Read>) -> Result<Found, StoreError> {
    let mut found = Found {
        more: wanted.len() > share,
        rows: Vec::with_capacity(share),
    };
    for place in wanted.into_iter().take(share) {
        let row = match place.company {
            Some(row) => Some(row),
            None => read
                .get(&place.position)
                .cloned()
                .ok_or_else(|| StoreError::Inconsistent {
                    table: "delivered",
                    column: "position",
                    id: Uuid::nil(),
                    detail: format!("position {} was not delivered to this yard", place.position),
                })?,
        };
        let Some(row) = row else {
            found.more = true;
            break;
        };
        found.rows.push(row);
    }
    Ok(found)
}

/// The clamps that rows are about.
fn touched(found: &[Found]) -> Vec<Uuid> {
    let clamps: BTreeSet<Uuid> = found
        .iter()
        .flat_map(|found| &found.rows)
        .filter(|row| row.is_about_clamp())
        .map(|row| row.subject)
        .collect();
    clamps.into_iter().collect()
}

/// The tags of the rows at which pages end before the head.
async fn last_tags(
    connection: &mut PgConnection,
    found: &[Found],
    now: Timestamp,
) -> Result<BTreeMap<u64, i64>, StoreError> {
    let ends: Vec<u64> = found
        .iter()
        .filter(|found| found.more)
        .filter_map(|found| found.rows.last())
        .map(|row| row.position)
        .collect();
    if ends.is_empty() {
        return Ok(BTreeMap::new());
    }
    let (_, tags) = head::read(connection, &ends, now).await?;
    Ok(ends
        .into_iter()
        .zip(tags)
        .filter_map(|(position, tag)| Some((position, tag?)))
        .collect())
}

/// A page on which nothing stands, of a database that cannot say whether there is anything: nothing new is known.
fn nothing(cursor: &Cursor) -> Page {
    Page {
        rows: Vec::new(),
        clamps: Vec::new(),
        reference: Vec::new(),
        next: None,
        more: false,
        known_position: cursor.position,
        known_at: Timestamp::UNIX_EPOCH,
    }
}

impl Found {
    fn touches_reference(&self) -> bool {
        self.rows.iter().any(|row| !row.is_about_clamp())
    }

    /// The clamps as they are, in this yard or gone from it.
    fn clamps(&self, yard: YardId, present: &BTreeMap<Uuid, super::clamps::Present>) -> Vec<FeedClamp> {
        let mut last: BTreeMap<Uuid, u64> = BTreeMap::new();
        for row in self.rows.iter().filter(|row| row.is_about_clamp()) {
            last.insert(row.subject, row.position);
        }
        last.into_iter()
            .map(|(clamp, position)| match present.get(&clamp) {
                Some(present) if present.yards.contains(&yard) => present.line.clone(),
                // In another yard that the reader sees: gone from here as of what they are told there.
                Some(elsewhere) => FeedClamp {
                    state: None,
                    ..elsewhere.line.clone()
                },
                // What became of it is none of theirs.
                None => FeedClamp {
                    clamp: clamp.into(),
                    position,
                    reference_version: 0,
                    state: None,
                },
            })
            .collect()
    }

    /// The records that rows about anything but clamps tell of.
    fn reference(&self, yard: YardId, reference: Option<&Reference>) -> Vec<ReferenceRecord> {
        let Some(reference) = reference else {
            return Vec::new();
        };
        let subjects: BTreeSet<Uuid> = self
            .rows
            .iter()
            .filter(|row| !row.is_about_clamp())
            .map(|row| row.subject)
            .collect();
        subjects
            .into_iter()
            .filter_map(|subject| record(subject, yard, reference))
            .collect()
    }

    fn page(
        self,
        cursor: &Cursor,
        head: &Head,
        before: Timestamp,
        tags: &BTreeMap<u64, i64>,
        clamps: Vec<FeedClamp>,
        reference: Vec<ReferenceRecord>,
    ) -> Page {
        let at = |position, tag| Cursor {
            epoch: head.epoch,
            position,
            tag,
            yard: cursor.yard,
            // The clamps are as of the head also where the rows end before it.
            seen: Some(head.seen()),
        };
        let last = self.rows.last().map(|row| (row.position, row.recorded_at));
        let (next, known_position, known_at) = match last {
            Some((position, recorded_at)) if self.more => {
                let next = tags.get(&position).map(|tag| at(position, *tag));
                (next, position, recorded_at)
            }
            Some(_) => (
                Some(at(head.position, head.tag)),
                head.position,
                head.known_at(before),
            ),
            // Nothing, for want of room: nothing new is known.
            None if self.more => (None, cursor.position, Timestamp::UNIX_EPOCH),
            None => (None, head.position, head.known_at(before)),
        };
        Page {
            rows: self.rows,
            clamps,
            reference,
            next,
            more: self.more,
            known_position,
            known_at,
        }
    }
}

/// The record of a subject, if it is one that a reader of this yard sees.
fn record(subject: Uuid, yard: YardId, reference: &Reference) -> Option<ReferenceRecord> {
    let (model, person) = (ModelId::new(subject), PersonId::new(subject));
    if subject == yard.uuid() {
        let versions = reference.yards.get(&yard)?;
        return Some(ReferenceRecord::Yard(yard, versions.clone()));
    }
    if let Some(versions) = reference.models.get(&model) {
        return Some(ReferenceRecord::Model(model, versions.clone()));
    }
    let person_now = reference.people.get(&person)?;
    Some(ReferenceRecord::Person(person, person_now.clone()))
}

/// Everything of the reference data that a reader of a yard sees.
pub(super) fn everything(yard: YardId, reference: &Reference) -> Vec<ReferenceRecord> {
    let yards = reference.yards.get(&yard).into_iter();
    let yards = yards.map(|versions| ReferenceRecord::Yard(yard, versions.clone()));
    let models = reference.models.iter();
    let models = models.map(|(id, versions)| ReferenceRecord::Model(*id, versions.clone()));
    let people = reference.people.iter();
    let people = people.map(|(id, person)| ReferenceRecord::Person(*id, person.clone()));
    yards.chain(models).chain(people).collect()
}
