//! The program as a person and as other programs use it: a real process on a real folder.

use crate::domain::complete;
use crate::support::service::Service;
use crate::support::{Device, houston};
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use clampward_domain::canonical;
use clampward_domain::ids::{ClampId, EntryId};
use clampward_domain::words::{InspectionKind, LockoutReason, RuleSetName};
use clampward_field::device::Named;
use clampward_field::journal;
use clampward_field::keys::{DeviceSecret, NewSigner, Randomness, SECRET_BYTES, seal};
use clampward_wire::sync::device::SigningKey;
use clampward_wire::sync::push::{PushRequest, ReadEntry, read_entry};
use jiff::{SignedDuration, Timestamp};
use serde_json::{Value, json};
use std::io::{Read, Write};
use std::process::{Command, Output, Stdio};
use std::time::Duration;
use uuid::Uuid;

const MARK: &str = "HMW-0042";
const CODE: &str = "480216";

/// A device of the present, in the yard of Houston, on which the inspector and nobody else signed in.
struct Tablet {
    device: Device,
    service: Service,
    clamp: ClampId,
}

fn uptime_ms() -> u64 {
    let text = std::fs::read_to_string("/proc/uptime").unwrap();
    let seconds: f64 = text.split_whitespace().next().unwrap().parse().unwrap();
    (seconds * 1000.0) as u64
}

impl Tablet {
    fn new() -> Self {
        let mut service = houston();
        let mut device = Device::enrolled();
        let now = Timestamp::from_millisecond(Timestamp::now().as_millisecond()).unwrap();
        let boot = std::fs::read_to_string("/proc/sys/kernel/random/boot_id").unwrap();
        device.clock.wall.set(now);
        device.clock.boot.set(boot.trim().parse().unwrap());
        device.clock.ms.set(uptime_ms());
        service.now = now;
        let clamp = *service.granted_clamps().keys().next().unwrap();
        let accepted = complete(RuleSetName::UsB3020, None, InspectionKind::Periodic, None);
        service.write(clamp, "houston", "inspector", accepted);
        device.sync(&mut service);
        let secret =
            DeviceSecret::read_or_make(&device.folder.path().join("device-secret"), &[7; SECRET_BYTES])
                .unwrap();
        let random = Randomness {
            seed: [1; 32],
            salt: [2; 16],
            nonce: [3; 12],
        };
        let key = SigningKey {
            id: Uuid::from_u128(4),
            device_id: crate::domain::id("tablet"),
            person_id: crate::domain::id("inspector"),
            created_at: now,
            expires_at: now + SignedDuration::from_hours(24 * 30),
            revoked_at: None,
        };
        let new = NewSigner::new(random);
        seal(
            &mut device.database,
            &secret,
            &new,
            &key,
            "inga@halvorsund.example",
            "Inga",
            CODE,
        )
        .unwrap();
        Self {
            device,
            service,
            clamp,
        }
    }
    fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_clampward-field"));
        command
            .args(["--json", "--dir"])
            .arg(self.device.folder.path())
            .args(arguments)
            .env_remove("CLAMPWARD_FIELD_CODE")
            .stdin(Stdio::null());
        command
    }
    fn run(&self, arguments: &[&str]) -> (Option<i32>, Value) {
        said(self.command(arguments).output().unwrap())
    }
    fn run_with_code(&self, code: &str, arguments: &[&str]) -> (Option<i32>, Value) {
        said(
            self.command(arguments)
                .env("CLAMPWARD_FIELD_CODE", code)
                .output()
                .unwrap(),
        )
    }
    /// With these lines on standard input, and no option that answers for them.
    fn run_with_lines(&self, arguments: &[&str], lines: &str) -> (Option<i32>, Value) {
        let mut child = self
            .command(arguments)
            .env("CLAMPWARD_FIELD_CODE", CODE)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        // It may have ended before it read all of them.
        let _ = child.stdin.take().unwrap().write_all(lines.as_bytes());
        said(child.wait_with_output().unwrap())
    }
    fn file(&self, name: &str, content: &Value) -> String {
        let path = self.device.folder.path().join(name);
        std::fs::write(&path, content.to_string()).unwrap();
        path.display().to_string()
    }
    fn kept(&self) -> usize {
        self.device.kept().len()
    }
}

fn said(output: Output) -> (Option<i32>, Value) {
    let text = String::from_utf8(output.stdout).unwrap();
    let value = serde_json::from_str(text.trim())
        .unwrap_or_else(|_| panic!("{text:?} {}", String::from_utf8_lossy(&output.stderr)));
    (output.status.code(), value)
}

