//! Pulling over HTTP: cursors, pages, waits, snapshots, digests, the whole ledger.

use crate::support::{Beside, Reply};
use crate::trade::{Fleet, Person, bodies};
use clampward_api::config::Limits;
use clampward_domain::canonical::{self, sha256};
use clampward_wire::sync::pull::{Changes, Events, SnapshotEnd, SnapshotHead, SnapshotLine};
use serde_json::{Value, json};
use std::time::{Duration, Instant};

/// A fleet, and a program that pulls for one of its yards.
async fn newport() -> (Fleet, Person) {
    let fleet = Fleet::start_with(Limits {
        quota: 100_000,
        ..Limits::default()
    })
    .await;
    let yards = json!([fleet.newport]);
    let reader = fleet.person("Newport Reader", &["integration"], &yards).await;
    (fleet, reader)
}

impl Fleet {
    /// A yard's snapshot, line by line.
    async fn snapshot(&self, by: &Person, yard: &str) -> Vec<Value> {
        let path = format!("/v1/sync/snapshot?yard={yard}");
        self.get(by, &path).await.succeeded(200).lines()
    }
    /// A cursor of a yard as it is now.
    async fn cursor(&self, by: &Person, yard: &str) -> String {
        let lines = self.snapshot(by, yard).await;
        lines[0]["cursor"].as_str().expect("a cursor").to_owned()
    }
    async fn pull(&self, by: &Person, cursors: &[&str], more: &str) -> Reply {
        let cursors: Vec<String> = cursors.iter().map(|cursor| format!("cursor={cursor}")).collect();
        self.get(by, &format!("/v1/sync/changes?{}{more}", cursors.join("&")))
            .await
    }
}

fn next(reply: &Reply, yard: usize) -> String {
    reply.text(&format!("/yards/{yard}/next_cursor"))
}

fn kinds(reply: &Reply, yard: usize) -> Vec<String> {
    let rows = reply.body["yards"][yard]["rows"].as_array().expect("rows");
    rows.iter()
        .map(|row| row["kind"].as_str().expect("a kind").to_owned())
        .collect()
}

#[actix_web::test]
async fn what_happens_in_a_yard_comes_once_and_an_empty_page_gives_the_cursor_back() {
    let (fleet, reader) = newport().await;
    let from = fleet.cursor(&reader, &fleet.newport).await;
    let clamp = fleet.fit_clamp("4711").await;
    fleet.british_clamp("4712").await;
    let page = fleet.pull(&reader, &[&from], "").await.succeeded(200);
    assert_eq!(kinds(&page, 0), ["registered", "inspected"]);
    // The answer is what its readers take it for, field for field.
    let read: Changes = serde_json::from_slice(&page.bytes).expect("the published shape");
    assert_eq!(serde_json::to_value(&read).expect("JSON"), page.body);
    let yard = &read.yards[0];
    assert_eq!((yard.from.as_str(), yard.more), (from.as_str(), false));
    assert_eq!(yard.clamps.len(), 1);
    assert_eq!(yard.clamps[0].clamp_id.to_string(), clamp);
    assert_eq!(yard.clamps[0].position, yard.rows[1].position);
    assert!(
        yard.clamps[0]
            .state
            .as_ref()
            .is_some_and(|state| state.entries == 2)
    );
    assert_eq!(yard.known_at, fleet.now());
    assert_eq!(read.granted.len(), 1);
    let cursor = next(&page, 0);
    assert_ne!(cursor, from);
    for _ in 0..3 {
        let empty = fleet.pull(&reader, &[&cursor], "&limit=1").await.succeeded(200);
        assert_eq!((next(&empty, 0), kinds(&empty, 0).len()), (cursor.clone(), 0));
        fleet.british_clamp(&fleet.new_id()[24..]).await;
    }
    // Row by row it is the same.
    let mut rows = Vec::new();
    let mut cursor = from;
    loop {
        let page = fleet.pull(&reader, &[&cursor], "&limit=1").await.succeeded(200);
        let read: Changes = serde_json::from_slice(&page.bytes).expect("the published shape");
        rows.extend(read.yards[0].rows.clone());
        cursor = next(&page, 0);
        if !read.yards[0].more {
            break;
        }
    }
    assert_eq!(rows, yard.rows);
    fleet.stop().await;
}

