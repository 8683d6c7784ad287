//! Whether an entry that was written on a device is its author's word: the keys by which people sign there, and the roles
//! that they must hold for what they sign.
//!
//! One judge for the push, for a file that is brought in and for the device itself. Knows no algorithm: whether the bytes
//! of a signature fit a key is asked elsewhere ([`crate::entry::ToBeSigned::bytes`] says which bytes).

use crate::entry::ToBeSigned;
use crate::ids::{DeviceId, PersonId, YardId};
use crate::reference::Person;
use crate::words::{EntryKind, Role, words};
use jiff::{SignedDuration, Timestamp};
use serde::{Deserialize, Serialize};
use uuid::Uuid;

words! {
    /// Why an entry that was written on a device is not its author's word. It may restrict all the same.
    Unsigned {
        /// It bears no signature.
        NoSignature = "no_signature",
        /// Nobody knows the key that its signature names.
        UnknownKey = "unknown_key",
        /// The key is another person's.
        KeyOfAnother = "key_of_another",
        /// The key was made on another device.
        KeyOfAnotherDevice = "key_of_another_device",
        /// The key was not yet made, or was replaced, withdrawn or expired when the entry counts.
        KeyNotLive = "key_not_live",
        /// The key or its device was withdrawn before it came in.
        KeyWithdrawn = "key_withdrawn",
        /// The signature does not fit the entry.
        WrongSignature = "wrong_signature",
        /// Its author did not hold a role for such an entry in the clamp's yard when it counts.
        NotEntitled = "not_entitled",
        /// It can give fitness back and its author does not hold the role any more, or its author may not sign in any more.
        NoLongerEntitled = "no_longer_entitled",
    }
}

/// How far a told time may be from the time that counts. An entry written in the first moments of a key may count as
/// written so much before it; the end of a key allows nothing.
pub const CLOCK_TOLERANCE: SignedDuration = SignedDuration::from_mins(2);

/// A key by which one person signs on one device.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SigningKey {
    /// Its id, which signatures name.
    pub id: Uuid,
    /// The device.
    pub device_id: DeviceId,
    /// The person.
    pub person_id: PersonId,
    /// Ed25519 public key (RFC 8032).
    pub public_key: [u8; 32],
    /// Since when.
    pub created_at: Timestamp,
    /// Until when.
    pub expires_at: Timestamp,
    /// When it was replaced or withdrawn.
    pub revoked_at: Option<Timestamp>,
    /// Whether somebody withdrew it, or its device was revoked: then somebody else may have it, and whoever has it writes
    /// whatever time they like. A key that was merely replaced stays believed for what counts before.
    pub is_distrusted: bool,
}

impl SigningKey {
    /// Whether an entry that counts at an instant may be signed with it. What was signed before its end stays signed.
    pub fn is_live_at(&self, instant: Timestamp) -> bool {
        self.created_at.duration_since(instant) <= CLOCK_TOLERANCE
            && instant < self.expires_at
            && self.revoked_at.is_none_or(|revoked| instant < revoked)
    }
    /// Whether it is the key of the entry's author on the entry's device, live when the entry counts. What comes in when
    /// nobody trusts the key any more is not signed, whatever time it tells: an inspection gives fitness back too, and
    /// whoever has the key dates it as they like. It restricts all the same, and is done or signed anew.
    pub fn is_for<B>(&self, entry: &ToBeSigned<'_, B>, counted_at: Timestamp) -> Result<(), Unsigned> {
        if self.person_id != entry.performed_by {
            return Err(Unsigned::KeyOfAnother);
        }
        if self.device_id != entry.device_id {
            return Err(Unsigned::KeyOfAnotherDevice);
        }
        if !self.is_live_at(counted_at) {
            return Err(Unsigned::KeyNotLive);
        }
        if self.is_distrusted {
            return Err(Unsigned::KeyWithdrawn);
        }
        Ok(())
    }
}

/// The roles whose holders write entries of a kind: the same for an endpoint and for an entry from a device.
pub const fn roles_of(kind: EntryKind) -> &'static [Role] {
    match kind {
        EntryKind::Registered => &[Role::YardLead, Role::Safety, Role::Integration],
        EntryKind::Inspected => &[
            Role::Operator,
            Role::Inspector,
            Role::Technician,
            Role::YardLead,
            Role::Safety,
        ],
        EntryKind::TaggedOut => &[
            Role::Operator,
            Role::StoreKeeper,
            Role::Inspector,
            Role::Technician,
            Role::YardLead,
            Role::Safety,
            Role::Integration,
            Role::Administrator,
        ],
        EntryKind::Repaired => &[Role::Technician],
        EntryKind::ProofTested => &[Role::Inspector, Role::Technician],
        EntryKind::ReturnedToService | EntryKind::Confirmed | EntryKind::Retired => {
            &[Role::YardLead, Role::Safety]
        }
        EntryKind::Transferred => &[Role::StoreKeeper, Role::YardLead, Role::Safety],
        EntryKind::Issued | EntryKind::Received => &[Role::StoreKeeper, Role::YardLead],
        EntryKind::Classified => &[Role::Inspector, Role::YardLead, Role::Safety],
        EntryKind::Amended => &[Role::Inspector, Role::Technician, Role::YardLead, Role::Safety],
        EntryKind::Used => &[
            Role::Operator,
            Role::StoreKeeper,
            Role::YardLead,
            Role::Integration,
        ],
        // Written by the service alone.
        EntryKind::Reassessed => &[],
    }
}