#[test]
fn the_exit_status_of_may_lift_is_0_for_yes_only() {
    let tablet = Tablet::new();
    let (status, answer) = tablet.run(&["may-lift", "hmw-0042"]);
    assert_eq!((status, &answer["fit"]), (Some(0), &json!(true)), "{answer}");
    assert!(answer["age_seconds"].as_i64().unwrap() < 600);
    assert!(answer["knowledge_ends_at"].is_string() && answer["cautions"].is_array());
    let (status, answer) = tablet.run(&["may-lift", "HMW-0043"]);
    assert_eq!((status, &answer["fit"]), (Some(1), &json!(false)));
    // No device: no answer is a "no" too.
    let empty = tempfile::tempdir().unwrap();
    let output = Command::new(env!("CARGO_BIN_EXE_clampward-field"))
        .args(["--dir"])
        .arg(empty.path())
        .args(["may-lift", MARK])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(2));
}

#[test]
fn an_inspection_says_the_wear_and_what_it_comes_to_and_the_measurement_overrules_the_tick() {
    let tablet = Tablet::new();
    // Nominal 30.0 mm, limit 10 %: 27.0 mm. Measured 26.5, U 0.1: worn by 11.67 %.
    let answers = tablet.file(
        "answers.json",
        &json!({"shackle_eye_worn": {"outcome": "accept", "measured": {"value": "26.5", "unit": "mm"}}}),
    );
    let (status, told) = tablet.run_with_code(
        CODE,
        &["inspect", MARK, "--answers", &answers, "--otherwise", "accept"],
    );
    assert_eq!(status, Some(0), "{told}");
    assert_eq!(told["signed"], true);
    assert_eq!(told["outcome"]["verdict"], "rejected");
    assert_eq!(told["measured"][0]["wear_percent"], "11.6667");
    assert_eq!(told["measured"][0]["verdict"], "worn");
    assert_eq!(told["measured"][0]["limit"], "27");
    assert_eq!(told["fit"], false);
    assert_eq!(tablet.run(&["may-lift", MARK]).0, Some(1));
}

/// More than any inspection asks.
fn all_in_order() -> String {
    "y\n".repeat(100)
}

#[test]
fn a_pipe_answers_an_inspection_as_a_person_would_line_by_line() {
    let tablet = Tablet::new();
    // Seven about the identification, five about the shackle, then the eye: its size, what the inspector makes of it, why.
    let lines = "y\n".repeat(12) + "26.5 mm +- 0.05\nn\nbright line on the crown\n" + &all_in_order();
    let (status, told) = tablet.run_with_lines(&["inspect", MARK], &lines);
    assert_eq!(status, Some(0), "{told}");
    assert_eq!(told["outcome"]["verdict"], "rejected");
    assert_eq!(told["outcome"]["opened"][0]["criterion"], "shackle_eye_worn");
    assert_eq!(told["measured"][0]["uncertainty"], "0.05");
    let body = &tablet.device.kept()[0].raw["body"];
    let eye = body["findings"]
        .as_array()
        .unwrap()
        .iter()
        .find(|finding| finding["criterion"] == "shackle_eye_worn");
    assert_eq!(eye.unwrap()["note"], "bright line on the crown");
    assert_eq!(tablet.run(&["may-lift", MARK]).0, Some(1));
}

#[test]
fn one_step_back_in_an_inspection_takes_back_the_last_answer() {
    let tablet = Tablet::new();
    // The first is accepted, taken back, and rejected; at the end one more step back and forth.
    let lines = "y\nb\nn\nplate painted over\n".to_owned() + &all_in_order();
    let (status, told) = tablet.run_with_lines(&["inspect", MARK], &lines);
    assert_eq!(
        (status, &told["outcome"]["verdict"]),
        (Some(0), &json!("rejected")),
        "{told}"
    );
    let findings = tablet.device.kept()[0].raw["body"]["findings"].clone();
    assert_eq!(
        (&findings[0]["criterion"], &findings[0]["outcome"]),
        (&json!("wll_unreadable"), &json!("reject"))
    );
    let named: std::collections::BTreeSet<_> = findings
        .as_array()
        .unwrap()
        .iter()
        .map(|finding| finding["criterion"].as_str().unwrap().to_owned())
        .collect();
    assert_eq!(
        named.len(),
        findings.as_array().unwrap().len(),
        "none is there twice"
    );
}

