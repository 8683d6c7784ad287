//! Safety bulletins: opened over every yard, followed until each clamp is accounted for, and closed.

pub mod clamps;
pub mod close;
pub mod list;
pub mod not_found;
pub mod open;
pub mod preview;
pub mod progress;
pub mod read;
mod view;

use crate::extract::Authorized;
use crate::permission::Permission;
use crate::reply::Failure;
use clampward_domain::bulletin::{Bulletin, check_bulletin};
use clampward_domain::calendar::Zone;
use clampward_store::bulletins::BulletinError;
use clampward_wire::problem;

impl From<BulletinError> for Failure {
    fn from(error: BulletinError) -> Self {
        match error {
            BulletinError::Taken => Self::new(
                problem::CODE_TAKEN,
                "A bulletin of this issuer and number was opened already: bulletins are never changed, a wider one gets a number of its own.",
            ),
            BulletinError::NotFound => Self::not_found("bulletin"),
            BulletinError::Closed => Self::new(problem::BULLETIN_CLOSED, "The bulletin is closed."),
            BulletinError::NotAccountedFor(progress) => {
                let mut left = vec![format!("outstanding clamps: {}", progress.all.outstanding)];
                if !progress.is_held || !progress.is_caught_up {
                    left.push("the fleet has not been gone through to its end".to_owned());
                }
                if !progress.failed.is_empty() {
                    left.push(format!(
                        "clamps that could not be held: {}",
                        progress.failed.len()
                    ));
                }
                if !progress.unread.is_empty() {
                    left.push(format!(
                        "{} yards have not said that they read it",
                        progress.unread.len()
                    ));
                }
                Self::new(
                    problem::BULLETIN_NOT_ACCOUNTED_FOR,
                    format!("Not everything is accounted for: {}.", left.join("; ")),
                )
            }
            BulletinError::NotHeld => Self::not_found("clamp that the bulletin holds"),
            BulletinError::Store(error) => error.into(),
        }
    }
}

/// Refuses a bulletin with every fault that it has.
async fn well_formed<P: Permission>(call: &Authorized<P>, bulletin: &Bulletin) -> Result<(), Failure> {
    let reference = call.store().reference().await?;
    let today = Zone::utc().date_at(call.store().now());
    super::versions::well_formed(check_bulletin(bulletin, &reference, today))
}
