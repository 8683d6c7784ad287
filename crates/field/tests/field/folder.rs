//! The device's folder and what leaves it: who may read it, who may work in it, and what is worth nothing after a kill.

use crate::domain::id;
use crate::support::{Device, enrolment};
use clampward_domain::ids::{DeviceId, PersonId};
use clampward_field::database::{Database, set};
use clampward_field::device::{self, Named};
use clampward_field::keys::{self, DeviceSecret, KeyProblem, NewSigner, Randomness, SECRET_BYTES};
use clampward_wire::sync::device::SigningKey;
use serde_json::{Value, json};
use std::io::{ErrorKind, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::process::{Child, Command, Output, Stdio};
use uuid::Uuid;

const CODE: &str = "480216";
const EMAIL: &str = "inga@halvorsund.example";

/// A service that says what a test wants.
struct Listener {
    listener: TcpListener,
    address: String,
}

/// A request that waits for its answer.
struct Asked {
    stream: TcpStream,
    path: String,
}

impl Listener {
    fn new() -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let address = format!("http://{}", listener.local_addr().unwrap());
        Self { listener, address }
    }
    /// The next request, whole.
    fn next(&self) -> Asked {
        let (mut stream, _) = self.listener.accept().unwrap();
        let mut bytes = Vec::new();
        let mut piece = [0; 4096];
        loop {
            let text = String::from_utf8_lossy(&bytes).to_lowercase();
            if let Some((head, body)) = text.split_once("\r\n\r\n") {
                let length = head
                    .lines()
                    .find_map(|line| line.strip_prefix("content-length:"))
                    .map_or(0, |length| length.trim().parse().unwrap());
                let path = head.split(' ').nth(1).unwrap().to_owned();
                if body.len() >= length {
                    return Asked { stream, path };
                }
            }
            let read = stream.read(&mut piece).unwrap();
            assert!(read > 0, "the request broke off: {text}");
            bytes.extend_from_slice(&piece[..read]);
        }
    }
    /// Answers the next request, which has to be for this path.
    fn answer(&self, path: &str, status: u16, body: &Value) {
        let asked = self.next();
        assert_eq!(asked.path, path);
        asked.answer(status, body);
    }
}

impl Asked {
    fn answer(mut self, status: u16, body: &Value) {
        let body = body.to_string();
        let head = format!(
            "HTTP/1.1 {status} Said\r\ncontent-type: application/json\r\ncontent-length: {}\r\nconnection: close\r\n\r\n",
            body.len()
        );
        self.stream.write_all(head.as_bytes()).unwrap();
        self.stream.write_all(body.as_bytes()).unwrap();
    }
}

fn command(folder: &Path, arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_clampward-field"));
    command
        .args(["--json", "--dir"])
        .arg(folder)
        .args(arguments)
        .env("CLAMPWARD_FIELD_CODE", CODE)
        .env("CLAMPWARD_FIELD_PASSWORD", "a password of some length")
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped());
    command
}

fn start(folder: &Path, arguments: &[&str]) -> Child {
    command(folder, arguments).spawn().unwrap()
}

fn said(output: &Output) -> (Option<i32>, Value) {
    let text = String::from_utf8_lossy(&output.stdout);
    let value = serde_json::from_str(text.trim())
        .unwrap_or_else(|_| panic!("{text:?} {}", String::from_utf8_lossy(&output.stderr)));
    (output.status.code(), value)
}

fn run(folder: &Path, arguments: &[&str]) -> (Option<i32>, Value) {
    said(&command(folder, arguments).output().unwrap())
}

fn mode(path: &Path) -> u32 {
    std::fs::metadata(path).unwrap().permissions().mode() & 0o777
}

/// A device that knows its service's address.
fn device_of(listener: &Listener) -> Device {
    let mut device = Device::enrolled();
    device::take_up(&mut device.database, &listener.address, &enrolment("tablet")).unwrap();
    DeviceSecret::read_or_make(&device.folder.path().join("device-secret"), &[7; SECRET_BYTES]).unwrap();
    device
}