#[test]
fn of_an_inspection_whose_answers_end_or_say_nothing_or_are_broken_off_nothing_is_written() {
    let tablet = Tablet::new();
    for (lines, why) in [
        ("y\ny\n", "the answers end"),
        ("", "the answers end"),
        ("y\nprobably\n", "\"probably\" at"),
        // No size is asked for here: the lines have lost their place.
        ("26.5 mm\n", "\"26.5 mm\" at"),
        ("y\nq\n", "left"),
    ] {
        let (status, told) = tablet.run_with_lines(&["inspect", MARK], lines);
        assert_eq!(status, Some(2), "{lines:?}: {told}");
        let error = told["error"].as_str().unwrap();
        assert!(
            error.contains(why) && error.contains("nothing was written"),
            "{error}"
        );
    }
    assert_eq!(tablet.kept(), 0);
}

#[test]
fn all_answers_may_come_at_once_on_standard_input() {
    let tablet = Tablet::new();
    let (status, told) = tablet.run_with_lines(
        &["inspect", MARK, "--answers", "-", "--otherwise", "accept"],
        r#"{"lock_does_not_hold": "reject"}"#,
    );
    assert_eq!(status, Some(0), "{told}");
    assert_eq!(told["outcome"]["opened"][0]["criterion"], "lock_does_not_hold");
}

#[test]
fn an_accepted_inspection_without_the_code_is_kept_and_said_to_be_worth_nothing_for_credit() {
    let tablet = Tablet::new();
    let (status, told) = tablet.run(&["inspect", MARK, "--otherwise", "accept"]);
    assert_eq!(status, Some(0), "{told}");
    assert_eq!(
        (&told["signed"], &told["outcome"]["credited"]),
        (&json!(false), &json!(false))
    );
    assert!(
        told["unsigned_because"]
            .as_str()
            .unwrap()
            .contains("not credited")
    );
    let signed = tablet
        .run_with_code(CODE, &["inspect", MARK, "--otherwise", "accept"])
        .1;
    assert_eq!(
        (&signed["signed"], &signed["outcome"]["credited"]),
        (&json!(true), &json!(true))
    );
}

#[test]
fn a_tag_out_is_never_refused_and_where_several_clamps_bear_the_mark_it_tags_out_all_of_them() {
    let mut tablet = Tablet::new();
    let (status, told) = tablet.run(&["tag-out", "NEVER SEEN", "--reason", "dropped"]);
    assert_eq!((status, told["kept"].as_array().unwrap().len()), (Some(0), 1));
    tablet.service.clamp_in_service("houston", "HMW 0042");
    tablet.device.sync(&mut tablet.service);
    let (status, told) = tablet.run_with_code("111112", &["tag-out", MARK, "--reason", "dropped"]);
    assert_eq!((status, told["kept"].as_array().unwrap().len()), (Some(0), 2));
    assert_eq!(told["signed"], false, "a wrong code hinders no tag-out");
}

#[test]
fn a_return_needs_the_persons_code_names_every_open_lock_out_and_frees_nothing_by_itself() {
    let mut tablet = Tablet::new();
    let opened = tablet.service.write(
        tablet.clamp,
        "houston",
        "operator",
        crate::support::tag_out(LockoutReason::Precaution),
    );
    let lockout = clampward_domain::ids::lockout_id(opened, "precaution", "");
    tablet.device.sync(&mut tablet.service);
    let listed = tablet.run(&["return", MARK, "--list"]).1;
    assert_eq!(listed["open_lockouts"][0]["lockout_id"], json!(lockout));
    assert_eq!(
        listed["open_lockouts"][0]["grounds"],
        json!(["inspected_fit", "entered_in_error"])
    );
    let none = tablet.file("none.json", &json!([]));
    let (status, answer) = tablet.run_with_code(CODE, &["return", MARK, "--releases", &none]);
    assert_eq!(status, Some(2));
    assert!(answer["error"].as_str().unwrap().contains(&lockout.to_string()));
    let file = tablet.file(
        "releases.json",
        &json!([{"lockout_id": lockout, "ground": "inspected_fit"}]),
    );
    assert_eq!(
        tablet.run(&["return", MARK, "--releases", &file]).0,
        Some(2),
        "no code"
    );
    assert_eq!(tablet.kept(), 0);
    let (status, told) = tablet.run_with_code(CODE, &["return", MARK, "--releases", &file]);
    assert_eq!(
        (status, &told["signed"], &told["fit"]),
        (Some(0), &json!(true), &json!(false)),
        "{told}"
    );
    assert_eq!(tablet.run(&["may-lift", MARK]).0, Some(1));
}

