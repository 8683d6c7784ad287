//! Whether something that is held bars the clamps that it names: when it arrives, and whenever one of them becomes known.

use super::bar;
use crate::door::{Batch, FromDevice, ToTake};
use crate::sync::push::{Told, new_entry};
use crate::{StoreError, Tx};
use clampward_domain::ids::{ClampId, DeviceId, EntryId, YardId};
use jiff::Timestamp;

/// Something held that may restrict.
pub(crate) struct Weighing<'a> {
    pub held: EntryId,
    pub device: DeviceId,
    /// What it says, and what is believed of it; nothing if nobody knows what it says: then it bars whatever it names.
    pub says: Option<(&'a Told, &'a FromDevice)>,
}

/// What came of it.
#[derive(Debug, Default)]
pub(crate) struct Weighed {
    /// The clamps that it bars.
    pub bars: Vec<ClampId>,
    /// Those that it leaves alone.
    pub leaves: Vec<ClampId>,
    /// The yards of those that it bars.
    pub yards: Vec<YardId>,
}

impl Weighing<'_> {
    /// Adds what may be recorded for these clamps to what is locked.
    pub(crate) fn lock(
        &self,
        to_take: &mut ToTake,
        clamps: &[ClampId],
        now: Timestamp,
    ) -> Result<(), StoreError> {
        for clamp in clamps {
            let bar = bar(self.held, *clamp, self.device, now);
            let hash = bar.content_hash()?;
            to_take.add(bar, hash, None);
        }
        Ok(())
    }

    /// Bars those of the clamps that it restricts. One of which nothing is known is neither barred nor left alone.
    pub(crate) async fn weigh(
        &self,
        tx: &mut Tx,
        batch: &mut Batch<'_>,
        clamps: &[ClampId],
    ) -> Result<Weighed, StoreError> {
        let mut weighed = Weighed::default();
        for clamp in clamps {
            if !batch.knows(*clamp) {
                continue;
            }
            let bars = match self.says {
                Some((told, device)) => {
                    let new = new_entry(told, *clamp);
                    batch.would_bar(tx, &new, device).await?
                }
                None => true,
            };
            if !bars {
                weighed.leaves.push(*clamp);
                continue;
            }
            let bar = bar(self.held, *clamp, self.device, tx.now());
            batch.bar(tx, &bar).await?;
            weighed.bars.push(*clamp);
            weighed.yards.extend(batch.yards_of(*clamp));
        }
        Ok(weighed)
    }
}
