//! What arrived of a photo is there, wherever the service was killed: between storing a piece and counting it, while the
//! photo was looked at, between storing and marking it.
//!
//! The real binary on real PostgreSQL, killed with SIGKILL again and again while photos are sent. The sender does what a
//! device does: it asks how far an upload is and goes on from there. Found at the end: no piece that was answered for is
//! sent twice, every photo is there, and what is shown of it are its pixels.
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::disallowed_methods,
    reason = "a test fails by panicking, and its processes run in real time"
)]

use clampward_domain::canonical;
use clampward_domain::photo::PhotoDigest;
use clampward_testkit::TestDatabase;
use clampward_tests::program::{self, Service};
use clampward_tests::yard::{EMAIL, PASSWORD, TestYard, random_id};
use image::{DynamicImage, ImageFormat, RgbImage};
use serde_json::{Value, json};
use std::io::Cursor;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Sender, channel};

/// How often the service is killed.
const KILLS: usize = 25;
/// Senders at once, each with photos of their own.
const SENDERS: usize = 3;
/// Pieces acknowledged in one life of the service before it is killed: this many, and up to twice as many.
const LIFE: usize = 3;
/// Length of a piece.
const PIECE: usize = 96 << 10;

/// A photo on its way.
struct Photo {
    name: String,
    bytes: Vec<u8>,
    /// So far it was answered for.
    arrived: usize,
    /// Whether its last piece was sent: from then on it may have been looked at.
    is_sent: bool,
}

impl Photo {
    fn new() -> Self {
        let mut state = u32::try_from(random_id().as_u128() & 0xFFFF_FFFF).unwrap() | 1;
        let noise = RgbImage::from_fn(360, 360, |_, _| {
            state ^= state << 13;
            state ^= state >> 17;
            state ^= state << 5;
            let [a, b, c, _] = state.to_le_bytes();
            image::Rgb([a, b, c])
        });
        let mut bytes = Cursor::new(Vec::new());
        DynamicImage::ImageRgb8(noise)
            .write_to(&mut bytes, ImageFormat::Png)
            .unwrap();
        let bytes = bytes.into_inner();
        Self {
            name: PhotoDigest::new(canonical::sha256(&[&bytes])).to_string(),
            bytes,
            arrived: 0,
            is_sent: false,
        }
    }
}

/// What a step of a sender came to.
enum Step {
    More,
    There,
    Gone,
}

/// Asks how far the upload is; then sends the next piece, or learns that the photo is there.
fn step(url: &str, token: &str, photo: &mut Photo) -> Step {
    let address = format!("{url}/v1/photos/{}", photo.name);
    let bearer = format!("Bearer {token}");
    let asked = ureq::head(&address).header("Authorization", &bearer).call();
    let offset = match asked {
        Ok(answer) => {
            let header = |name: &str| answer.headers()[name].to_str().unwrap().to_owned();
            if header("upload-complete") == "?1" {
                return Step::There;
            }
            header("upload-offset").parse().unwrap()
        }
        Err(ureq::Error::StatusCode(404)) => 0,
        Err(ureq::Error::StatusCode(503)) => return Step::More,
        Err(ureq::Error::StatusCode(status)) => panic!("HEAD answered {status}"),
        Err(_) => return Step::Gone,
    };
    // Looked at twice and cut off both times, as a photo that kills the service would be: it is sent anew and looked at anew,
    // whether this sender heard of that or the service's next start found it.
    if offset == 0 && photo.is_sent {
        (photo.arrived, photo.is_sent) = (0, false);
    }
    assert!(
        offset >= photo.arrived,
        "{offset} of {} that were answered for",
        photo.arrived
    );
    let end = (offset + PIECE).min(photo.bytes.len());
    photo.is_sent |= end == photo.bytes.len();
    let sent = ureq::patch(&address)
        .header("Authorization", &bearer)
        .header("Content-Type", "application/offset+octet-stream")
        .header("Upload-Offset", offset.to_string())
        .header("Upload-Length", photo.bytes.len().to_string())
        .send(&photo.bytes[offset..end]);
    match sent {
        Ok(answer) if answer.status() == 200 => Step::There,
        Ok(answer) => {
            assert_eq!(answer.status(), 204);
            photo.arrived = end;
            Step::More
        }
        // Looked at by somebody else meanwhile, or no place to be looked at: asked again.
        Err(ureq::Error::StatusCode(409 | 503)) => Step::More,
        Err(ureq::Error::StatusCode(422)) => Step::More,
        Err(ureq::Error::StatusCode(status)) => panic!("PATCH answered {status}"),
        Err(_) => Step::Gone,
    }
}

