//! Sending: broken off anywhere, gone on with, finished once.

use super::files::{encoded, noisy, photo_of, picture};
use super::{PIECE, name, nothing, so_far};
use crate::support::Reply;
use crate::trade::bodies::tag_out;
use crate::trade::fleet::Fleet;
use clampward_api::photos::{Finished, sweep};
use clampward_store::photos::Piece;
use clampward_testkit::within_waits;
use image::ImageFormat;
use jiff::SignedDuration;
use serde_json::json;

#[actix_web::test]
async fn a_photo_of_each_kind_arrives_in_pieces_and_is_there() {
    let fleet = Fleet::start().await;
    for (format, media) in [
        (ImageFormat::Jpeg, "image/jpeg"),
        (ImageFormat::Png, "image/png"),
        (ImageFormat::WebP, "image/webp"),
    ] {
        let bytes = encoded(&picture(64, 40, 3), format);
        let photo = name(&bytes);
        assert_eq!(fleet.offset(&fleet.operator, &photo).await, nothing());
        let sent = fleet
            .send_as(&fleet.operator, &photo, &bytes, 100)
            .await
            .succeeded(200);
        assert_eq!(
            (sent.text("/media_type"), sent.text("/sha256")),
            (media.to_owned(), photo.clone())
        );
        assert_eq!(
            (&sent.body["width"], &sent.body["height"]),
            (&json!(64), &json!(40))
        );
        assert_eq!(sent.body["bytes"], json!(bytes.len()));
        assert_eq!(
            fleet.offset(&fleet.operator, &photo).await,
            so_far(bytes.len(), true)
        );
        // Sent again, also as a whole: nothing is stored anew.
        fleet
            .send_as(&fleet.operator, &photo, &bytes, PIECE)
            .await
            .succeeded(200);
    }
    assert_eq!(fleet.files("staging"), Vec::<String>::new(), "pieces are gone");
    assert_eq!(fleet.files("views").len(), 3);
    fleet.stop().await;
}

#[actix_web::test]
async fn a_photo_cut_off_at_ninety_nine_percent_goes_on_where_it_stopped() {
    let fleet = Fleet::start().await;
    let bytes = noisy(1300, 1300);
    assert!(bytes.len() > 2 * PIECE, "several pieces: {}", bytes.len());
    let photo = name(&bytes);
    let cut = bytes.len() * 99 / 100;
    let mut sent = 0;
    while sent < cut {
        let end = (sent + PIECE).min(cut);
        let reply = fleet
            .piece(&fleet.operator, &photo, sent, bytes.len(), &bytes[sent..end])
            .await
            .succeeded(204);
        sent = end;
        assert_eq!(reply.header("upload-offset"), Some(sent.to_string().as_str()));
    }
    // A day later, by another connection.
    fleet.app.clock.advance(SignedDuration::from_hours(24));
    assert_eq!(fleet.offset(&fleet.operator, &photo).await, so_far(cut, false));
    fleet
        .piece(&fleet.operator, &photo, cut, bytes.len(), &bytes[cut..])
        .await
        .succeeded(200);
    assert_eq!(
        fleet.offset(&fleet.operator, &photo).await,
        so_far(bytes.len(), true)
    );
    fleet.stop().await;
}

#[actix_web::test]
async fn a_piece_at_another_place_is_told_the_right_one() {
    let fleet = Fleet::start().await;
    let bytes = photo_of(1);
    let (photo, length) = (name(&bytes), bytes.len());
    let by = &fleet.operator;
    let ahead = fleet.piece(by, &photo, 100, length, &bytes[100..200]).await;
    ahead.refused(409, "upload-offset");
    assert_eq!(ahead.body["offset"], json!(0));
    fleet
        .piece(by, &photo, 0, length, &bytes[..200])
        .await
        .succeeded(204);
    // The answer was lost and the piece is sent again; a gap; beyond the end; another length; nothing at all.
    for (starts_at, length, part) in [
        (0, length, &bytes[..200]),
        (300, length, &bytes[300..400]),
        (200, length, &[&bytes[200..], b"more"].concat()[..]),
        (200, length + 1, &bytes[200..300]),
        (200, length, b""),
    ] {
        let reply = fleet.piece(by, &photo, starts_at, length, part).await;
        reply.refused(409, "upload-offset");
        assert_eq!(
            (&reply.body["offset"], reply.header("upload-offset")),
            (&json!(200), Some("200"))
        );
    }
    fleet
        .piece(by, &photo, 200, length, &bytes[200..])
        .await
        .succeeded(200);
    fleet.stop().await;
}

