//! Typed ids. One list, so that a yard's id cannot be given where a clamp's is asked for.
//!
//! Ids are UUIDs chosen by whoever writes; derived ids (lock-outs, follow-up entries) are version 5, so that anyone
//! can compute them from the entry. This module makes no random id.

use serde::{Deserialize, Serialize};
use uuid::Uuid;

macro_rules! typed_ids {
    ($($(#[doc = $doc:literal])+ $name:ident),+ $(,)?) => {$(
        $(#[doc = $doc])+
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(Uuid);

        impl $name {
            /// Wraps a UUID.
            pub const fn new(id: Uuid) -> Self { Self(id) }
            /// The UUID inside.
            pub const fn uuid(self) -> Uuid { self.0 }
        }
        impl From<Uuid> for $name { fn from(id: Uuid) -> Self { Self(id) } }
        impl From<$name> for Uuid { fn from(id: $name) -> Self { id.0 } }
        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result { self.0.fmt(f) }
        }
        impl std::str::FromStr for $name {
            type Err = uuid::Error;
            fn from_str(text: &str) -> Result<Self, Self::Err> { text.parse().map(Self) }
        }
        #[cfg(feature = "openapi")]
        impl utoipa::PartialSchema for $name {
            fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
                use utoipa::openapi::schema::{KnownFormat, ObjectBuilder, SchemaFormat, Type};
                ObjectBuilder::new()
                    .schema_type(Type::String)
                    .format(Some(SchemaFormat::KnownFormat(KnownFormat::Uuid)))
                    .description(Some(concat!("Id of:", $($doc),+)))
                    .into()
            }
        }
        #[cfg(feature = "openapi")]
        impl utoipa::ToSchema for $name {}
    )+};
}

typed_ids! {
    /// A clamp.
    ClampId,
    /// An entry; also the idempotency key of its writing, for ever.
    EntryId,
    /// A lock-out; derived from the entry that opens it (see [`lockout_id`]).
    LockoutId,
    /// A yard.
    YardId,
    /// A clamp model of one maker.
    ModelId,
    /// A person or a service account.
    PersonId,
    /// A competence record of a person.
    CompetenceId,
    /// An enrolled device.
    DeviceId,
    /// A safety bulletin.
    BulletinId,
    /// A lift check.
    LiftCheckId,
}

/// Name space of every derived id (version 5 of the OID name space over `clampward`).
pub const DERIVED: Uuid = Uuid::from_u128(0x6b1f_5d0a_93c4_5e27_8f7d_3a52_61c0_9e44);

/// The id of the lock-out that `entry` opens for `what` (a criterion or a reason) at `place`.
///
/// UUIDv5 over the three, separated by a byte that none of them can contain, so that any device derives the same id.
pub fn lockout_id(entry: EntryId, what: &str, place: &str) -> LockoutId {
    LockoutId(derive(&["lockout", &entry.to_string(), what, place]))
}

/// The id of an entry that follows from another one (the tag-out after a failed every-lift check, a bulletin's hold).
pub fn derived_entry_id(parts: &[&str]) -> EntryId {
    let mut all = vec!["entry"];
    all.extend_from_slice(parts);
    EntryId(derive(&all))
}

fn derive(parts: &[&str]) -> Uuid {
    Uuid::new_v5(&DERIVED, parts.join("\u{1f}").as_bytes())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_lock_out_id_depends_on_entry_reason_and_place_and_on_nothing_else() {
        let entry = EntryId::new(Uuid::from_u128(7));
        assert_eq!(
            lockout_id(entry, "pin_bent", ""),
            lockout_id(entry, "pin_bent", "")
        );
        assert_ne!(
            lockout_id(entry, "pin_bent", ""),
            lockout_id(entry, "pin_bent", "left")
        );
        assert_ne!(
            lockout_id(entry, "pin_bent", "x"),
            lockout_id(entry, "pin_bentx", "")
        );
    }
}