#[test]
fn nobody_but_its_owner_reads_the_folder_the_database_or_an_export() {
    let listener = Listener::new();
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("tablets").join("one");
    let child = start(&folder, &["enrol", &listener.address, "K7Q2M-9FHTX"]);
    let enrolled = serde_json::to_value(enrolment("tablet")).unwrap();
    listener.answer("/v1/devices", 201, &enrolled);
    let (status, told) = said(&child.wait_with_output().unwrap());
    assert_eq!(status, Some(0), "{told}");
    assert_eq!(mode(&folder), 0o700);
    // While it is open the log lies beside the database.
    let mut database = Database::open(&folder.join("field.sqlite")).unwrap();
    database.write(|connection| set(connection, "a", &1)).unwrap();
    let out = folder.join("export.json");
    assert_eq!(run(&folder, &["export", out.to_str().unwrap()]).0, Some(0));
    let names: Vec<_> = std::fs::read_dir(&folder)
        .unwrap()
        .map(|file| file.unwrap().path())
        .collect();
    assert!(names.len() >= 5, "{names:?}");
    for name in &names {
        assert_eq!(mode(name), 0o600, "{}", name.display());
    }
    drop(database);
    // What an earlier version left open is closed, and an export that is written over too.
    for name in ["field.sqlite", "export.json"] {
        std::fs::set_permissions(folder.join(name), PermissionsExt::from_mode(0o644)).unwrap();
    }
    assert_eq!(run(&folder, &["export", out.to_str().unwrap()]).0, Some(0));
    assert_eq!((mode(&folder.join("field.sqlite")), mode(&out)), (0o600, 0o600));
}

#[test]
fn nothing_is_sent_over_http_to_another_machine() {
    let listener = Listener::new();
    listener.listener.set_nonblocking(true).unwrap();
    let nothing_came = || {
        let came = listener.listener.accept();
        assert_eq!(came.unwrap_err().kind(), ErrorKind::WouldBlock);
    };
    // The same listener under an address that is no loopback one.
    let address = listener.address.replace("127.0.0.1", "0.0.0.0");
    let place = tempfile::tempdir().unwrap();
    let (status, told) = run(place.path(), &["enrol", &address, "K7Q2M-9FHTX"]);
    assert_eq!(status, Some(2));
    assert!(told["error"].as_str().unwrap().contains("https://"), "{told}");
    nothing_came();
    // A device that was enrolled over it by an earlier version.
    let mut device = device_of(&listener);
    device::take_up(&mut device.database, &address, &enrolment("tablet")).unwrap();
    let file = device.folder.path().join("export.json");
    let path = file.to_str().unwrap();
    device.tag_out(Named::Mark("HMW-0042".to_owned()));
    assert_eq!(run(device.folder.path(), &["export", path]).0, Some(0));
    for arguments in [&["sign-in", EMAIL][..], &["sync"], &["import", path]] {
        let (status, told) = run(device.folder.path(), arguments);
        assert_eq!(status, Some(2), "{told}");
        assert!(told["error"].as_str().unwrap().contains("https://"), "{told}");
        nothing_came();
    }
    assert_eq!(device.unsent(), 1);
}

#[test]
fn a_second_synchronisation_of_a_folder_says_so_and_leaves_at_once() {
    let listener = Listener::new();
    let device = device_of(&listener);
    let mut first = start(device.folder.path(), &["sync"]);
    let waits = listener.next();
    let (status, told) = run(device.folder.path(), &["sync"]);
    assert_eq!(status, Some(3), "{told}");
    assert!(told["error"].as_str().unwrap().contains("at work in this folder"));
    // What was written goes on being written meanwhile.
    assert_eq!(run(device.folder.path(), &["queue"]).0, Some(0));
    first.kill().unwrap();
    first.wait().unwrap();
    drop(waits);
    // The lock ends with its process.
    let third = start(device.folder.path(), &["sync"]);
    let problem = json!({"code": "invalid-client", "detail": "Not known."});
    listener.answer("/v1/oauth/token", 401, &problem);
    let (status, told) = said(&third.wait_with_output().unwrap());
    assert_eq!(
        (status, &told["troubles"][0]["code"]),
        (Some(1), &json!("not_allowed")),
        "{told}"
    );
}

/// Seals a key of the inspector's as after a sign-in.
fn signed_in(device: &mut Device) {
    let secret = DeviceSecret::read(&device.folder.path().join("device-secret")).unwrap();
    let new = NewSigner::new(Randomness {
        seed: [1; 32],
        salt: [2; 16],
        nonce: [3; 12],
    });
    let now = jiff::Timestamp::now();
    let key = SigningKey {
        id: Uuid::from_u128(4),
        device_id: id("tablet"),
        person_id: id("inspector"),
        created_at: now,
        expires_at: now + jiff::SignedDuration::from_hours(24 * 30),
        revoked_at: None,
    };
    keys::seal(&mut device.database, &secret, &new, &key, EMAIL, "Inga", CODE).unwrap();
}