/// Sends photo after photo until the service is gone; answers those that are there and the one under way.
fn send(url: &str, token: &str, open: Photo, gone: &AtomicBool, told: &Sender<()>) -> (Vec<Photo>, Photo) {
    let (mut there, mut photo) = (Vec::new(), open);
    loop {
        match step(url, token, &mut photo) {
            Step::More => {
                // Nobody listens any more once the service is being killed.
                let _ = told.send(());
            }
            Step::There => {
                let _ = told.send(());
                there.push(std::mem::replace(&mut photo, Photo::new()));
            }
            Step::Gone => {
                assert!(
                    gone.load(Ordering::SeqCst),
                    "the service went away before it was killed"
                );
                return (there, photo);
            }
        }
    }
}

fn sign_in(url: &str) -> String {
    let signed_in: Value = ureq::post(format!("{url}/v1/auth/token"))
        .send_json(json!({"email": EMAIL, "password": PASSWORD}))
        .unwrap()
        .body_mut()
        .read_json()
        .unwrap();
    signed_in["access_token"].as_str().unwrap().to_owned()
}

#[tokio::test(flavor = "multi_thread")]
async fn every_photo_is_there_after_twenty_five_kills_in_the_middle_of_sending() {
    let database = TestDatabase::new().await;
    let yard = TestYard::found(&database.service_url).await;
    let clamp = yard.clamp(0).await;
    let binary = program::binary("clampward-api");
    let folder = tempfile::tempdir().unwrap();
    let key = folder.path().join("key.pem");
    let mut there: Vec<Photo> = Vec::new();
    let mut open: Vec<Photo> = (0..SENDERS).map(|_| Photo::new()).collect();
    for kill in 0..KILLS {
        let service = Service::start(&binary, &database.service_url, &key, program::free_port());
        let (url, token) = (service.url.clone(), sign_in(&service.url));
        let gone = AtomicBool::new(false);
        let (told, acknowledgements) = channel();
        let sent: Vec<(Vec<Photo>, Photo)> = std::thread::scope(|scope| {
            let senders: Vec<_> = open
                .drain(..)
                .map(|open| {
                    let told = told.clone();
                    let (url, token, gone) = (&url, &token, &gone);
                    scope.spawn(move || send(url, token, open, gone, &told))
                })
                .collect();
            for _ in 0..LIFE + kill % (LIFE + 1) {
                acknowledgements.recv().unwrap();
            }
            // The other senders are somewhere between sending and hearing.
            gone.store(true, Ordering::SeqCst);
            service.kill();
            senders.into_iter().map(|sender| sender.join().unwrap()).collect()
        });
        for (done, under_way) in sent {
            there.extend(done);
            open.push(under_way);
        }
    }
    let service = Service::start(&binary, &database.service_url, &key, program::free_port());
    let (url, token) = (service.url.clone(), sign_in(&service.url));
    for mut photo in open {
        for _ in 0..100 {
            if matches!(step(&url, &token, &mut photo), Step::There) {
                there.push(photo);
                break;
            }
        }
    }
    assert!(there.len() > SENDERS, "some photos arrived: {}", there.len());
    let names: Vec<&str> = there.iter().map(|photo| photo.name.as_str()).collect();
    for names in names.chunks(20) {
        let now = jiff::Timestamp::now().round(jiff::Unit::Microsecond).unwrap();
        let cites =
            json!({"entry_id": random_id(), "performed_at": now, "reason": "precaution", "photos": names});
        ureq::post(format!("{url}/v1/clamps/{clamp}/tag-outs"))
            .header("Authorization", &format!("Bearer {token}"))
            .send_json(cites)
            .unwrap();
    }
    for photo in &there {
        let mut shown = ureq::get(format!("{url}/v1/photos/{}", photo.name))
            .header("Authorization", &format!("Bearer {token}"))
            .call()
            .unwrap();
        let picture = image::load_from_memory(&shown.body_mut().read_to_vec().unwrap()).unwrap();
        assert_eq!((picture.width(), picture.height()), (360, 360));
    }
    println!("{} photos are there after {KILLS} kills", there.len());
    service.kill();
}
