//! Questions about clamps. Each runs under the reading role, which sees the yards it is told; what a state means at an
//! instant is the domain's answer.

mod at;
pub(crate) mod entries;
mod history;
mod list;
pub(crate) mod look_up;
mod mark;
mod state;

pub(crate) use at::end_of_day_in;
pub use at::{AsOf, ClampThen};
pub use history::HistoryRow;
pub use list::{ClampFilter, ClampPage, ReadClamp, ReadClamps};
pub use look_up::{FitnessNow, LookedUp};
pub use mark::Bearers;
pub use state::{ClampNow, Knowledge};