#[actix_web::test]
async fn two_who_send_the_same_photo_at_once_do_not_disturb_each_other() {
    let fleet = Fleet::start().await;
    let bytes = photo_of(4);
    let (photo, length) = (name(&bytes), bytes.len());
    // Two devices, and one of them twice: of the same piece of one upload one counts, and the other is told the offset.
    let (one, two, again) = tokio::join!(
        fleet.piece(&fleet.operator, &photo, 0, length, &bytes[..300]),
        fleet.piece(&fleet.inspector, &photo, 0, length, &bytes[..500]),
        fleet.piece(&fleet.operator, &photo, 0, length, &bytes[..400]),
    );
    assert_eq!(two.status, 204, "{}", two.body);
    let mut statuses = [one.status, again.status];
    statuses.sort_unstable();
    assert_eq!(statuses, [204, 409]);
    let arrived = if one.status == 204 { 300 } else { 400 };
    assert_eq!(
        fleet.offset(&fleet.operator, &photo).await,
        so_far(arrived, false)
    );
    let (one, two) = tokio::join!(
        fleet.piece(&fleet.operator, &photo, arrived, length, &bytes[arrived..]),
        fleet.piece(&fleet.inspector, &photo, 500, length, &bytes[500..]),
    );
    assert_eq!((one.status, two.status), (200, 200), "{} {}", one.body, two.body);
    assert_eq!(fleet.files("views"), std::slice::from_ref(&photo));
    assert_eq!(fleet.files("staging"), Vec::<String>::new());
    fleet.stop().await;
}

#[actix_web::test]
async fn whoever_sends_other_bytes_under_a_photos_name_spoils_nobodys_upload() {
    let fleet = Fleet::start().await;
    let bytes = photo_of(5);
    let (photo, length) = (name(&bytes), bytes.len());
    fleet
        .piece(&fleet.operator, &photo, 0, length, &bytes[..300])
        .await
        .succeeded(204);
    let mut other = bytes.clone();
    other[length - 3] ^= 1;
    fleet
        .send_as(&fleet.stranger, &photo, &other, PIECE)
        .await
        .refused(422, "photo-mismatch");
    fleet
        .piece(&fleet.operator, &photo, 300, length, &bytes[300..])
        .await
        .succeeded(200);
    // And who has not sent the whole of it does not learn that it is there.
    assert_eq!(fleet.offset(&fleet.stranger, &photo).await, nothing());
    fleet.stop().await;
}

#[actix_web::test]
async fn a_photo_that_nobody_looked_at_because_the_service_was_stopped_is_finished_after_the_start() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("1").await;
    let bytes = photo_of(6);
    let photo = name(&bytes);
    let cites = json!({"reason": "dropped", "photos": [photo]});
    fleet.tag_out(&fleet.operator, &clamp, cites).await.succeeded(201);
    // As far as the service comes that is killed when the last piece counts and nothing has looked at it.
    let store = fleet.app.store().await;
    let uploader = fleet.operator.id.parse().expect("an id");
    let piece = Piece {
        object: fleet.new_id().parse().expect("an id"),
        starts_at: 0,
        bytes: u32::try_from(bytes.len()).expect("short"),
    };
    let digest = photo.parse().expect("a digest");
    let length = u64::from(piece.bytes);
    fleet
        .app
        .photos
        .take(&store, (digest, uploader), length, piece, bytes.clone().into())
        .await
        .expect("a piece");
    assert_eq!(
        fleet.offset(&fleet.operator, &photo).await,
        so_far(bytes.len(), false)
    );
    fleet
        .photo(&fleet.lead, &photo)
        .await
        .refused(404, "photo-pending");
    // A request that may still be looking at it is left alone.
    sweep::once(&store, &fleet.app.photos).await.expect("swept");
    fleet
        .photo(&fleet.lead, &photo)
        .await
        .refused(404, "photo-pending");
    fleet.app.clock.advance(SignedDuration::from_mins(2));
    sweep::once(&store, &fleet.app.photos).await.expect("swept");
    assert_eq!(
        fleet.offset(&fleet.operator, &photo).await,
        so_far(bytes.len(), true)
    );
    fleet.photo(&fleet.lead, &photo).await.succeeded(200);
    fleet.stop().await;
}

