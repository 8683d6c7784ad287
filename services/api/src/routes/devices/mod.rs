//! Devices: tablets that people share, with their keys and the keys by which people sign on them.

pub mod change;
pub mod create_signing_key;
pub mod enrol;
pub mod list;
pub mod list_signing_keys;
pub mod read;
pub mod revoke;
pub mod view;
pub mod withdraw_signing_key;

use crate::extract::Authorized;
use crate::permission::Permission;
use crate::reply::Failure;
use clampward_domain::ids::DeviceId;
use clampward_store::people::DeviceRecord;
use clampward_wire::problem::{FieldError, Problem};

/// Longest reason.
const MAX_REASON_CHARS: usize = 500;

/// A device with a yard of the caller's: any other is not there.
async fn device<P: Permission>(call: &Authorized<P>, id: DeviceId) -> Result<DeviceRecord, Failure> {
    call.store()
        .device(id)
        .await?
        .filter(|device| device.yards().iter().any(|yard| call.yards().covers(*yard)))
        .ok_or_else(|| Failure::not_found("device"))
}

/// Refuses a reason that says nothing or too much.
fn check_reason(reason: &str) -> Result<(), Failure> {
    if !reason.trim().is_empty() && reason.chars().count() <= MAX_REASON_CHARS {
        return Ok(());
    }
    let detail = format!("1 to {MAX_REASON_CHARS} characters");
    Err(Problem::input(vec![FieldError::new("/reason", "invalid-reason", detail)]).into())
}
