//! Projections and ledger rows of a recording, the append last.

use super::subject::Subject;
use crate::ledger::{self, Appended, Hash, LedgerRow};
use crate::photos::{Citation, cite};
use crate::projection::{self, Written};
use crate::{StoreError, Tx};
use clampward_domain::canonical;
use clampward_domain::entry::Entry;
use clampward_domain::ids::{ClampId, DeviceId, PersonId, YardId};
use clampward_domain::judge::Outcome;
use clampward_domain::reference::{Reference, YardScope};
use std::collections::BTreeMap;
use uuid::Uuid;

/// An entry that was judged and is to be appended.
pub(crate) struct Judged {
    pub(crate) entry: Entry,
    pub(crate) content_hash: Hash,
    pub(crate) outcome: Outcome,
    /// The clamp's yards before and after it.
    pub(crate) yards: Vec<YardId>,
    /// Who handed it in.
    pub(crate) recorded_by: PersonId,
    /// The yards that they see.
    pub(crate) sight: YardScope,
}

impl Judged {
    fn citations(&self) -> impl Iterator<Item = Citation> + '_ {
        self.entry.body.photos().into_iter().map(|digest| Citation {
            digest,
            entry: self.entry.id,
            clamp: self.entry.clamp_id,
            yards: self.yards.clone(),
            by: self.entry.performed_by,
            senders: self.senders(),
            sight: self.sight.clone(),
        })
    }
    /// Whose photos its photos may be: those of whoever hands it in, and of whoever it proves to come from. A name alone
    /// proves nothing.
    fn senders(&self) -> Vec<Uuid> {
        let entry = &self.entry;
        let by = self.recorded_by.uuid();
        let device = entry
            .device_id
            .map(DeviceId::uuid)
            .filter(|device| entry.signed || entry.placed || *device == by);
        let author = entry.signed.then(|| entry.performed_by.uuid());
        [Some(by), device, author].into_iter().flatten().collect()
    }
    fn row(self) -> Result<LedgerRow, StoreError> {
        Ok(LedgerRow {
            id: self.entry.id.uuid(),
            stream: self.entry.clamp_id.uuid(),
            kind: self.entry.kind().code(),
            performed_at: self.entry.performed_at,
            counted_at: self.entry.counted_at,
            performed_by: self.entry.performed_by,
            recorded_by: self.recorded_by,
            device_id: self.entry.device_id,
            bytes: canonical::to_bytes(&self.entry)?,
            content_hash: self.content_hash,
            outcome: Some(canonical::to_bytes(&self.outcome)?),
            yards: self.yards,
        })
    }
}

/// Writes what was judged: projections, then what was waiting to be reassessed and now is, then the rows.
pub(crate) async fn write(
    tx: &mut Tx,
    subjects: &mut BTreeMap<ClampId, Subject>,
    judged: Vec<Judged>,
    reference: &Reference,
) -> Result<Vec<Appended>, StoreError> {
    write_with(tx, subjects, judged, Vec::new(), reference).await
}

/// The same with rows of other streams beside those of the clamps.
pub(crate) async fn write_with(
    tx: &mut Tx,
    subjects: &mut BTreeMap<ClampId, Subject>,
    judged: Vec<Judged>,
    beside: Vec<LedgerRow>,
    reference: &Reference,
) -> Result<Vec<Appended>, StoreError> {
    let now = tx.now();
    let mut projections = Vec::new();
    let mut reassessed: (Vec<Uuid>, Vec<i64>) = Default::default();
    let mut numbers: (Vec<Uuid>, Vec<String>, Vec<String>) = Default::default();
    for subject in subjects.values_mut().filter(|subject| subject.touched) {
        let out_periods = subject.out_periods(tx, reference).await?;
        let whole = subject.refolded;
        projections.push(Written::of(
            &mut subject.state,
            whole,
            out_periods,
            reference,
            now,
        )?);
        // A model's maker may have another name by now: then the number is another one too.
        subject
            .numbers
            .extend(projection::number(&subject.state, reference, now));
        for (maker, serial) in subject.new_numbers() {
            numbers.0.push(subject.clamp.uuid());
            numbers.1.push(maker.clone());
            numbers.2.push(serial.clone());
        }
        if let Some(position) = subject.pending {
            reassessed.0.push(subject.clamp.uuid());
            reassessed.1.push(position);
        }
    }
    projection::write(tx, projections, reference.version).await?;
    claim(tx, numbers).await?;
    if !reassessed.0.is_empty() {
        sqlx::query(
            "-- door.reassessed
             delete from pending_reassessment as p using unnest($1::uuid[], $2::bigint[]) as d(clamp_id, position)
             where p.clamp_id = d.clamp_id and p.cause_position <= d.position",
        )
        .bind(&reassessed.0)
        .bind(&reassessed.1)
        .execute(&mut **tx)
        .await?;
    }
    cite(tx, judged.iter().flat_map(Judged::citations).collect()).await?;
    let rows = judged
        .into_iter()
        .map(Judged::row)
        .chain(beside.into_iter().map(Ok))
        .collect::<Result<Vec<_>, _>>()?;
    ledger::append(tx, rows, reference.version, false).await
}

/// Keeps the numbers that clamps bear or bore.
async fn claim(
    tx: &mut Tx,
    (clamps, makers, serials): (Vec<Uuid>, Vec<String>, Vec<String>),
) -> Result<(), StoreError> {
    if clamps.is_empty() {
        return Ok(());
    }
    sqlx::query(
        "-- door.claim_numbers
         insert into clamp_number (clamp_id, maker_key, serial_key)
         select u.clamp_id, u.maker_key, u.serial_key
         from unnest($1::uuid[], $2::text[], $3::text[]) as u(clamp_id, maker_key, serial_key)
         order by 1, 2, 3 on conflict do nothing",
    )
    .bind(&clamps)
    .bind(&makers)
    .bind(&serials)
    .execute(&mut **tx)
    .await?;
    Ok(())
}