#[actix_web::test]
async fn thirty_four_a_thousand_polls_give_the_same_cursor() {
    let (fleet, reader) = newport().await;
    fleet.fit_clamp("4711").await;
    let cursor = fleet.cursor(&reader, &fleet.newport).await;
    let token = fleet.token(&reader);
    let path = format!("/v1/sync/changes?cursor={cursor}");
    for _ in 0..1_000 {
        let page = fleet.app.get(&token, &path).await.succeeded(200);
        assert_eq!(next(&page, 0), cursor);
    }
    fleet.stop().await;
}

#[actix_web::test]
async fn forty_seven_a_cursor_that_was_changed_or_is_anothers_is_refused_and_one_from_the_future_is_gone() {
    let (fleet, reader) = newport().await;
    let other = fleet
        .person("Other Reader", &["integration"], &json!("all"))
        .await;
    let cursor = fleet.cursor(&reader, &fleet.newport).await;
    let anothers = fleet.pull(&other, &[&cursor], "").await;
    anothers
        .refused(400, "cursor-invalid")
        .at("/cursor", "invalid-cursor");
    for place in [0, 7, 30, 50, 70] {
        let mut flipped = cursor.clone().into_bytes();
        // Another letter of the same alphabet.
        flipped[place] = if flipped[place] == b'A' { b'B' } else { b'A' };
        let flipped = String::from_utf8(flipped).expect("letters");
        let reply = fleet.pull(&reader, &[&flipped], "").await;
        reply.refused(400, "cursor-invalid");
        // One that is wrong spoils the whole request: nobody but a broken client sends it.
        fleet
            .pull(&reader, &[&cursor, &flipped], "")
            .await
            .refused(400, "cursor-invalid");
    }
    for nonsense in ["", "x", "%00", "null", &"A".repeat(71), &"A".repeat(5_000)] {
        let reply = fleet.pull(&reader, &[nonsense], "").await;
        assert_eq!(reply.status, 400, "{nonsense}: {}", reply.body);
    }
    // Cursors of the whole ledger are none of a yard, and the other way round.
    let events = fleet.get(&other, "/v1/events?limit=1").await.succeeded(200);
    let whole = events.text("/next_cursor");
    fleet
        .pull(&other, &[&whole], "")
        .await
        .refused(400, "cursor-invalid");
    let of_yard = fleet.cursor(&other, &fleet.newport).await;
    fleet
        .get(&other, &format!("/v1/events?cursor={of_yard}"))
        .await
        .refused(400, "cursor-invalid");
    // The ledger goes back behind the cursor, as after a restore.
    fleet.fit_clamp("4711").await;
    let future = fleet.cursor(&reader, &fleet.newport).await;
    fleet
        .app
        .as_owner("update ledger_head set position = position - 1")
        .await;
    let gone = fleet.pull(&reader, &[&future], "").await;
    gone.refused(410, "cursor-from-future");
    fleet
        .app
        .as_owner("update ledger_head set position = position + 1")
        .await;
    fleet.stop().await;
}

