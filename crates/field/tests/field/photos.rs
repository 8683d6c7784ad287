//! Photos: on the disk before an entry cites them, sent whole whatever is lost on the way, once.

use crate::support::{Device, houston};
use clampward_domain::entry::TaggedOut;
use clampward_domain::ids::ClampId;
use clampward_domain::photo::PhotoDigest;
use clampward_domain::words::LockoutReason;
use clampward_field::database::Database;
use clampward_field::device::Named;
use clampward_field::failure::Done;
use clampward_field::photos::{self, PIECE_BYTES, PhotoReport, PhotoTransport, Told};
use jiff::SignedDuration;
use std::collections::{BTreeMap, VecDeque};

/// What becomes of an answer.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Weather {
    Fine,
    /// The question is lost.
    QuestionLost,
    /// It is done, and the answer is lost.
    AnswerLost,
}

/// The service's side, in memory: pieces in order, the photo looked at with the last one.
#[derive(Default)]
struct Photos {
    received: BTreeMap<PhotoDigest, Vec<u8>>,
    whole: BTreeMap<PhotoDigest, Vec<u8>>,
    weather: VecDeque<Weather>,
    bytes_taken: usize,
    /// What it says of a whole one, instead of taking it.
    refuses: Option<(u16, &'static str)>,
}

impl Photos {
    fn told(&self, status: u16, photo: PhotoDigest, detail: &str) -> Told {
        let done = self.whole.get(&photo);
        let offset = done.or(self.received.get(&photo)).map(Vec::len);
        Told {
            status,
            offset: offset.map(|length| length as u64),
            is_complete: done.is_some(),
            detail: detail.to_owned(),
        }
    }
    fn through(&mut self, work: impl FnOnce(&mut Self) -> Told) -> Done<Option<Told>> {
        let weather = self.weather.pop_front().unwrap_or(Weather::Fine);
        if weather == Weather::QuestionLost {
            return Ok(None);
        }
        let told = work(self);
        Ok((weather == Weather::Fine).then_some(told))
    }
}

impl PhotoTransport for Photos {
    fn offset(&mut self, photo: PhotoDigest) -> Done<Option<Told>> {
        self.through(|service| {
            let known = service.whole.contains_key(&photo) || service.received.contains_key(&photo);
            service.told(if known { 200 } else { 404 }, photo, "not there")
        })
    }
    fn piece(&mut self, photo: PhotoDigest, starts_at: u64, length: u64, bytes: &[u8]) -> Done<Option<Told>> {
        self.through(|service| {
            if service.whole.contains_key(&photo) {
                return service.told(200, photo, "");
            }
            let received = service.received.entry(photo).or_default();
            if received.len() as u64 != starts_at {
                return service.told(409, photo, "it starts elsewhere");
            }
            received.extend_from_slice(bytes);
            service.bytes_taken += bytes.len();
            if (received.len() as u64) < length {
                return service.told(204, photo, "");
            }
            match service.refuses {
                Some((status, detail)) => service.told(status, photo, detail),
                None => {
                    let whole = service.received.remove(&photo).unwrap();
                    service.whole.insert(photo, whole);
                    service.told(200, photo, "")
                }
            }
        })
    }
}

/// Bytes that look like a photo: two pieces and a bit.
fn jpeg(seed: u8) -> Vec<u8> {
    let mut bytes = vec![0xff, 0xd8, 0xff, seed];
    bytes.extend((0..2 * PIECE_BYTES + 77).map(|at| (at % 251) as u8));
    bytes
}

fn keep(device: &mut Device, bytes: &[u8]) -> Done<PhotoDigest> {
    let file = device.folder.path().join("camera.jpg");
    std::fs::write(&file, bytes).unwrap();
    let photo = photos::keep(&mut device.database, device.folder.path(), &file);
    // What happens to the camera's file afterwards is nobody's business.
    std::fs::remove_file(&file).unwrap();
    photo
}

fn send(device: &mut Device, service: &mut Photos) -> PhotoReport {
    photos::send(
        &mut device.database,
        device.folder.path(),
        service,
        &device.clock,
        &mut |_, _| {},
    )
    .unwrap()
}

fn files(device: &Device) -> usize {
    std::fs::read_dir(device.folder.path().join("photos")).map_or(0, Iterator::count)
}

#[test]
fn a_photo_is_sent_whole_whatever_is_lost_and_what_was_answered_for_is_not_sent_again() {
    use Weather::{AnswerLost, Fine, QuestionLost};
    for weather in [
        vec![],
        vec![QuestionLost],
        vec![Fine, AnswerLost],
        vec![Fine, QuestionLost, Fine, Fine, AnswerLost, QuestionLost],
        vec![Fine, Fine, Fine, AnswerLost],
        vec![Fine, AnswerLost, Fine, AnswerLost, Fine, AnswerLost],
    ] {
        let mut device = Device::enrolled();
        let bytes = jpeg(1);
        let photo = keep(&mut device, &bytes).unwrap();
        let mut service = Photos {
            weather: weather.into(),
            ..Photos::default()
        };
        let report = send(&mut device, &mut service);
        assert!(report.is_complete() && report.sent == 1, "{report:?}");
        assert_eq!(service.whole.get(&photo), Some(&bytes));
        assert_eq!(service.bytes_taken, bytes.len(), "no byte twice");
        assert_eq!(send(&mut device, &mut service).sent, 0);
    }
}

#[test]
fn where_nothing_gets_through_a_photo_stays_and_goes_on_where_it_was_the_next_time() {
    let mut device = Device::enrolled();
    let bytes = jpeg(2);
    let photo = keep(&mut device, &bytes).unwrap();
    let mut service = Photos {
        weather: [Weather::Fine, Weather::Fine]
            .into_iter()
            .chain([Weather::QuestionLost; 5])
            .collect(),
        ..Photos::default()
    };
    let report = send(&mut device, &mut service);
    assert_eq!((report.sent, report.waiting), (0, 1));
    assert!(report.trouble.is_some());
    let mut device = device.reopened();
    assert_eq!(send(&mut device, &mut service).sent, 1);
    assert_eq!(service.whole.get(&photo), Some(&bytes));
    assert_eq!(service.bytes_taken, bytes.len());
}

#[test]
fn where_the_service_answers_questions_and_no_piece_gets_through_it_is_left_for_the_next_time() {
    let mut device = Device::enrolled();
    keep(&mut device, &jpeg(9)).unwrap();
    let mut service = Photos {
        weather: [Weather::Fine, Weather::QuestionLost].repeat(40).into(),
        ..Photos::default()
    };
    let report = send(&mut device, &mut service);
    assert_eq!((report.sent, report.waiting), (0, 1));
    assert!(service.weather.len() > 40, "it was given up soon");
}

#[test]
fn a_photo_that_the_service_does_not_take_is_named_once_and_keeps_no_other_back() {
    let mut device = Device::enrolled();
    keep(&mut device, &jpeg(3)).unwrap();
    let mut service = Photos {
        refuses: Some((422, "no whole JPEG")),
        ..Photos::default()
    };
    let report = send(&mut device, &mut service);
    assert_eq!(
        (report.refused, report.waiting),
        (vec!["no whole JPEG".to_owned()], 0)
    );
    service.refuses = None;
    let good = keep(&mut device, &jpeg(4)).unwrap();
    let report = send(&mut device, &mut service);
    assert!(report.is_complete() && report.sent == 1, "{report:?}");
    assert!(service.whole.contains_key(&good));
}

#[test]
fn a_service_that_cannot_look_at_it_now_is_asked_again_the_next_time() {
    let mut device = Device::enrolled();
    let photo = keep(&mut device, &jpeg(5)).unwrap();
    let mut service = Photos {
        refuses: Some((503, "later")),
        ..Photos::default()
    };
    let report = send(&mut device, &mut service);
    assert_eq!((report.waiting, report.trouble.as_deref()), (1, Some("later")));
    service.refuses = None;
    // All bytes are there: an empty piece asks for it.
    let taken = service.bytes_taken;
    assert_eq!(send(&mut device, &mut service).sent, 1);
    assert_eq!(service.bytes_taken, taken);
    assert!(service.whole.contains_key(&photo));
}

#[test]
fn what_is_no_photo_is_not_kept() {
    let mut device = Device::enrolled();
    let refused = keep(&mut device, b"%PDF-1.7").unwrap_err().to_string();
    assert!(refused.contains("JPEG, PNG or WebP"), "{refused}");
    assert_eq!(
        (
            photos::waiting(device.database.connection()).unwrap(),
            files(&device)
        ),
        (0, 0)
    );
}

#[test]
fn a_photo_is_forgotten_when_it_was_sent_and_no_entry_of_the_journal_cites_it_any_more() {
    let mut service = houston();
    let mut device = Device::enrolled();
    device.sync(&mut service);
    let clamp: ClampId = *service.granted_clamps().keys().next().unwrap();
    let cited = keep(&mut device, &jpeg(6)).unwrap();
    let body = TaggedOut {
        reason: LockoutReason::Dropped,
        note: None,
        photos: vec![cited.to_string()],
        bulletin: None,
        lift_check: None,
    };
    device.tell(Named::Clamp(clamp), "operator", body);
    // A second one, of an entry that was broken off.
    keep(&mut device, &jpeg(7)).unwrap();
    let mut photos = Photos::default();
    assert_eq!(files(&device), 2);
    assert_eq!(send(&mut device, &mut photos).sent, 2);
    assert_eq!(files(&device), 1, "the cited one stays as long as its entry");
    device.sync(&mut service);
    device.clock.pass(SignedDuration::from_hours(15 * 24));
    service.now += SignedDuration::from_hours(15 * 24);
    device.sync(&mut service);
    assert_eq!(device.kept().len(), 0, "the journal has let go of the entry");
    send(&mut device, &mut photos);
    assert_eq!(files(&device), 0);
}

#[test]
fn a_database_of_the_form_without_photos_is_brought_forward_and_keeps_its_journal() {
    let mut device = Device::enrolled();
    device.tag_out(Named::Mark("HMW-0042".to_owned()));
    device
        .database
        .connection()
        .execute_batch("drop table photo; pragma user_version = 2")
        .unwrap();
    let mut device = device.reopened();
    assert_eq!(device.kept().len(), 1);
    keep(&mut device, &jpeg(8)).unwrap();
    assert_eq!(photos::waiting(device.database.connection()).unwrap(), 1);
    drop(Database::open(&device.path()).unwrap());
}