fn opens(device: &mut Device) -> Result<(), KeyProblem> {
    let secret = DeviceSecret::read(&device.folder.path().join("device-secret")).unwrap();
    let who: (DeviceId, PersonId) = (id("tablet"), id("inspector"));
    let moment = clampward_field::clock::Clock::moment(&device.clock);
    match keys::open(&mut device.database, &secret, who.0, who.1, CODE, &moment) {
        Ok(_) => Ok(()),
        Err(clampward_field::failure::Failure::Key(problem)) => Err(problem),
        Err(other) => panic!("{other}"),
    }
}

/// A sign-in up to the request for a new key, which waits for its answer.
fn signs_in(device: &Device, listener: &Listener) -> (Child, Asked) {
    let child = start(device.folder.path(), &["sign-in", EMAIL]);
    listener.answer("/v1/auth/token", 200, &json!({"access_token": "t"}));
    let person: PersonId = id("inspector");
    listener.answer("/v1/me", 200, &json!({"id": person, "name": "Inga"}));
    let asked = listener.next();
    assert!(asked.path.ends_with("/signing-keys"), "{}", asked.path);
    (child, asked)
}

#[test]
fn a_sign_in_that_was_killed_before_its_answer_leaves_no_key_that_only_seems_to_sign() {
    let listener = Listener::new();
    let mut device = device_of(&listener);
    signed_in(&mut device);
    assert_eq!(opens(&mut device), Ok(()));
    let (mut child, asked) = signs_in(&device, &listener);
    child.kill().unwrap();
    child.wait().unwrap();
    drop(asked);
    // The service may have ended the key by now.
    assert_eq!(opens(&mut device), Err(KeyProblem::SignInAgain));
    let (status, told) = run(
        device.folder.path(),
        &["tag-out", "HMW-0042", "--reason", "dropped"],
    );
    assert_eq!((status, &told["signed"]), (Some(0), &json!(false)), "{told}");
    // Signing in again ends the doubt.
    signed_in(&mut device);
    assert_eq!(opens(&mut device), Ok(()));
}

#[test]
fn a_key_that_the_service_refused_to_replace_goes_on_signing() {
    let listener = Listener::new();
    let mut device = device_of(&listener);
    signed_in(&mut device);
    // The last refusal says nothing of the attempt before it, whose answer was none.
    for (status, opened) in [
        (403, Ok(())),
        (503, Err(KeyProblem::SignInAgain)),
        (403, Err(KeyProblem::SignInAgain)),
    ] {
        let (child, asked) = signs_in(&device, &listener);
        asked.answer(status, &json!({"detail": "No."}));
        assert_eq!(said(&child.wait_with_output().unwrap()).0, Some(2));
        assert_eq!(opens(&mut device), opened, "{status}");
    }
}

#[test]
fn without_its_secret_a_device_still_keeps_and_exports_what_is_written_and_is_not_enrolled_anew_in_its_folder()
 {
    let listener = Listener::new();
    let mut device = device_of(&listener);
    signed_in(&mut device);
    listener.listener.set_nonblocking(true).unwrap();
    let folder = device.folder.path();
    let secret = folder.join("device-secret");
    std::fs::remove_file(&secret).unwrap();
    let (status, told) = run(folder, &["tag-out", "HMW-0042", "--reason", "dropped"]);
    assert_eq!((status, &told["signed"]), (Some(0), &json!(false)), "{told}");
    assert!(told["unsigned_because"].as_str().unwrap().contains("new folder"));
    let file = folder.join("export.json");
    let (status, told) = run(folder, &["export", file.to_str().unwrap()]);
    assert_eq!((status, &told["entries"]), (Some(0), &json!(1)), "{told}");
    for damaged in [false, true] {
        if damaged {
            std::fs::write(&secret, "cut off").unwrap();
        }
        for arguments in [
            &["enrol", listener.address.as_str(), "K7Q2M-9FHTX"][..],
            &["sync"],
        ] {
            let (status, told) = run(folder, arguments);
            assert_eq!(status, Some(2), "{told}");
            let error = told["error"].as_str().unwrap();
            assert!(
                error.contains("export") && error.contains("new folder"),
                "{error}"
            );
            let came = listener.listener.accept();
            assert_eq!(came.unwrap_err().kind(), ErrorKind::WouldBlock);
        }
        assert_eq!(secret.exists(), damaged, "no other secret is made");
    }
    assert_eq!(device.unsent(), 1);
}