#[actix_web::test]
async fn a_cursor_that_is_gone_is_a_word_in_its_yard_unless_all_are_gone_alike() {
    let (fleet, _) = newport().await;
    let both = json!([fleet.newport, fleet.galveston]);
    let reader = fleet.person("Two Yards", &["integration"], &both).await;
    let newport = fleet.cursor(&reader, &fleet.newport).await;
    let galveston = fleet.cursor(&reader, &fleet.galveston).await;
    fleet.fit_clamp("4711").await;
    let page = fleet
        .pull(&reader, &[&newport, &galveston], "")
        .await
        .succeeded(200);
    assert_eq!(
        (kinds(&page, 0).len(), kinds(&page, 1).len()),
        (2, 0),
        "{}",
        page.body
    );
    // They lose a yard.
    let path = format!("/v1/users/{}", reader.id);
    let account = fleet.get(&fleet.administrator, &path).await.succeeded(200);
    let only = json!({"yards": [fleet.newport]});
    let administrator = fleet.token(&fleet.administrator);
    fleet
        .app
        .patch(&administrator, &path, account.etag(), &only)
        .await
        .succeeded(200);
    let page = fleet
        .pull(&reader, &[&newport, &galveston], "")
        .await
        .succeeded(200);
    assert_eq!(page.body["yards"][1]["problem"]["status"], 404);
    assert_eq!(page.body["yards"][1]["problem"]["code"], "not-found");
    assert_eq!(next(&page, 1), galveston);
    assert_eq!(page.body["granted"], json!([fleet.newport]));
    assert!(page.body["yards"][0].get("problem").is_none());
    let read: Changes = serde_json::from_slice(&page.bytes).expect("the published shape");
    assert_eq!(serde_json::to_value(&read).expect("JSON"), page.body);
    fleet
        .pull(&reader, &[&galveston], "")
        .await
        .refused(404, "not-found");
    // The epoch is raised: what is left fails alike.
    fleet
        .app
        .as_owner("update ledger_head set epoch = epoch + 1")
        .await;
    let page = fleet
        .pull(&reader, &[&newport, &galveston], "")
        .await
        .succeeded(200);
    assert_eq!(page.body["yards"][0]["problem"]["code"], "epoch-changed");
    fleet
        .pull(&reader, &[&newport], "")
        .await
        .refused(410, "epoch-changed");
    let fresh = fleet.cursor(&reader, &fleet.newport).await;
    fleet.pull(&reader, &[&fresh], "").await.succeeded(200);
    // Long away, with things having happened.
    fleet
        .app
        .clock
        .advance(jiff::SignedDuration::from_hours(24 * 400));
    fleet.yard("NEW", "Europe/London", "gb-loler", json!({})).await;
    fleet.person("Somebody New", &["operator"], &json!("all")).await;
    fleet
        .app
        .clock
        .advance(jiff::SignedDuration::from_hours(24 * 181));
    fleet
        .pull(&reader, &[&fresh], "")
        .await
        .refused(410, "cursor-expired");
    fleet.app.stop().await;
}

// sync.md row 5 over HTTP: a standby took over that has another last row.
#[actix_web::test]
async fn five_whoever_reads_on_from_a_row_that_was_lost_is_told_wherever_they_ask() {
    let (fleet, reader) = newport().await;
    let erp = fleet.person("Plant Erp", &["integration"], &json!("all")).await;
    fleet.fit_clamp("4711").await;
    let snapshot = format!("/v1/sync/snapshot?yard={}", fleet.newport);
    let lines = fleet.get(&reader, &snapshot).await.succeeded(200).lines();
    let cursor = lines[0]["cursor"].as_str().expect("a cursor").to_owned();
    let clamp = lines[lines.len() - 2]["clamp_id"].as_str().expect("a clamp");
    let taken_up = format!("{snapshot}&after={clamp}&cursor={cursor}");
    let events = fleet.get(&erp, "/v1/events?limit=1000").await.succeeded(200);
    assert_eq!(events.body["more"], false);
    let events = format!("/v1/events?cursor={}", events.text("/next_cursor"));
    fleet.get(&reader, &taken_up).await.succeeded(200);
    fleet.get(&erp, &events).await.succeeded(200);
    fleet
        .app
        .as_owner(
            "alter table ledger disable trigger all;
             update ledger set tag = ~tag where position = (select position from ledger_head)",
        )
        .await;
    fleet
        .pull(&reader, &[&cursor], "")
        .await
        .refused(410, "cursor-diverged");
    fleet
        .get(&reader, &taken_up)
        .await
        .refused(410, "cursor-diverged");
    fleet.get(&erp, &events).await.refused(410, "cursor-diverged");
    // A snapshot that begins is of the history that there is.
    fleet.get(&reader, &snapshot).await.succeeded(200);
    fleet.app.stop().await;
}

