//! A key's life, seen by one process and by two.

use super::*;

/// A folder that goes with the test.
struct Folder(PathBuf);

impl Folder {
    fn new(name: &str) -> Self {
        let path = std::env::temp_dir().join(format!("clampward-ring-{}-{name}", std::process::id()));
        Self(path)
    }
    fn ring(&self, now: Timestamp) -> Arc<KeyRing> {
        KeyRing::open(&self.0, now).expect("a ring")
    }
}
impl Drop for Folder {
    fn drop(&mut self) {
        drop(std::fs::remove_dir_all(&self.0));
    }
}

fn at(text: &str) -> Timestamp {
    text.parse().expect("an instant")
}
fn start() -> Timestamp {
    at("2026-03-02T08:00:00Z")
}
fn later(seconds: i64) -> Timestamp {
    start() + SignedDuration::from_secs(seconds)
}
fn signs(ring: &KeyRing, now: Timestamp) -> String {
    ring.signing(now).expect("a key").key().name().to_owned()
}
fn published(ring: &KeyRing, now: Timestamp) -> Vec<String> {
    let keys = ring.published(now).keys.into_iter();
    keys.filter_map(|key| key.common.key_id).collect()
}
const DAY: SignedDuration = SignedDuration::from_hours(PUBLISHED_HOURS);

#[test]
fn a_key_is_published_then_signs_then_verifies_then_is_gone() {
    let folder = Folder::new("life");
    let ring = folder.ring(start());
    let old = signs(&ring, start());
    assert_eq!(published(&ring, start()), std::slice::from_ref(&old));

    let made = replace_key(&folder.0, start(), DAY).expect("replaced");
    assert_eq!(made.signs_from, at("2026-03-03T08:00:00Z"));
    assert!(ring.reload().expect("read"), "it is new");
    assert!(!ring.reload().expect("read"), "nothing else changed");
    for now in [start(), later(86_399)] {
        assert_eq!(signs(&ring, now), old);
        assert_eq!(published(&ring, now), [old.clone(), made.kid.clone()]);
    }
    for now in [later(86_400), later(86_400 + VERIFY_ONLY_SECONDS - 1)] {
        assert_eq!(signs(&ring, now), made.kid);
        assert!(ring.verifying(&old, now).is_some(), "{now}");
        assert_eq!(published(&ring, now), [old.clone(), made.kid.clone()]);
    }
    let gone = later(86_400 + VERIFY_ONLY_SECONDS);
    assert!(ring.verifying(&old, gone).is_none());
    assert_eq!(published(&ring, gone), std::slice::from_ref(&made.kid));

    let next = replace_key(&folder.0, gone, DAY).expect("replaced");
    assert_eq!(next.removed, [old]);
    assert!(ring.reload().expect("read"));
    assert_eq!(published(&ring, gone), [made.kid, next.kid]);
}

#[test]
fn while_a_key_waits_to_sign_no_further_one_is_made() {
    let folder = Folder::new("waits");
    let ring = folder.ring(start());
    replace_key(&folder.0, start(), DAY).expect("replaced");
    let again = replace_key(&folder.0, later(86_399), DAY);
    assert!(matches!(again, Err(KeyError::Waiting { .. })));
    replace_key(&folder.0, later(86_400), DAY).expect("replaced");
    drop(ring);
}

#[test]
fn where_the_signing_key_is_taken_away_the_waiting_one_signs_and_the_lost_one_verifies_nothing() {
    let folder = Folder::new("lost");
    let ring = folder.ring(start());
    let lost = ring.signing(start()).expect("a key");
    let next = replace_key(&folder.0, start(), DAY).expect("replaced");
    std::fs::remove_file(lost.file.as_ref().expect("a file")).expect("removed");
    assert!(ring.reload().expect("read"));
    assert_eq!(signs(&ring, start()), next.kid);
    assert!(ring.verifying(lost.key().name(), start()).is_none());
}

#[test]
fn an_emptied_folder_or_a_broken_file_leaves_the_keys_as_they_were() {
    let folder = Folder::new("broken");
    let ring = folder.ring(start());
    let only = ring.signing(start()).expect("a key");
    let broken = folder.0.join("20260302T090000Z-broken.pem");
    std::fs::write(&broken, "no key").expect("written");
    assert!(matches!(ring.reload(), Err(KeyError::Malformed { .. })));
    std::fs::remove_file(broken).expect("removed");
    std::fs::remove_file(only.file.as_ref().expect("a file")).expect("removed");
    assert!(matches!(ring.reload(), Err(KeyError::Empty { .. })));
    assert_eq!(signs(&ring, start()), only.key().name());
}

#[test]
fn processes_that_share_a_folder_have_the_same_keys_and_only_their_owner_reads_them() {
    use std::os::unix::fs::PermissionsExt;
    let folder = Folder::new("shared");
    let (one, other) = (folder.ring(start()), folder.ring(start()));
    assert_eq!(signs(&one, start()), signs(&other, start()));
    let made = replace_key(&folder.0, start(), DAY).expect("replaced");
    for ring in [&one, &other] {
        assert!(ring.reload().expect("read"));
        assert_eq!(signs(ring, later(86_400)), made.kid);
    }
    for entry in std::fs::read_dir(&folder.0).expect("a folder") {
        let mode = entry
            .expect("an entry")
            .metadata()
            .expect("metadata")
            .permissions()
            .mode();
        assert_eq!(mode & 0o777, 0o600);
    }
    let mode = std::fs::metadata(&folder.0)
        .expect("metadata")
        .permissions()
        .mode();
    assert_eq!(mode & 0o777, 0o700);
}

#[test]
fn a_single_file_is_one_key_for_ever_and_may_move_into_a_folder() {
    let folder = Folder::new("file");
    std::fs::create_dir_all(&folder.0).expect("a folder");
    let file = folder.0.join("signing-key.pem");
    let alone = KeyRing::open(&file, start()).expect("a ring");
    assert!(!alone.reload().expect("nothing to read"));
    let ring = folder.ring(start());
    assert_eq!(signs(&ring, start()), signs(&alone, start()));
    let next = replace_key(&folder.0, start(), DAY).expect("replaced");
    assert!(ring.reload().expect("read"));
    assert_eq!(signs(&ring, later(86_400)), next.kid);
}

#[test]
fn a_key_that_signs_for_more_than_ninety_days_is_overdue() {
    let folder = Folder::new("overdue");
    let ring = folder.ring(start());
    let days = |days: i64| start() + SignedDuration::from_hours(days * 24);
    assert_eq!(ring.is_overdue(days(90)), None);
    assert_eq!(ring.is_overdue(days(91)), Some(start()));
}

/// Goal: a key that was replaced in an emergency is over, also when it was made in the same second. Method: several keys,
/// because of two with one instant their names decide by chance.
#[test]
fn a_key_that_is_replaced_in_its_first_second_is_replaced() {
    for number in 0..8 {
        let folder = Folder::new(&format!("first-second-{number}"));
        let ring = folder.ring(start());
        let made = replace_key(&folder.0, start(), SignedDuration::ZERO).expect("replaced");
        assert!(ring.reload().expect("read"));
        assert_eq!(signs(&ring, later(1)), made.kid);
    }
}
