//! The invented fleet of Halvorsund Marine Works: three yards in two countries, 60 clamps of 8 models, 18 months.
//!
//! Everything here is made up, and every answer that shows it says so (names, marks and makers exist nowhere). It is
//! loaded through the same door as everything else, under a clock that runs through the 18 months, so that what it
//! shows was judged by the same rules. Loading is refused where anything is recorded already.

mod cast;
mod clock;
mod fleet;
mod ids;
mod load;
mod models;
mod stories;
mod tablets;
mod yards;

pub use cast::{CAST, Member};
pub use load::load;
pub use tablets::{AT_THE_BERTH, AtWork, CLAMP_OF_BOTH, IN_THE_HULL, SHORT_CODE, TABLETS, Tablet};