#[actix_web::test]
async fn parameters_that_make_no_sense_are_named() {
    let (fleet, reader) = newport().await;
    let cursor = fleet.cursor(&reader, &fleet.newport).await;
    for (query, pointer, code) in [
        ("limit=0", "/limit", "out-of-range"),
        ("limit=1001", "/limit", "out-of-range"),
        ("wait=26", "/wait", "out-of-range"),
    ] {
        for path in ["/v1/sync/changes", "/v1/events"] {
            let safety = &fleet.safety;
            let by = if path == "/v1/events" { safety } else { &reader };
            let reply = fleet.get(by, &format!("{path}?{query}")).await;
            reply.refused(400, "invalid-parameters").at(pointer, code);
        }
    }
    let twice = fleet.pull(&reader, &[&cursor, &cursor], "").await;
    twice
        .refused(400, "invalid-parameters")
        .at("/cursor", "given-twice");
    let many = vec![cursor.as_str(); 51];
    fleet
        .pull(&reader, &many, "")
        .await
        .refused(400, "invalid-parameters")
        .at("/cursor", "out-of-range");
    for query in [
        "limit=x",
        "limit=-1",
        "wait=1.5",
        "limit=1&limit=2",
        "since=1",
        "yard=x",
    ] {
        let reply = fleet.get(&reader, &format!("/v1/sync/changes?{query}")).await;
        reply.refused(400, "invalid-parameters");
    }
    for path in [
        "/v1/sync/snapshot",
        "/v1/sync/snapshot?yard=x",
        "/v1/sync/snapshot?yard=0195f000-0000-7000-8000-000000000000&after=x",
        "/v1/sync/digest?yard=0195f000-0000-7000-8000-000000000000",
        "/v1/sync/digest?yard=0195f000-0000-7000-8000-000000000000&position=-1",
        "/v1/sync/config?yard=x",
    ] {
        fleet.get(&reader, path).await.refused(400, "invalid-parameters");
    }
    // What is nobody's yard is no yard of those who see all of them either.
    let nowhere = fleet.new_id();
    let all = fleet.person("All Yards", &["integration"], &json!("all")).await;
    for path in [
        format!("/v1/sync/snapshot?yard={nowhere}"),
        format!("/v1/sync/digest?yard={nowhere}&position=1"),
        "/v1/sync/snapshot?yard=00000000-0000-0000-0000-000000000000".to_owned(),
    ] {
        fleet.get(&all, &path).await.refused(404, "not-found");
    }
    // Without a cursor one learns which yards are one's own.
    let none = fleet.get(&reader, "/v1/sync/changes").await.succeeded(200);
    assert_eq!(
        (&none.body["yards"], &none.body["granted"]),
        (&json!([]), &json!([fleet.newport]))
    );
    fleet.stop().await;
}

#[actix_web::test]
async fn a_pull_that_waits_is_answered_when_something_happens_in_its_yard() {
    let (fleet, reader) = newport().await;
    let clamp = fleet.fit_clamp("4711").await;
    let british = fleet.british_clamp("4712").await;
    let cursor = fleet.cursor(&reader, &fleet.newport).await;
    let begun = Instant::now();
    let waiting = async {
        let page = fleet.pull(&reader, &[&cursor], "&wait=25").await.succeeded(200);
        (kinds(&page, 0), begun.elapsed())
    };
    let happening = async {
        tokio::time::sleep(Duration::from_millis(700)).await;
        // Elsewhere: nobody here is woken by it.
        fleet
            .tag_out(&fleet.stranger, &british, bodies::tag_out("dropped"))
            .await
            .succeeded(201);
        tokio::time::sleep(Duration::from_millis(1_300)).await;
        fleet
            .tag_out(&fleet.operator, &clamp, bodies::tag_out("dropped"))
            .await
            .succeeded(201);
    };
    let ((kinds, took), ()) = tokio::join!(waiting, happening);
    assert_eq!(kinds, ["tagged_out"]);
    assert!(
        took > Duration::from_secs(2) && took < Duration::from_secs(6),
        "{took:?}"
    );
    // In vain.
    let cursor = fleet.cursor(&reader, &fleet.newport).await;
    let begun = Instant::now();
    let page = fleet.pull(&reader, &[&cursor], "&wait=1").await.succeeded(200);
    assert_eq!(next(&page, 0), cursor);
    assert!(begun.elapsed() >= Duration::from_secs(1) && begun.elapsed() < Duration::from_secs(4));
    fleet.stop().await;
}