/// Goal: a photo that kills whoever looks at it does not do so for ever. Method: two looks are noted that came to no end, as
/// two processes leave them that were killed; then one look too few.
#[actix_web::test]
async fn a_photo_at_which_looking_was_cut_off_twice_is_refused_and_not_looked_at_again() {
    let fleet = Fleet::start().await;
    let store = fleet.app.store().await;
    let uploader = fleet.operator.id.parse().expect("an id");
    for (number, looks, is_there) in [(8, 1, true), (9, 2, false)] {
        let bytes = photo_of(number);
        let photo = name(&bytes);
        let piece = Piece {
            object: fleet.new_id().parse().expect("an id"),
            starts_at: 0,
            bytes: u32::try_from(bytes.len()).expect("short"),
        };
        let digest = photo.parse().expect("a digest");
        let length = u64::from(piece.bytes);
        fleet
            .app
            .photos
            .take(&store, (digest, uploader), length, piece, bytes.clone().into())
            .await
            .expect("a piece");
        for before in 0..looks {
            assert_eq!(
                store.begin_photo_look(digest, uploader).await.expect("noted"),
                before
            );
        }
        fleet.app.clock.advance(SignedDuration::from_mins(2));
        sweep::once(&store, &fleet.app.photos).await.expect("swept");
        let offset = fleet.offset(&fleet.operator, &photo).await;
        assert_eq!(
            offset,
            if is_there {
                so_far(bytes.len(), true)
            } else {
                nothing()
            }
        );
    }
    // Sent again it is looked at anew, and whoever sends it is told if that cannot be done.
    let bytes = photo_of(9);
    let photo = name(&bytes);
    let digest = photo.parse().expect("a digest");
    let half = bytes.len() / 2;
    fleet
        .piece(&fleet.operator, &photo, 0, bytes.len(), &bytes[..half])
        .await
        .succeeded(204);
    for _ in 0..2 {
        store.begin_photo_look(digest, uploader).await.expect("noted");
    }
    fleet
        .piece(&fleet.operator, &photo, half, bytes.len(), &bytes[half..])
        .await
        .refused(422, "photo-unreadable");
    fleet.sent_photo(&fleet.operator, &bytes).await;
    fleet.stop().await;
}

/// Goal: a look that nobody waits for any more is none that the process did not survive. Method: whoever asks gives up at
/// each point at which they wait, one after the other, until they need not wait any longer.
#[actix_web::test]
async fn a_request_that_is_given_up_while_its_photo_is_looked_at_leaves_the_upload_as_good_as_it_was() {
    let fleet = Fleet::start().await;
    let store = fleet.app.store().await;
    let uploader = fleet.operator.id.parse().expect("an id");
    let bytes = photo_of(12);
    let photo = name(&bytes);
    let piece = Piece {
        object: fleet.new_id().parse().expect("an id"),
        starts_at: 0,
        bytes: u32::try_from(bytes.len()).expect("short"),
    };
    let digest = photo.parse().expect("a digest");
    let length = u64::from(piece.bytes);
    fleet
        .app
        .photos
        .take(&store, (digest, uploader), length, piece, bytes.clone().into())
        .await
        .expect("a piece");
    let mut given_up = 0;
    let finished = loop {
        let work = fleet.app.photos.finish(&store, digest, uploader);
        if let Some(finished) = within_waits(given_up, work).await {
            break finished;
        }
        given_up += 1;
        assert!(given_up < 1_000, "it comes to an end");
        fleet.app.until_no_photo_is_looked_at().await;
    };
    assert!(given_up > 2, "given up {given_up} times");
    assert!(matches!(finished, Ok(Finished::Photo(_))), "{finished:?}");
    assert_eq!(
        fleet.offset(&fleet.operator, &photo).await,
        so_far(bytes.len(), true)
    );
    fleet.stop().await;
}

