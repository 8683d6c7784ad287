//! Who sees a photo, what of it, and which are awaited.

use super::files::{POSITION, photo_of, with_position};
use super::name;
use crate::trade::fleet::Fleet;
use clampward_api::photos::sweep;
use serde_json::{Value, json};

fn cites(photos: &[&String]) -> Value {
    json!({"reason": "dropped", "photos": photos})
}

fn holds(bytes: &[u8], text: &str) -> bool {
    bytes.windows(text.len()).any(|part| part == text.as_bytes())
}

#[actix_web::test]
async fn a_photo_is_seen_by_whoever_sees_a_clamp_that_cites_it_and_by_nobody_else() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("1").await;
    let photo = fleet.sent_photo(&fleet.operator, &photo_of(1)).await;
    // Not cited yet: who sent it knows that it is there, and nobody sees it.
    for person in [&fleet.operator, &fleet.lead, &fleet.safety] {
        fleet.photo(person, &photo).await.refused(404, "not-found");
    }
    fleet
        .tag_out(&fleet.operator, &clamp, cites(&[&photo]))
        .await
        .succeeded(201);
    for person in [&fleet.operator, &fleet.lead, &fleet.safety] {
        let shown = fleet.photo(person, &photo).await.succeeded(200);
        assert_eq!(shown.header("cache-control"), Some("private, no-cache"));
        let picture = image::load_from_memory(&shown.bytes).expect("a picture");
        assert_eq!((picture.width(), picture.height()), (48, 32));
    }
    fleet
        .photo(&fleet.stranger, &photo)
        .await
        .refused(404, "not-found");
    let etag = fleet.photo(&fleet.lead, &photo).await.etag().to_owned();
    let known = fleet
        .app
        .call("GET", &format!("/v1/photos/{photo}"))
        .token(&fleet.token(&fleet.lead))
        .header("If-None-Match", &etag)
        .send()
        .await;
    assert_eq!((known.status, known.bytes.len()), (304, 0));
    // The clamp moves to the stranger's yard, and its photos with it.
    let there = json!({"to_yard": fleet.clydebank});
    fleet.transfer(&fleet.safety, &clamp, there).await.succeeded(201);
    fleet.photo(&fleet.stranger, &photo).await.succeeded(200);
    fleet
        .photo(&fleet.operator, &photo)
        .await
        .refused(404, "not-found");
    fleet.stop().await;
}

#[actix_web::test]
async fn position_is_stripped_from_the_copy_and_kept_in_the_original_only_where_the_yard_says_so() {
    let fleet = Fleet::start().await;
    let path = format!("/v1/yards/{}", fleet.clydebank);
    let yard = fleet.get(&fleet.safety, &path).await.succeeded(200);
    let keeps = json!({"keep_photo_originals": true, "starts_on": "2025-03-15"});
    let token = fleet.token(&fleet.safety);
    fleet
        .app
        .patch(&token, &path, yard.etag(), &keeps)
        .await
        .succeeded(200);
    fleet.at("2025-03-16T09:00:00Z");
    let here = fleet.fit_clamp("1").await;
    let there = fleet.british_clamp("2").await;
    // In each yard one photo that comes before its entry and one that comes after it.
    let (kept, gone) = (
        [with_position(1), with_position(2)],
        [with_position(3), with_position(4)],
    );
    for (photos, clamp, by, is_kept) in [
        (&kept, &there, &fleet.stranger, true),
        (&gone, &here, &fleet.inspector, false),
    ] {
        let [early, late] = photos;
        assert!(holds(early, POSITION));
        let first = fleet.sent_photo(by, early).await;
        let second = name(late);
        fleet
            .tag_out(by, clamp, cites(&[&first, &second]))
            .await
            .succeeded(201);
        fleet.sent_photo(by, late).await;
        sweep::once(&fleet.app.store().await, &fleet.app.photos)
            .await
            .expect("swept");
        for (photo, taken) in [(&first, early), (&second, late)] {
            let shown = fleet.photo(&fleet.safety, photo).await.succeeded(200);
            assert!(!holds(&shown.bytes, POSITION) && !holds(&shown.bytes, "Exif"));
            let picture = image::load_from_memory(&shown.bytes).expect("a picture");
            assert_eq!((picture.width(), picture.height()), (32, 48), "the right way up");
            let original = fleet
                .get(&fleet.safety, &format!("/v1/photos/{photo}?original=true"))
                .await;
            if is_kept {
                let original = original.succeeded(200);
                assert!(&original.bytes == taken, "byte for byte");
                let disposition = original.header("content-disposition").unwrap_or_default();
                assert!(disposition.starts_with("attachment"), "{disposition}");
            } else {
                original.refused(404, "original-not-kept");
            }
        }
    }
    let mut originals = fleet.files("originals");
    originals.sort();
    let mut expected: Vec<String> = kept.iter().map(|bytes| name(bytes)).collect();
    expected.sort();
    assert_eq!(originals, expected, "nothing else lies there");
    // Nobody without the permission, whatever they see.
    let person = fleet
        .person("Only Looks", &["operator"], &json!([fleet.clydebank]))
        .await;
    let path = format!("/v1/photos/{}?original=true", name(&kept[0]));
    fleet.get(&person, &path).await.refused(403, "not-allowed");
    fleet.stop().await;
}