#[actix_web::test]
async fn however_many_wait_they_take_no_connection_and_no_place_from_others() {
    let limits = Limits {
        quota: 100_000,
        writes: 8,
        lists: 8,
        ..Limits::default()
    };
    let fleet = Fleet::start_with(limits).await;
    let reader = fleet
        .person("Many Readers", &["integration"], &json!([fleet.newport]))
        .await;
    let clamp = fleet.fit_clamp("4711").await;
    let cursor = fleet.cursor(&reader, &fleet.newport).await;
    let token = fleet.token(&reader);
    let url = format!("{}/v1/sync/changes?cursor={cursor}&wait=25", fleet.app.url);
    let waiters: Vec<_> = (0..60)
        .map(|_| {
            let (url, token) = (url.clone(), token.clone());
            actix_web::rt::spawn(async move {
                // They come one after another: as many at once as there are places would be refused, as any request is.
                let client = awc::Client::builder().timeout(Duration::from_secs(40)).finish();
                loop {
                    let sent = client.get(&url).bearer_auth(&token).send();
                    let mut answer = sent.await.expect("an answer");
                    if answer.status().as_u16() == 503 {
                        tokio::time::sleep(Duration::from_millis(50)).await;
                        continue;
                    }
                    let body: Value = answer.json().await.expect("JSON");
                    return (
                        answer.status().as_u16(),
                        body["yards"][0]["rows"].as_array().map(Vec::len),
                    );
                }
            })
        })
        .collect();
    tokio::time::sleep(Duration::from_secs(3)).await;
    // Sixty wait where eight may be under way; everything else goes on.
    for _ in 0..20 {
        fleet
            .get(&fleet.operator, &format!("/v1/clamps/{clamp}"))
            .await
            .succeeded(200);
        fleet.get(&fleet.operator, "/v1/clamps").await.succeeded(200);
    }
    assert!(waiters.iter().all(|waiter| !waiter.is_finished()), "they wait");
    fleet
        .tag_out(&fleet.operator, &clamp, bodies::tag_out("dropped"))
        .await
        .succeeded(201);
    let mut told = 0;
    for waiter in waiters {
        let (status, rows) = waiter.await.expect("it ends");
        assert_eq!(status, 200);
        told += usize::from(rows == Some(1));
    }
    // Who found no place when all were woken at once is answered with nothing and asks again.
    assert!(told >= 8, "{told}");
    fleet.stop().await;
}

#[actix_web::test]
async fn whoever_loses_their_access_while_they_wait_is_told_nothing_more() {
    let (fleet, reader) = newport().await;
    let clamp = fleet.fit_clamp("4711").await;
    let cursor = fleet.cursor(&reader, &fleet.newport).await;
    let cursors = [cursor.as_str()];
    let waiting = fleet.pull(&reader, &cursors, "&wait=20");
    let closing = async {
        tokio::time::sleep(Duration::from_millis(500)).await;
        let path = format!("/v1/users/{}", reader.id);
        let account = fleet.get(&fleet.administrator, &path).await.succeeded(200);
        let administrator = fleet.token(&fleet.administrator);
        let closed = json!({"enabled": false});
        fleet
            .app
            .patch(&administrator, &path, account.etag(), &closed)
            .await
            .succeeded(200);
        fleet
            .tag_out(&fleet.operator, &clamp, bodies::tag_out("dropped"))
            .await
            .succeeded(201);
    };
    let (reply, ()) = tokio::join!(waiting, closing);
    reply.refused(401, "not-signed-in");
    fleet.stop().await;
}

