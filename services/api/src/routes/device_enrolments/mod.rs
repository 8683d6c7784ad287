//! Codes by which devices enrol: made and withdrawn by people, redeemed at `POST /v1/devices`.

mod code;
pub mod create;
pub mod list;
pub mod view;
pub mod withdraw;

pub use code::Code;

use crate::extract::Authorized;
use crate::limits::DEVICE_YARDS;
use crate::permission::Permission;
use crate::reply::Failure;
use clampward_domain::ids::YardId;
use clampward_wire::problem::{FieldError, Problem};

/// Longest name of a device.
const MAX_NAME_CHARS: usize = 120;

/// Every fault of a device's name and yards. Yards that the caller does not answer for are not there.
pub(super) async fn check<P: Permission>(
    call: &Authorized<P>,
    name: &str,
    yards: &[YardId],
) -> Result<(), Failure> {
    let mut errors = Vec::new();
    if name.trim().is_empty() || name.chars().count() > MAX_NAME_CHARS {
        let detail = format!("1 to {MAX_NAME_CHARS} characters");
        errors.push(FieldError::new("/name", "invalid-name", detail));
    }
    if yards.is_empty() || yards.len() > DEVICE_YARDS.count() {
        let detail = format!("1 to {} yards", DEVICE_YARDS.value);
        errors.push(FieldError::new("/yards", "out-of-range", detail));
    }
    if !errors.is_empty() {
        return Err(Problem::input(errors).into());
    }
    for yard in yards {
        call.within(*yard, "yard")?;
    }
    let unknown = call.store().unknown_yards(yards).await?;
    let errors: Vec<FieldError> = yards
        .iter()
        .enumerate()
        .filter(|(_, yard)| unknown.contains(yard))
        .map(|(index, yard)| {
            FieldError::new(
                format!("/yards/{index}"),
                "unknown-yard",
                format!("there is no yard {yard}"),
            )
        })
        .collect();
    if errors.is_empty() {
        Ok(())
    } else {
        Err(Problem::input(errors).into())
    }
}
