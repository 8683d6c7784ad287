//! Devices on the wire.

use crate::reply::{Cells, Columns};
use clampward_domain::ids::{DeviceId, PersonId, YardId};
use clampward_domain::reference::YardScope;
use clampward_store::people::{DeviceRecord, SigningKeyRecord};
use clampward_wire::sync::device::SigningKey;
use jiff::Timestamp;
use serde::Serialize;
use utoipa::ToSchema;

/// A device.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct DeviceView {
    /// The device; also its `client_id`, and what is written on it names it by this id.
    pub id: DeviceId,
    /// Version, from 1.
    #[schema(minimum = 1)]
    pub version: u64,
    /// Name by which people know it.
    #[schema(examples("Tablet 3, plate store"))]
    pub name: String,
    /// Its yards, as far as you see them.
    pub yards: Vec<YardId>,
    /// How many yards it has beside these.
    #[schema(maximum = 50)]
    pub yards_elsewhere: usize,
    /// Since when.
    pub enrolled_at: Timestamp,
    /// Who made the code for it.
    pub enrolled_by: PersonId,
    /// Revoked since; null while it is not.
    #[schema(required = true)]
    pub revoked_at: Option<Timestamp>,
    /// By whom; null while it is not revoked.
    #[schema(required = true)]
    pub revoked_by: Option<PersonId>,
    /// Why; null while it is not revoked.
    #[schema(required = true, examples("Left behind on the quay"))]
    pub revoked_for: Option<String>,
}

impl DeviceView {
    /// As somebody sees it who sees these yards.
    pub fn seen(device: DeviceRecord, scope: &YardScope) -> Self {
        let all = device.yards().len();
        let yards: Vec<YardId> = device
            .yards()
            .iter()
            .copied()
            .filter(|yard| scope.covers(*yard))
            .collect();
        let end = device.revoked;
        Self {
            id: device.id,
            version: device.account.version,
            name: device.account.body.name,
            yards_elsewhere: all.saturating_sub(yards.len()),
            yards,
            enrolled_at: device.enrolled_at,
            enrolled_by: device.enrolled_by,
            revoked_at: end.as_ref().map(|end| end.at),
            revoked_by: end.as_ref().map(|end| end.by),
            revoked_for: end.map(|end| end.reason),
        }
    }
}

/// A device with what it last sent. That changes with each push, so it is no part of what a change names by its ETag.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct DeviceInUse {
    /// The device.
    #[serde(flatten)]
    pub device: DeviceView,
    /// Its number: more than 1 after somebody else was noticed to use an earlier one.
    #[schema(minimum = 1)]
    pub device_number: u32,
    /// When it last pushed; null while it never did.
    #[schema(required = true)]
    pub pushed_at: Option<Timestamp>,
    /// Highest `device_seq` that came from it.
    pub received_to: u64,
    /// How many below it never came.
    pub missing: u64,
    /// How many entries it still had to send when it last pushed, those of that push included.
    pub queue_length: u64,
    /// When a copy of it was last noticed; null while none was.
    #[schema(required = true)]
    pub copy_noticed_at: Option<Timestamp>,
}

impl DeviceInUse {
    /// As somebody sees it who sees these yards.
    pub fn seen(device: DeviceRecord, scope: &YardScope) -> Self {
        let push = device.last_push;
        Self {
            device_number: device.number,
            pushed_at: push.map(|push| push.at),
            received_to: push.map_or(0, |push| push.received_to),
            missing: push.map_or(0, |push| push.missing),
            queue_length: push.map_or(0, |push| push.queue_length),
            copy_noticed_at: device.copy_noticed_at,
            device: DeviceView::seen(device, scope),
        }
    }
}

impl Columns for DeviceInUse {
    const NAMES: &'static [&'static str] = &[
        "id",
        "version",
        "name",
        "yards",
        "yards_elsewhere",
        "enrolled_at",
        "enrolled_by",
        "revoked_at",
        "revoked_by",
        "revoked_for",
        "device_number",
        "pushed_at",
        "received_to",
        "missing",
        "queue_length",
        "copy_noticed_at",
    ];
    fn cells(&self, row: &mut Cells<'_>) {
        let device = &self.device;
        row.plain(device.id)
            .plain(device.version)
            .text(&device.name)
            .words(&device.yards)
            .plain(device.yards_elsewhere)
            .plain(device.enrolled_at)
            .plain(device.enrolled_by)
            .maybe(device.revoked_at)
            .maybe(device.revoked_by)
            .maybe_text(device.revoked_for.as_deref())
            .plain(self.device_number)
            .maybe(self.pushed_at)
            .plain(self.received_to)
            .plain(self.missing)
            .plain(self.queue_length)
            .maybe(self.copy_noticed_at);
    }
}

/// A signing key as it is told.
pub fn signing_key(record: &SigningKeyRecord) -> SigningKey {
    let key = &record.key;
    SigningKey {
        id: key.id,
        device_id: key.device_id,
        person_id: key.person_id,
        created_at: key.created_at,
        expires_at: key.expires_at,
        revoked_at: key.revoked_at,
    }
}

impl Columns for SigningKey {
    const NAMES: &'static [&'static str] = &[
        "id",
        "device_id",
        "person_id",
        "created_at",
        "expires_at",
        "revoked_at",
    ];
    fn cells(&self, row: &mut Cells<'_>) {
        row.plain(self.id)
            .plain(self.device_id)
            .plain(self.person_id)
            .plain(self.created_at)
            .plain(self.expires_at)
            .maybe(self.revoked_at);
    }
}