#[actix_web::test]
async fn thirty_one_a_snapshot_has_everything_once_and_is_taken_up_where_it_was_cut() {
    let (fleet, reader) = newport().await;
    let clamp = fleet.fit_clamp("4711").await;
    fleet.british_clamp("4712").await;
    fleet.app.copies_of(&clamp, 1_200).await;
    let lines = fleet.snapshot(&reader, &fleet.newport).await;
    let head: SnapshotHead = serde_json::from_value(lines[0].clone()).expect("a head");
    assert_eq!((head.epoch, head.state_format), (1, 2));
    let end: SnapshotEnd = serde_json::from_value(lines[lines.len() - 1].clone()).expect("an end");
    assert!(end.end);
    assert_eq!(end.lines, u64::try_from(lines.len()).expect("few"));
    let mut clamps = Vec::new();
    let mut reference = 0;
    for line in &lines[1..lines.len() - 1] {
        let read: SnapshotLine = serde_json::from_value(line.clone()).expect("a line of the published shape");
        assert_eq!(serde_json::to_value(&read).expect("JSON"), *line);
        match read {
            SnapshotLine::Clamp(clamp) => clamps.push(clamp.clamp.clamp_id.to_string()),
            SnapshotLine::Reference(_) => {
                assert!(clamps.is_empty(), "reference data first");
                reference += 1;
            }
        }
    }
    assert_eq!(clamps.len(), 1_201);
    assert!(clamps.is_sorted());
    assert!(reference > 10);
    let text: String = lines.iter().map(Value::to_string).collect();
    assert!(!text.contains("@halvorsund.example"), "no addresses of people");
    assert!(
        !text.contains(&format!("\"yard_id\":\"{}\"", fleet.clydebank)),
        "no other yard"
    );
    // Cut after some clamp: the rest, without the reference data.
    for cut in [0, 499, 500, 1_000, 1_200] {
        let path = format!("/v1/sync/snapshot?yard={}&after={}", fleet.newport, clamps[cut]);
        let rest = fleet.get(&reader, &path).await.succeeded(200).lines();
        let ids: Vec<&str> = rest[1..rest.len() - 1]
            .iter()
            .map(|line| line["clamp_id"].as_str().expect("a clamp"))
            .collect();
        assert_eq!(ids, clamps[cut + 1..]);
        assert_eq!(rest[rest.len() - 1]["lines"], rest.len());
        // With the cursor that came last before the cut: it goes on from the same place.
        let before = lines[..=1 + reference + cut].iter().rev();
        let cursor = before
            .filter_map(|line| line["cursor"].as_str())
            .next()
            .expect("a cursor");
        let rest = fleet
            .get(&reader, &format!("{path}&cursor={cursor}"))
            .await
            .succeeded(200)
            .lines();
        assert_eq!(
            (&rest[0]["cursor"], rest.len()),
            (&json!(cursor), clamps.len() - cut + 1)
        );
        assert_eq!(rest[0]["position"], lines[0]["position"]);
    }
    // A part's cursor stands at its first clamp, and all of them can be pulled from.
    let marked: Vec<usize> = (0..clamps.len())
        .filter(|clamp| lines[1 + reference + clamp].get("cursor").is_some())
        .collect();
    assert_eq!(marked, [0, 500, 1_000]);
    for clamp in marked {
        let cursor = lines[1 + reference + clamp]["cursor"].as_str().expect("a cursor");
        let page = fleet.pull(&reader, &[cursor], "").await.succeeded(200);
        assert_eq!(kinds(&page, 0), Vec::<String>::new());
    }
    let path = format!("/v1/sync/snapshot?yard={}", fleet.newport);
    let cursor = lines[0]["cursor"].as_str().expect("a cursor");
    for wrong in [
        format!("{path}&cursor={cursor}"),
        format!("{path}&after={}&cursor=x", clamps[0]),
        format!("{path}&after={}&cursor={}", clamps[0], &cursor[1..]),
    ] {
        fleet.get(&reader, &wrong).await.refused(400, "cursor-invalid");
    }
    for path in [
        format!("/v1/sync/snapshot?yard={}", fleet.clydebank),
        format!("/v1/sync/snapshot?yard={}", fleet.new_id()),
        format!("/v1/sync/digest?yard={}&position=1", fleet.clydebank),
    ] {
        fleet.get(&reader, &path).await.refused(404, "not-found");
    }
    fleet.app.stop().await;
}

#[actix_web::test]
async fn the_digest_is_what_a_device_computes_over_its_snapshot() {
    let (fleet, reader) = newport().await;
    for number in 0..5 {
        fleet.fit_clamp(&format!("{number}")).await;
    }
    let lines = fleet.snapshot(&reader, &fleet.newport).await;
    let position = &lines[0]["position"];
    let states: Vec<&Value> = lines.iter().filter_map(|line| line.get("state")).collect();
    let sum = states.iter().fold(0_u64, |sum, state| {
        let digest = sha256(&[&canonical::to_bytes(state).expect("canonical")]);
        sum.wrapping_add(u64::from_be_bytes(digest[..8].try_into().expect("eight")))
    });
    let path = format!("/v1/sync/digest?yard={}&position={position}", fleet.newport);
    let digest = fleet.get(&reader, &path).await.succeeded(200);
    assert_eq!(
        digest.body,
        json!({"yard_id": fleet.newport, "position": position, "count": 5, "checksum": format!("{sum:016x}"), "state_format": 2})
    );
    fleet.fit_clamp("5").await;
    fleet.get(&reader, &path).await.refused(409, "position-moved-on");
    fleet.stop().await;
}