#[test]
fn use_over_the_limit_is_recorded_and_bars() {
    let tablet = Tablet::new();
    // As fine as a clock tells it: what the service cannot read is not kept.
    let from = (Timestamp::now() - SignedDuration::from_hours(1))
        .strftime("%FT%T.123456789Z")
        .to_string();
    let (status, told) = tablet.run_with_code(
        CODE,
        &[
            "use",
            MARK,
            "--lifts",
            "3",
            "--from",
            &from,
            "--heaviest-load",
            "3500 kg",
        ],
    );
    assert_eq!((status, &told["fit"]), (Some(0), &json!(false)), "{told}");
    assert_eq!(
        told["outcome"]["opened"][0]["reason"],
        "overload_or_misuse_suspected"
    );
    let kept = tablet.device.kept();
    let raw = serde_json::to_vec(&kept[0].raw).unwrap();
    assert!(matches!(read_entry(&raw), ReadEntry::Entry(_)), "{}", kept[0].raw);
}

#[test]
fn the_queue_names_what_is_unsent_and_an_export_holds_it_and_shows_damage() {
    let tablet = Tablet::new();
    tablet.run(&[
        "tag-out",
        MARK,
        "--reason",
        "dropped",
        "--note",
        "fell from the rack",
    ]);
    tablet.run_with_code(CODE, &["inspect", MARK, "--otherwise", "accept"]);
    let queue = tablet.run(&["queue"]).1;
    assert_eq!(
        (&queue["unsent"], queue["items"].as_array().unwrap().len()),
        (&json!(2), 2)
    );
    let path = tablet.device.folder.path().join("export.json");
    let (status, _) = tablet.run(&["export", path.to_str().unwrap()]);
    assert_eq!(status, Some(0));
    let file: Value = serde_json::from_slice(&std::fs::read(&path).unwrap()).unwrap();
    let part = &file["pushes"][0];
    let push: PushRequest = serde_json::from_value(part["push"].clone()).unwrap();
    assert_eq!(push.entries.len(), 2);
    let digest = canonical::sha256(&[&canonical::to_bytes(&push).unwrap()]);
    assert_eq!(part["sha256"], URL_SAFE_NO_PAD.encode(digest));
    // One letter of the note is another one: the entry would count as signed by nobody.
    let text = std::fs::read_to_string(&path).unwrap();
    std::fs::write(&path, text.replace("fell from the rack", "fell from the back")).unwrap();
    let (status, answer) = tablet.run(&["import", path.to_str().unwrap()]);
    assert_eq!(status, Some(2), "{answer}");
    assert!(answer.to_string().contains("damaged"), "{answer}");
    // What was exported is still unsent here: somebody else's word that it arrived is none.
    assert_eq!(tablet.run(&["queue"]).1["unsent"], 2);
}

#[test]
fn the_queue_says_in_words_what_became_of_an_entry_that_a_person_dismissed() {
    let mut tablet = Tablet::new();
    let entry = tablet.device.tag_out(Named::Mark("NOT-KNOWN".to_owned())).id;
    tablet.device.sync(&mut tablet.service);
    tablet.service.dismiss(entry);
    tablet.device.sync(&mut tablet.service);
    let output = Command::new(env!("CARGO_BIN_EXE_clampward-field"))
        .arg("--dir")
        .arg(tablet.device.folder.path())
        .arg("queue")
        .output()
        .unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    assert!(text.contains("Nothing is unsent."), "{text}");
    assert!(text.contains("dismissed by a person"), "{text}");
    let items = tablet.run(&["queue"]).1["items"].clone();
    assert_eq!(items[0]["state"], "dismissed", "{items}");
}

#[test]
fn what_the_person_was_told_is_kept_outlives_kill_9_at_any_point() {
    let tablet = Tablet::new();
    let mut told: Vec<EntryId> = Vec::new();
    let mut killed = 0;
    for round in 0..80_u64 {
        let mut child = tablet
            .command(&["tag-out", MARK, "--reason", "dropped"])
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        // 0 to 60 ms in steps that are no multiples of one another.
        std::thread::sleep(Duration::from_micros(round * 7_919 % 60_000));
        let _ = child.kill();
        let status = child.wait().unwrap();
        killed += u32::from(!status.success());
        let mut text = String::new();
        child.stdout.take().unwrap().read_to_string(&mut text).unwrap();
        if let Ok(answer) = serde_json::from_str::<Value>(text.trim()) {
            told.push(answer["kept"][0].as_str().unwrap().parse().unwrap());
        }
        let kept: Vec<EntryId> = journal::all(tablet.device.database.connection())
            .unwrap()
            .iter()
            .map(|kept| kept.entry_id)
            .collect();
        assert!(told.iter().all(|id| kept.contains(id)), "round {round}");
    }
    assert!(killed > 5, "only {killed} were ended in the middle");
    assert!(told.len() > 5, "only {} were told", told.len());
    let seqs: Vec<u64> = tablet.device.kept().iter().map(|kept| kept.device_seq).collect();
    assert!(
        seqs.iter().copied().eq(1..=seqs.len() as u64),
        "no hole, none twice: {seqs:?}"
    );
}
