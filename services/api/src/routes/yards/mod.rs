//! Yards: reference data in dated versions.

pub mod change;
pub mod create;
pub mod list;
pub mod read;
pub mod view;

use crate::reply::Failure;
use clampward_domain::ids::YardId;
use clampward_domain::reference::YardScope;
use clampward_store::Store;
use clampward_wire::page::MAX_LIMIT;
use clampward_wire::problem;

/// Refuses a code that another yard bears in whatever case: codes are read out and typed by people.
async fn code_is_free(store: &Store, code: &str, own: Option<YardId>) -> Result<(), Failure> {
    let wanted = code.to_lowercase();
    let mut after = None;
    loop {
        let yards = store.yards(&YardScope::All, after, MAX_LIMIT).await?;
        let Some(last) = yards.last() else { return Ok(()) };
        after = Some(last.id);
        let taken = yards
            .iter()
            .find(|yard| Some(yard.id) != own && yard.body.code.to_lowercase() == wanted);
        if let Some(yard) = taken {
            let detail = format!("Another yard bears the code {}.", yard.body.code);
            return Err(Failure::new(problem::CODE_TAKEN, detail));
        }
    }
}