#[actix_web::test]
async fn the_whole_ledger_is_for_those_who_see_every_yard() {
    let (fleet, reader) = newport().await;
    fleet.fit_clamp("4711").await;
    fleet.get(&reader, "/v1/events").await.refused(403, "not-allowed");
    let erp = fleet.person("Plant Erp", &["integration"], &json!("all")).await;
    let mut path = "/v1/events?limit=7".to_owned();
    let mut positions = Vec::new();
    loop {
        let page = fleet.get(&erp, &path).await.succeeded(200);
        let read: Events = serde_json::from_slice(&page.bytes).expect("the published shape");
        assert_eq!(serde_json::to_value(&read).expect("JSON"), page.body);
        assert!(!page.page().contains("@halvorsund.example"));
        positions.extend(read.rows.iter().map(|row| row.position));
        path = format!("/v1/events?limit=7&cursor={}", read.next_cursor);
        if !read.more {
            break;
        }
    }
    let (head, _) = fleet.app.stored().await;
    assert_eq!(positions, (1..=head.unsigned_abs()).collect::<Vec<_>>());
    let empty = fleet.get(&erp, &path).await.succeeded(200);
    assert!(path.ends_with(&empty.text("/next_cursor")));
    // With a wait, what happens anywhere comes.
    let waiting = fleet.get(&erp, &format!("{path}&wait=25")).await;
    assert_eq!(waiting.status, 200);
    fleet.stop().await;
}

#[actix_web::test]
async fn what_synchronisation_allows_is_what_the_limits_say() {
    let (fleet, reader) = newport().await;
    let config = fleet.get(&reader, "/v1/sync/config").await.succeeded(200);
    let limits = fleet.get(&reader, "/v1/limits").await.succeeded(200);
    let limit = |name: &str| {
        let all = limits.body["limits"]
            .as_array()
            .or(limits.body.as_array())
            .cloned();
        let all = all.unwrap_or_else(|| limits.body["items"].as_array().cloned().expect("limits"));
        all.iter().find(|row| row["name"] == name).expect("a limit")["value"].clone()
    };
    assert_eq!(config.body["rows_per_page"], limit("pull_rows"));
    assert_eq!(config.body["wait_seconds"], limit("pull_wait_seconds"));
    assert_eq!(
        config.body["cursor_days"].as_u64().map(|days| days * 24),
        limit("cursor_hours").as_u64()
    );
    assert_eq!(config.body["yards"], json!([fleet.newport]));
    assert_eq!(config.text("/server_time"), fleet.now().to_string());
    fleet.stop().await;
}

/// Goal: while one version goes and another comes, nobody loses or gets twice what happens, and nobody waits for the one
/// that goes. Method: two services on one database; a reader goes from one to the other with its cursor, a wait at the one
/// that stops ends at once, one that waits at the other hears of what was recorded at the first.
#[actix_web::test]
async fn fifty_readers_go_from_one_process_to_another_with_their_cursors() {
    let (fleet, reader) = newport().await;
    let clamp = fleet.fit_clamp("4711").await;
    let token = fleet.token(&reader);
    let Beside {
        app: other,
        stop,
        ended,
    } = fleet.app.beside();
    let mut cursor = fleet.cursor(&reader, &fleet.newport).await;
    let mut told = Vec::new();
    let mut sent = Vec::new();
    for round in 0..10 {
        let entry = fleet.entry(bodies::tag_out("dropped"));
        sent.push(entry["entry_id"].as_str().expect("an id").to_owned());
        let path = format!("/v1/clamps/{clamp}/tag-outs");
        let (writer, puller) = if round % 2 == 0 {
            (&fleet.app, &other)
        } else {
            (&other, &fleet.app)
        };
        writer
            .post(&fleet.token(&fleet.operator), &path, &entry)
            .await
            .succeeded(201);
        let page = puller
            .get(&token, &format!("/v1/sync/changes?cursor={cursor}&wait=25"))
            .await
            .succeeded(200);
        let rows = page.body["yards"][0]["rows"].as_array().cloned().expect("rows");
        told.extend(
            rows.iter()
                .map(|row| row["id"].as_str().expect("an id").to_owned()),
        );
        cursor = next(&page, 0);
    }
    assert_eq!(told, sent);
    // The other one stops: whoever waits there is answered at once, and goes on here.
    let path = format!("/v1/sync/changes?cursor={cursor}&wait=25");
    let waiting = other.get(&token, &path);
    let stopping = async {
        tokio::time::sleep(Duration::from_millis(700)).await;
        let begun = Instant::now();
        stop.send(()).expect("it runs");
        begun
    };
    let (page, begun) = tokio::join!(waiting, stopping);
    assert!(begun.elapsed() < Duration::from_secs(3), "{:?}", begun.elapsed());
    assert_eq!(next(&page.succeeded(200), 0), cursor);
    ended.await.expect("it ends");
    let page = fleet.pull(&reader, &[&cursor], "").await.succeeded(200);
    assert_eq!(next(&page, 0), cursor);
    fleet.stop().await;
}