#[actix_web::test]
async fn awaited_photos_are_listed_by_yard_and_clamp_until_they_come() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("1").await;
    let other = fleet.fit_clamp("2").await;
    let theirs = fleet.british_clamp("3").await;
    let [one, two, three] = [1, 2, 3].map(|number| name(&photo_of(number)));
    fleet
        .tag_out(&fleet.operator, &clamp, cites(&[&one, &two]))
        .await
        .succeeded(201);
    fleet
        .tag_out(&fleet.operator, &other, cites(&[&two]))
        .await
        .succeeded(201);
    fleet
        .tag_out(&fleet.stranger, &theirs, cites(&[&three]))
        .await
        .succeeded(201);
    let awaited = async |query: &str| {
        let path = format!("/v1/photos?state=pending{query}");
        let list = fleet.get(&fleet.lead, &path).await.succeeded(200);
        let items = list.body["items"].as_array().cloned().unwrap_or_default();
        let mut found: Vec<String> = items
            .iter()
            .map(|item| item["sha256"].as_str().expect("a name").to_owned())
            .collect();
        found.sort();
        found
    };
    let sorted = |mut names: Vec<String>| {
        names.sort();
        names
    };
    let all = sorted(vec![one.clone(), two.clone(), two.clone()]);
    assert_eq!(awaited("").await, all);
    assert_eq!(awaited(&format!("&yard={}", fleet.newport)).await, all);
    assert_eq!(
        awaited(&format!("&yard={}", fleet.galveston)).await,
        Vec::<String>::new()
    );
    assert_eq!(
        awaited(&format!("&clamp_id={other}")).await,
        std::slice::from_ref(&two)
    );
    fleet.photo(&fleet.lead, &two).await.refused(404, "photo-pending");
    // Page by page, each once.
    let mut after = String::new();
    let mut pages = Vec::new();
    loop {
        let path = format!("/v1/photos?state=pending&limit=1{after}");
        let page = fleet.get(&fleet.lead, &path).await.succeeded(200);
        pages.extend(page.body["items"].as_array().cloned().unwrap_or_default());
        match page.body["next"].as_str() {
            Some(next) => after = format!("&after={next}"),
            None => break,
        }
    }
    assert_eq!(pages.len(), 3);
    // A colleague who sends it tells nothing of those who cited it; they do.
    fleet.sent_photo(&fleet.inspector, &photo_of(2)).await;
    assert_eq!(awaited("").await, all);
    fleet.sent_photo(&fleet.operator, &photo_of(2)).await;
    assert_eq!(awaited("").await, std::slice::from_ref(&one));
    let there = fleet
        .get(&fleet.lead, "/v1/photos?state=complete")
        .await
        .succeeded(200);
    assert_eq!(there.body["items"].as_array().map(Vec::len), Some(2));
    assert_eq!(there.text("/items/0/state"), "complete");
    fleet
        .get(&fleet.lead, "/v1/photos?state=lost")
        .await
        .refused(400, "invalid-parameters");
    let path = "/v1/photos?state=pending";
    let list = fleet.get(&fleet.stranger, path).await.succeeded(200);
    assert_eq!(list.text("/items/0/sha256"), three);
    assert_eq!(list.text("/items/0/cited_by"), fleet.stranger.id);
    fleet.stop().await;
}