#[actix_web::test]
async fn a_photo_that_was_stored_and_not_marked_is_marked_when_it_is_asked_for_again() {
    let fleet = Fleet::start().await;
    let bytes = photo_of(7);
    let (photo, length) = (name(&bytes), bytes.len());
    // Whoever marks it waits, as long as the database is asked to wait, and gives up: copy and original lie there.
    let held = fleet.app.hold_writes("photo").await;
    let gave_up = fleet.piece(&fleet.operator, &photo, 0, length, &bytes).await;
    assert_eq!(gave_up.status, 503, "{}", gave_up.body);
    held.let_go().await;
    let stored = [photo.clone()];
    assert_eq!(fleet.files("views"), stored, "stored, and not marked");
    assert_eq!(fleet.offset(&fleet.operator, &photo).await, so_far(length, false));
    // An empty piece at the end asks to have it looked at.
    fleet
        .piece(&fleet.operator, &photo, length, length, b"")
        .await
        .succeeded(200);
    assert_eq!(fleet.offset(&fleet.operator, &photo).await, so_far(length, true));
    fleet.stop().await;
}

#[actix_web::test]
async fn pieces_that_are_lost_are_sent_again_from_the_start() {
    let fleet = Fleet::start().await;
    let bytes = photo_of(8);
    let (photo, length) = (name(&bytes), bytes.len());
    fleet
        .piece(&fleet.operator, &photo, 0, length, &bytes[..300])
        .await
        .succeeded(204);
    std::fs::remove_dir_all(fleet.app.folder.path().join("photos/staging")).expect("taken away");
    let reply = fleet
        .piece(&fleet.operator, &photo, 300, length, &bytes[300..])
        .await;
    reply.refused(409, "upload-offset");
    assert_eq!(reply.body["offset"], json!(0));
    assert_eq!(fleet.offset(&fleet.operator, &photo).await, nothing());
    fleet
        .send_as(&fleet.operator, &photo, &bytes, PIECE)
        .await
        .succeeded(200);
    fleet.stop().await;
}

#[actix_web::test]
async fn an_upload_that_nobody_goes_on_with_is_forgotten_with_its_pieces() {
    let fleet = Fleet::start().await;
    let bytes = photo_of(9);
    let (photo, length) = (name(&bytes), bytes.len());
    fleet
        .piece(&fleet.operator, &photo, 0, length, &bytes[..300])
        .await
        .succeeded(204);
    let store = fleet.app.store().await;
    sweep::once(&store, &fleet.app.photos).await.expect("swept");
    assert_eq!(fleet.offset(&fleet.operator, &photo).await, so_far(300, false));
    // The files were written by the clock of this machine, so that the service's is moved behind it by years.
    fleet.at("2126-01-01T00:00:00Z");
    sweep::once(&store, &fleet.app.photos).await.expect("swept");
    assert_eq!(fleet.files("staging"), Vec::<String>::new());
    let uploader = fleet.operator.id.parse().expect("an id");
    let digest = photo.parse().expect("a digest");
    assert_eq!(store.photo_upload(digest, uploader).await.expect("read"), None);
    fleet.stop().await;
}

#[actix_web::test]
async fn entries_say_which_of_their_photos_are_awaited_and_never_wait_for_them() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("1").await;
    let early = fleet.sent_photo(&fleet.operator, &photo_of(10)).await;
    let late = name(&photo_of(11));
    let both = json!({"reason": "dropped", "photos": [early, late]});
    let recorded = fleet.tag_out(&fleet.operator, &clamp, both).await.succeeded(201);
    let waits = |reply: &Reply| reply.remarks().contains(&"photos_pending".to_owned());
    assert!(waits(&recorded), "{:?}", recorded.remarks());
    let there = json!({"reason": "dropped", "photos": [early]});
    let recorded = fleet.tag_out(&fleet.operator, &clamp, there).await.succeeded(201);
    assert!(!waits(&recorded), "{:?}", recorded.remarks());
    let none = fleet
        .tag_out(&fleet.operator, &clamp, tag_out("dropped"))
        .await
        .succeeded(201);
    assert!(!waits(&none), "{:?}", none.remarks());
    fleet.stop().await;
}
