//! Ids of the demo: derived from names, so that every demo fleet has the same ones and examples can name them.

use jiff::Timestamp;
use uuid::{Builder, Uuid};

/// Name space of the demo's ids.
const DEMO: Uuid = Uuid::from_u128(0x5d0e_1f4c_2a77_4c1e_9a35_8c0d_7f21_66b3);

/// The id of something with a name that is unique in the demo.
pub fn named(name: &str) -> Uuid {
    Uuid::new_v5(&DEMO, name.as_bytes())
}

/// The id of an entry: time-ordered, like the ones that field apps make, its random part derived from the name.
pub fn entry(at: Timestamp, name: &str) -> Uuid {
    let millis = u64::try_from(at.as_millisecond()).unwrap_or_default();
    let digest = named(name);
    let mut random = [0_u8; 10];
    for (to, from) in random.iter_mut().zip(digest.as_bytes()) {
        *to = *from;
    }
    Builder::from_unix_timestamp_millis(millis, &random).into_uuid()
}
