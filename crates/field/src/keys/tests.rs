//! Codes and what they open.

use super::*;
use crate::clock::Moment;
use crate::database::Database;
use crate::failure::Failure;
use clampward_domain::ids::{DeviceId, PersonId};
use clampward_wire::sync::device::SigningKey;
use uuid::Uuid;

const CODE: &str = "480216";

struct Desk {
    _folder: tempfile::TempDir,
    database: Database,
    secret: DeviceSecret,
    device: DeviceId,
    person: PersonId,
}

fn now(ms: u64) -> Moment {
    Moment {
        wall: "2026-03-01T12:00:00Z".parse().unwrap(),
        boot: Uuid::from_u128(1),
        monotonic_ms: ms,
    }
}

fn desk() -> Desk {
    let folder = tempfile::tempdir().unwrap();
    let mut database = Database::open(&folder.path().join("field.sqlite")).unwrap();
    let secret = DeviceSecret::read_or_make(&folder.path().join("secret"), &[7; SECRET_BYTES]).unwrap();
    let (device, person) = (
        DeviceId::new(Uuid::from_u128(2)),
        PersonId::new(Uuid::from_u128(3)),
    );
    let new = NewSigner::new(Randomness {
        seed: [1; 32],
        salt: [2; 16],
        nonce: [3; 12],
    });
    let key = SigningKey {
        id: Uuid::from_u128(4),
        device_id: device,
        person_id: person,
        created_at: "2026-03-01T12:00:00Z".parse().unwrap(),
        expires_at: "2026-03-31T12:00:00Z".parse().unwrap(),
        revoked_at: None,
    };
    seal(
        &mut database,
        &secret,
        &new,
        &key,
        "i@halvorsund.example",
        "Inga",
        CODE,
    )
    .unwrap();
    Desk {
        _folder: folder,
        database,
        secret,
        device,
        person,
    }
}

fn try_code(desk: &mut Desk, code: &str, ms: u64) -> Result<(), KeyProblem> {
    let (device, person) = (desk.device, desk.person);
    match open(&mut desk.database, &desk.secret, device, person, code, &now(ms)) {
        Ok(_) => Ok(()),
        Err(Failure::Key(problem)) => Err(problem),
        Err(other) => panic!("{other}"),
    }
}

#[test]
fn a_code_that_anybody_would_guess_first_is_not_taken() {
    for weak in [
        "000000",
        "777777",
        "123456",
        "890123",
        "654321",
        "12345",
        "48021a",
        "4802161234567",
        "",
    ] {
        assert_eq!(check_code(weak), Err(KeyProblem::WeakCode), "{weak}");
    }
    for fine in [CODE, "102938", "112233", "480216480216"] {
        assert_eq!(check_code(fine), Ok(()), "{fine}");
    }
}

#[test]
fn the_right_code_opens_and_a_wrong_one_has_to_wait_longer_each_time() {
    let mut desk = desk();
    assert_eq!(try_code(&mut desk, CODE, 0), Ok(()));
    assert_eq!(
        try_code(&mut desk, "480217", 0),
        Err(KeyProblem::WrongCode { left: 9 })
    );
    // The right code has to wait too: otherwise waiting would tell.
    assert_eq!(
        try_code(&mut desk, CODE, 1),
        Err(KeyProblem::TooSoon { seconds: 1 })
    );
    assert_eq!(
        try_code(&mut desk, "480217", 1000),
        Err(KeyProblem::WrongCode { left: 8 })
    );
    assert_eq!(
        try_code(&mut desk, CODE, 1001),
        Err(KeyProblem::TooSoon { seconds: 2 })
    );
    assert_eq!(try_code(&mut desk, CODE, 3000), Ok(()));
    assert_eq!(
        try_code(&mut desk, "480217", 3001),
        Err(KeyProblem::WrongCode { left: 9 })
    );
}

#[test]
fn ten_wrong_codes_destroy_the_key_and_the_right_one_opens_nothing_any_more() {
    let mut desk = desk();
    let mut ms = 0;
    for _ in 1..FAILURES_AT_MOST {
        assert!(matches!(
            try_code(&mut desk, "480217", ms),
            Err(KeyProblem::WrongCode { .. })
        ));
        ms += 1_000_000;
    }
    assert_eq!(try_code(&mut desk, "480217", ms), Err(KeyProblem::SignInAgain));
    assert_eq!(
        try_code(&mut desk, CODE, ms + 1_000_000),
        Err(KeyProblem::SignInAgain)
    );
}

#[test]
fn a_restart_does_not_shorten_the_wait() {
    let mut desk = desk();
    for ms in [0, 1_000, 3_000, 7_000] {
        assert!(matches!(
            try_code(&mut desk, "480217", ms),
            Err(KeyProblem::WrongCode { .. })
        ));
    }
    let restarted = |ms| Moment {
        boot: Uuid::from_u128(9),
        ..now(ms)
    };
    let (device, person) = (desk.device, desk.person);
    let first = open(
        &mut desk.database,
        &desk.secret,
        device,
        person,
        CODE,
        &restarted(5),
    );
    assert!(matches!(
        first,
        Err(Failure::Key(KeyProblem::TooSoon { seconds: 8 }))
    ));
    let second = open(
        &mut desk.database,
        &desk.secret,
        device,
        person,
        CODE,
        &restarted(8_005),
    );
    assert!(second.is_ok());
}

#[test]
fn a_copy_of_the_database_is_worth_nothing_without_the_devices_secret() {
    let mut desk = desk();
    desk.secret =
        DeviceSecret::read_or_make(&desk._folder.path().join("another"), &[8; SECRET_BYTES]).unwrap();
    assert_eq!(
        try_code(&mut desk, CODE, 0),
        Err(KeyProblem::WrongCode { left: 9 })
    );
}

#[test]
fn a_seal_does_not_open_for_another_person_or_device() {
    let mut desk = desk();
    desk.device = DeviceId::new(Uuid::from_u128(99));
    assert_eq!(
        try_code(&mut desk, CODE, 0),
        Err(KeyProblem::WrongCode { left: 9 })
    );
}

// RFC 8032 section 7.1, TEST 1: secret key, public key and signature of the empty message.
#[test]
fn keys_are_those_of_the_standard() {
    let hex = |text: &str| -> Vec<u8> {
        (0..text.len() / 2)
            .map(|at| u8::from_str_radix(&text[2 * at..2 * at + 2], 16).unwrap())
            .collect()
    };
    let seed: [u8; 32] = hex("9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60")
        .try_into()
        .unwrap();
    let public = hex("d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a");
    let signature = hex(
        "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b",
    );
    assert_eq!(public_key(&seed).unwrap(), encode(&public));
    assert_eq!(sign(&seed, b"").unwrap(), encode(&signature));
}