/// Whether an entry of this kind can give fitness back. Its author must still hold the role when it arrives.
pub const fn may_free(kind: EntryKind) -> bool {
    match kind {
        EntryKind::ReturnedToService | EntryKind::Confirmed | EntryKind::Amended => true,
        EntryKind::Registered
        | EntryKind::Inspected
        | EntryKind::TaggedOut
        | EntryKind::Repaired
        | EntryKind::ProofTested
        | EntryKind::Transferred
        | EntryKind::Issued
        | EntryKind::Received
        | EntryKind::Classified
        | EntryKind::Used
        | EntryKind::Retired
        | EntryKind::Reassessed => false,
    }
}

/// Whether a person held a role for entries of a kind in the clamp's yard when the entry counts and, for what can give
/// fitness back, holds one now. Whoever may not sign in holds no role (see [`Person::grants`]), and nothing of theirs that
/// comes in from then on is believed: who was dismissed dates what they sign as they like.
pub fn is_entitled(
    person: Option<&Person>,
    kind: EntryKind,
    yard: YardId,
    counted_at: Timestamp,
    now: Timestamp,
) -> Result<(), Unsigned> {
    let person = person.ok_or(Unsigned::NotEntitled)?;
    let holds = |instant| person.holds(roles_of(kind), yard, instant);
    if !holds(counted_at) {
        return Err(Unsigned::NotEntitled);
    }
    let may_sign_in = person.grant_at(now).is_some_and(|grant| !grant.roles.is_empty());
    if !may_sign_in || (may_free(kind) && !holds(now)) {
        return Err(Unsigned::NoLongerEntitled);
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    //! Keys and roles over time; the instants on the boundaries.

    use super::*;
    use crate::ids::EntryId;
    use crate::reference::{Grant, YardScope};

    const YARD: YardId = YardId::new(Uuid::from_u128(1));
    const OTHER_YARD: YardId = YardId::new(Uuid::from_u128(2));
    const MARA: PersonId = PersonId::new(Uuid::from_u128(3));
    const TABLET: DeviceId = DeviceId::new(Uuid::from_u128(4));

    fn at(text: &str) -> Timestamp {
        text.parse().unwrap()
    }
    fn key() -> SigningKey {
        SigningKey {
            id: Uuid::from_u128(5),
            device_id: TABLET,
            person_id: MARA,
            public_key: [7; 32],
            created_at: at("2026-03-01T08:00:00Z"),
            expires_at: at("2026-03-31T08:00:00Z"),
            revoked_at: None,
            is_distrusted: false,
        }
    }
    fn person(grants: &[(&str, &[Role])]) -> Person {
        Person {
            grants: grants
                .iter()
                .map(|(from, roles)| Grant {
                    recorded_at: at(from),
                    roles: roles.to_vec(),
                    yards: YardScope::Some(vec![YARD]),
                })
                .collect(),
            ..Person::default()
        }
    }

    #[test]
    fn a_key_signs_from_its_making_until_its_end_and_what_was_signed_before_stays_signed() {
        let mut key = key();
        for (instant, live) in [
            ("2026-03-01T07:57:59Z", false),
            ("2026-03-01T07:58:00Z", true),
            ("2026-03-01T08:00:00Z", true),
            ("2026-03-31T07:59:59Z", true),
            ("2026-03-31T08:00:00Z", false),
        ] {
            assert_eq!(key.is_live_at(at(instant)), live, "{instant}");
        }
        key.revoked_at = Some(at("2026-03-02T12:00:00Z"));
        assert!(key.is_live_at(at("2026-03-02T11:59:59Z")));
        assert!(!key.is_live_at(at("2026-03-02T12:00:00Z")));
    }

    #[test]
    fn a_key_signs_for_one_person_on_one_device() {
        let body = serde_json::json!({"reason": "dropped"});
        let entry = ToBeSigned {
            id: EntryId::new(Uuid::from_u128(9)),
            device_id: TABLET,
            clamp_id: None,
            mark: Some("PEL-006"),
            kind: EntryKind::TaggedOut,
            performed_at: at("2026-03-01T09:00:00Z"),
            performed_by: MARA,
            body: &body,
        };
        let counted_at = entry.performed_at;
        assert_eq!(key().is_for(&entry, counted_at), Ok(()));
        let by_another = ToBeSigned {
            performed_by: PersonId::new(Uuid::from_u128(10)),
            ..entry.clone()
        };
        assert_eq!(key().is_for(&by_another, counted_at), Err(Unsigned::KeyOfAnother));
        let elsewhere = ToBeSigned {
            device_id: DeviceId::new(Uuid::from_u128(11)),
            ..entry.clone()
        };
        assert_eq!(
            key().is_for(&elsewhere, counted_at),
            Err(Unsigned::KeyOfAnotherDevice)
        );
        let later = at("2026-04-01T09:00:00Z");
        assert_eq!(key().is_for(&entry, later), Err(Unsigned::KeyNotLive));
    }

    /// Whoever finds a tablet and its short code writes any time into what they sign.
    #[test]
    fn nothing_is_believed_of_a_key_that_was_withdrawn_whatever_time_it_tells() {
        let mut key = key();
        key.revoked_at = Some(at("2026-03-02T12:00:00Z"));
        let body = serde_json::json!({});
        let told = at("2026-03-01T09:00:00Z");
        for kind in EntryKind::ALL {
            let entry = ToBeSigned {
                id: EntryId::new(Uuid::from_u128(9)),
                device_id: TABLET,
                clamp_id: None,
                mark: Some("PEL-006"),
                kind: *kind,
                performed_at: told,
                performed_by: MARA,
                body: &body,
            };
            key.is_distrusted = false;
            assert_eq!(key.is_for(&entry, told), Ok(()), "{kind}, replaced");
            key.is_distrusted = true;
            let withdrawn = key.is_for(&entry, told);
            assert_eq!(withdrawn, Err(Unsigned::KeyWithdrawn), "{kind}, withdrawn");
        }
    }

    #[test]
    fn a_fact_needs_the_role_when_it_counts_and_what_can_free_needs_it_now_too() {
        let lead = person(&[
            ("2026-01-01T00:00:00Z", &[Role::YardLead]),
            ("2026-03-10T00:00:00Z", &[Role::Operator]),
        ]);
        let (before, during, now) = (
            at("2025-12-31T00:00:00Z"),
            at("2026-03-09T00:00:00Z"),
            at("2026-03-11T00:00:00Z"),
        );
        let judge = |kind, yard, counted_at, now| is_entitled(Some(&lead), kind, yard, counted_at, now);
        assert_eq!(judge(EntryKind::Inspected, YARD, during, now), Ok(()));
        assert_eq!(
            judge(EntryKind::Inspected, YARD, before, now),
            Err(Unsigned::NotEntitled)
        );
        assert_eq!(
            judge(EntryKind::Inspected, OTHER_YARD, during, now),
            Err(Unsigned::NotEntitled)
        );
        assert_eq!(
            judge(EntryKind::Repaired, YARD, during, during),
            Err(Unsigned::NotEntitled)
        );
        for kind in [
            EntryKind::ReturnedToService,
            EntryKind::Confirmed,
            EntryKind::Amended,
        ] {
            assert_eq!(judge(kind, YARD, during, during), Ok(()));
            assert_eq!(judge(kind, YARD, during, now), Err(Unsigned::NoLongerEntitled));
        }
        assert_eq!(
            is_entitled(None, EntryKind::TaggedOut, YARD, during, now),
            Err(Unsigned::NotEntitled)
        );
    }

    #[test]
    fn nothing_is_believed_of_whoever_may_not_sign_in_any_more() {
        let dismissed = person(&[
            ("2026-01-01T00:00:00Z", &[Role::YardLead, Role::Inspector]),
            ("2026-03-10T00:00:00Z", &[]),
        ]);
        let (during, now) = (at("2026-03-09T00:00:00Z"), at("2026-03-11T00:00:00Z"));
        for kind in [EntryKind::Inspected, EntryKind::TaggedOut, EntryKind::Confirmed] {
            let judge = |now| is_entitled(Some(&dismissed), kind, YARD, during, now);
            assert_eq!(judge(during), Ok(()), "{kind}");
            assert_eq!(judge(now), Err(Unsigned::NoLongerEntitled), "{kind}");
        }
    }

    #[test]
    fn no_device_and_no_auditor_writes_anything_in_its_own_name() {
        for kind in EntryKind::ALL {
            assert!(!roles_of(*kind).contains(&Role::Device), "{kind}");
            assert!(!roles_of(*kind).contains(&Role::Auditor), "{kind}");
        }
    }
}