/// Goal: who lost a yard and kept the names of its photos sees none of them. Method: they cite one from a clamp of a yard
/// that they still have, before it is sent and after.
#[actix_web::test]
async fn citing_a_photo_shows_it_to_nobody_who_was_not_shown_it() {
    let fleet = Fleet::start().await;
    let theirs = fleet.british_clamp("1").await;
    let own = fleet.fit_clamp("2").await;
    let (there, late) = (photo_of(1), photo_of(2));
    let there = fleet.sent_photo(&fleet.stranger, &there).await;
    let late_name = name(&late);
    fleet
        .tag_out(&fleet.stranger, &theirs, cites(&[&there, &late_name]))
        .await
        .succeeded(201);
    for _ in 0..2 {
        // The second time an entry of their own cites it already.
        let cited = fleet
            .tag_out(&fleet.operator, &own, cites(&[&there, &late_name]))
            .await
            .succeeded(201);
        assert!(
            cited.remarks().contains(&"photos_pending".to_owned()),
            "{:?}",
            cited.remarks()
        );
    }
    fleet.sent_photo(&fleet.stranger, &late).await;
    let store = fleet.app.store().await;
    sweep::once(&store, &fleet.app.photos).await.expect("swept");
    for photo in [&there, &late_name] {
        fleet.photo(&fleet.stranger, photo).await.succeeded(200);
        for person in [&fleet.operator, &fleet.lead] {
            fleet.photo(person, photo).await.refused(404, "photo-pending");
        }
        assert_eq!(fleet.offset(&fleet.operator, photo).await.0, 404);
    }
    let list = fleet
        .get(&fleet.lead, "/v1/photos?state=complete")
        .await
        .succeeded(200);
    assert_eq!(list.body["items"], json!([]));
    // Who has the photo themselves sends it, and then their entries show it.
    fleet.sent_photo(&fleet.operator, &photo_of(1)).await;
    fleet.photo(&fleet.lead, &there).await.succeeded(200);
    fleet
        .photo(&fleet.lead, &late_name)
        .await
        .refused(404, "photo-pending");
    // Whoever sees it there cites it anew: it was shown to them.
    let other = fleet.fit_clamp("3").await;
    fleet
        .tag_out(&fleet.inspector, &other, cites(&[&there]))
        .await
        .succeeded(201);
    let path = format!("/v1/photos?state=complete&clamp_id={other}");
    let list = fleet.get(&fleet.lead, &path).await.succeeded(200);
    assert_eq!(list.text("/items/0/sha256"), there);
    fleet.stop().await;
}

#[actix_web::test]
async fn a_photo_that_a_tablet_sends_after_its_entry_is_shown() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("1").await;
    let tablet = fleet.tablet(&[&fleet.newport]).await;
    let bytes = photo_of(7);
    let photo = name(&bytes);
    let entry = tablet.writes(&fleet.operator, &clamp, "tagged_out", cites(&[&photo]));
    let pushed = tablet.pushes(&[entry]).await;
    assert_eq!(pushed.text("/results/0/outcome"), "recorded");
    fleet
        .photo(&fleet.lead, &photo)
        .await
        .refused(404, "photo-pending");
    let sent = fleet
        .app
        .call("PATCH", &format!("/v1/photos/{photo}"))
        .token(tablet.token())
        .header("Content-Type", "application/offset+octet-stream")
        .header("Upload-Offset", "0")
        .header("Upload-Length", &bytes.len().to_string())
        .raw(bytes)
        .send()
        .await;
    sent.succeeded(200);
    fleet.photo(&fleet.lead, &photo).await.succeeded(200);
    fleet.stop().await;
}
