//! Lists: pages, keys, filters, and the same as CSV and as JSON lines.

use crate::support::{Reply, TestApp};
use crate::trade::{Fleet, Person, with};
use clampward_api::config::Limits;
use serde_json::{Value, json};
use std::io::{Read, Write};
use std::net::TcpStream;

/// The lists of the contract that can be had as streams, with who reads each here and a filter that it has.
fn lists(fleet: &Fleet, clamp: &str) -> Vec<(String, Person)> {
    vec![
        ("/v1/clamps".to_owned(), fleet.safety.clone()),
        (format!("/v1/clamps/{clamp}/entries"), fleet.safety.clone()),
        ("/v1/yards".to_owned(), fleet.administrator.clone()),
        ("/v1/models".to_owned(), fleet.administrator.clone()),
        ("/v1/users".to_owned(), fleet.administrator.clone()),
        ("/v1/service-accounts".to_owned(), fleet.administrator.clone()),
        (
            format!("/v1/users/{}/competences", fleet.technician.id),
            fleet.administrator.clone(),
        ),
        ("/v1/criteria".to_owned(), fleet.safety.clone()),
    ]
}

impl Fleet {
    /// Two service accounts.
    async fn programs(&self) {
        for name in ["Plant ERP", "Plate saw"] {
            let new = json!({"name": name, "yards": "all"});
            self.post(&self.administrator, "/v1/service-accounts", &new)
                .await
                .succeeded(201);
        }
    }
    async fn accept(&self, by: &Person, path: &str, accept: &str) -> Reply {
        let call = self.app.call("GET", path).token(&self.token(by));
        call.header("Accept", accept).send().await
    }
    /// Every item, one page after another.
    async fn paged(&self, by: &Person, path: &str, limit: usize) -> Vec<Value> {
        let mut items = Vec::new();
        let mut next = Value::Null;
        let and = if path.contains('?') { '&' } else { '?' };
        loop {
            let after = next
                .as_str()
                .map(|key| format!("&after={key}"))
                .unwrap_or_default();
            let page = self
                .get(by, &format!("{path}{and}limit={limit}{after}"))
                .await
                .succeeded(200);
            let here = page.body["items"].as_array().cloned().expect("items");
            assert!(here.len() <= limit, "{path}: {} items", here.len());
            items.extend(here);
            next = page.body["next"].clone();
            if next.is_null() {
                return items;
            }
        }
    }
}

/// What may differ between two questions: when and at which position they were asked.
fn timeless(mut item: Value) -> Value {
    if let Some(fields) = item.as_object_mut() {
        for name in ["as_of", "known_at", "position"] {
            fields.remove(name);
        }
        if let Some(fitness) = fields.get_mut("fitness") {
            *fitness = timeless(fitness.take());
        }
    }
    item
}
fn all_timeless(items: Vec<Value>) -> Vec<Value> {
    items.into_iter().map(timeless).collect()
}

#[actix_web::test]
async fn every_list_says_the_same_in_pages_as_json_lines_and_as_csv() {
    let fleet = Fleet::start().await;
    let (clamp, _) = fleet.rejected_clamp("4711", "shackle_eye_worn").await;
    fleet.fit_clamp("4712").await;
    fleet.british_clamp("4713").await;
    fleet.programs().await;
    for (path, by) in lists(&fleet, &clamp) {
        let whole = if path == "/v1/criteria" {
            let page = fleet.get(&by, &path).await.succeeded(200);
            page.body["items"].as_array().cloned().expect("items")
        } else {
            fleet.paged(&by, &path, 200).await
        };
        assert!(!whole.is_empty(), "{path}");

        let lines = fleet
            .accept(&by, &path, "application/x-ndjson")
            .await
            .succeeded(200);
        assert_eq!(
            lines.header("content-type"),
            Some("application/x-ndjson"),
            "{path}"
        );
        assert_eq!(lines.header("etag"), None, "{path}: a stream has no version");
        let mut lines = lines.lines();
        let end = lines.pop();
        assert_eq!(end, Some(json!({"end": true, "items": whole.len()})), "{path}");
        assert_eq!(all_timeless(lines), all_timeless(whole.clone()), "{path}");

        let csv = fleet.accept(&by, &path, "text/csv").await.succeeded(200);
        assert_eq!(
            csv.header("content-type"),
            Some("text/csv; charset=utf-8; header=present"),
            "{path}"
        );
        let name = path.rsplit('/').next().expect("a name");
        let file = format!("attachment; filename=\"{name}.csv\"");
        assert_eq!(csv.header("content-disposition"), Some(file.as_str()));
        let mut rows = csv.rows();
        let heading = rows.remove(0);
        assert_eq!(rows.len(), whole.len(), "{path}");
        for (row, item) in rows.iter().zip(&whole) {
            for (name, cell) in heading.iter().zip(row) {
                match &item[name.as_str()] {
                    Value::String(text) if !matches!(name.as_str(), "as_of" | "body") => {
                        assert_eq!(cell, text, "{path}: {name}")
                    }
                    Value::Bool(value) => assert_eq!(cell, &value.to_string(), "{path}: {name}"),
                    Value::Number(number) if name != "position" => {
                        assert_eq!(cell, &number.to_string(), "{path}: {name}")
                    }
                    _ => {}
                }
            }
        }
        every_column_is_published(&fleet.app, &path, &heading).await;
    }
    fleet.stop().await;
}

/// The contract names every column.
async fn every_column_is_published(app: &TestApp, path: &str, heading: &[String]) {
    let contract = app.call("GET", "/openapi.json").send().await.succeeded(200);
    let steps: Vec<&str> = path.split('/').collect();
    let paths = contract.body["paths"].as_object().expect("paths");
    let (_, item) = paths
        .iter()
        .find(|(template, _)| {
            let template: Vec<&str> = template.split('/').collect();
            template.len() == steps.len()
                && template
                    .iter()
                    .zip(&steps)
                    .all(|(want, got)| want.starts_with('{') || want == got)
        })
        .expect("the operation");
    let description = item["get"]["description"].as_str().unwrap_or_default();
    for name in heading {
        assert!(description.contains(&format!("`{name}`")), "{path}: {name}");
    }
    for media_type in ["application/json", "text/csv", "application/x-ndjson"] {
        assert!(
            item["get"]["responses"]["200"]["content"][media_type].is_object(),
            "{path}: {media_type}"
        );
    }
}

#[actix_web::test]
async fn pages_of_one_item_add_up_to_the_list_and_the_last_one_says_so() {
    let fleet = Fleet::start().await;
    let (clamp, _) = fleet.rejected_clamp("4711", "shackle_eye_worn").await;
    fleet.fit_clamp("4712").await;
    fleet.programs().await;
    for (path, by) in lists(&fleet, &clamp) {
        if path == "/v1/criteria" {
            continue;
        }
        let whole = fleet.paged(&by, &path, 200).await;
        let one_by_one = fleet.paged(&by, &path, 1).await;
        assert_eq!(all_timeless(one_by_one), all_timeless(whole), "{path}");
        for limit in ["0", "201", "-1", "1.5", "x", ""] {
            let refused = fleet.get(&by, &format!("{path}?limit={limit}")).await;
            refused.refused(400, "invalid-parameters");
            assert_eq!(refused.text("/errors/0/pointer"), "/limit", "{path}");
        }
        let unknown = fleet.get(&by, &format!("{path}?colour=red")).await;
        unknown
            .refused(400, "invalid-parameters")
            .at("/colour", "unknown-field");
    }
    fleet.stop().await;
}

#[actix_web::test]
async fn a_history_of_exactly_a_full_page_and_one_more_entry_is_read_to_its_end() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("4711").await;
    for number in 0..200 {
        let note = json!({"reason": "dropped", "note": format!("number {number}")});
        fleet.tag_out(&fleet.operator, &clamp, note).await.succeeded(201);
    }
    let path = format!("/v1/clamps/{clamp}/entries");
    let page = fleet
        .get(&fleet.keeper, &format!("{path}?limit=200"))
        .await
        .succeeded(200);
    assert!(page.body["next"].is_string(), "two more entries follow");
    assert_eq!(fleet.paged(&fleet.keeper, &path, 200).await.len(), 202);
    fleet.stop().await;
}

#[actix_web::test]
async fn a_key_is_good_for_its_own_list_with_its_own_filters_only() {
    let fleet = Fleet::start().await;
    fleet.fit_clamp("4711").await;
    fleet.fit_clamp("4712").await;
    let list = "/v1/clamps?status=in_service&limit=1";
    let first = fleet.get(&fleet.safety, list).await.succeeded(200);
    let key = first.text("/next");
    let second = fleet
        .get(&fleet.safety, &format!("{list}&after={key}"))
        .await
        .succeeded(200);
    assert_ne!(second.text("/items/0/id"), first.text("/items/0/id"));
    // Another size of page is no other filter, and neither is another order of the same.
    let path = format!("/v1/clamps?after={key}&limit=2&status=in_service");
    fleet.get(&fleet.safety, &path).await.succeeded(200);
    for other in [
        format!("/v1/clamps?after={key}"),
        format!("/v1/clamps?status=tagged_out&after={key}"),
        format!("/v1/clamps?status=in_service&fit=true&after={key}"),
        format!("/v1/models?after={key}"),
        format!("/v1/yards?after={key}"),
    ] {
        let refused = fleet.get(&fleet.safety, &other).await;
        refused
            .refused(400, "invalid-parameters")
            .at("/after", "foreign-key");
    }
    for made_up in ["x", "", "MDE5", "%00", "e30"] {
        let refused = fleet
            .get(&fleet.safety, &format!("/v1/clamps?after={made_up}"))
            .await;
        refused.refused(400, "invalid-parameters");
    }
    fleet.stop().await;
}

#[actix_web::test]
async fn an_accept_that_nothing_fits_is_refused_with_what_is_offered() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("4711").await;
    for (path, by) in lists(&fleet, &clamp) {
        let refused = fleet.accept(&by, &path, "text/html, application/json;q=0").await;
        refused.refused(406, "not-acceptable");
        for media_type in ["application/json", "text/csv", "application/x-ndjson"] {
            assert!(refused.text("/detail").contains(media_type), "{}", refused.body);
        }
        let liked = fleet
            .accept(&by, &path, "application/json;q=0.1, text/csv;q=0.9, */*;q=0.5")
            .await
            .succeeded(200);
        assert!(
            liked
                .header("content-type")
                .is_some_and(|kind| kind.starts_with("text/csv"))
        );
        let any = fleet.accept(&by, &path, "*/*").await.succeeded(200);
        assert_eq!(any.header("content-type"), Some("application/json"));
        if path != "/v1/criteria" {
            let paged = fleet.accept(&by, &format!("{path}?limit=1"), "text/csv").await;
            paged
                .refused(400, "invalid-parameters")
                .at("/limit", "not-of-a-stream");
        }
    }
    fleet.stop().await;
}

#[actix_web::test]
async fn a_stream_has_the_filters_and_the_yards_of_its_caller() {
    let fleet = Fleet::start().await;
    let (tagged, _) = fleet.rejected_clamp("4711", "shackle_eye_worn").await;
    let fit = fleet.fit_clamp("4712").await;
    let british = fleet.british_clamp("4713").await;
    let ids = async |by: &Person, query: &str| {
        let path = format!("/v1/clamps{query}");
        let lines = fleet
            .accept(by, &path, "application/x-ndjson")
            .await
            .succeeded(200)
            .lines();
        let ids = lines
            .iter()
            .filter_map(|line| line["id"].as_str().map(str::to_owned));
        ids.collect::<Vec<_>>()
    };
    assert_eq!(
        ids(&fleet.safety, "").await,
        [tagged.clone(), fit.clone(), british.clone()]
    );
    assert_eq!(ids(&fleet.stranger, "").await, [british.as_str()]);
    assert_eq!(ids(&fleet.lead, "").await, [tagged.clone(), fit.clone()]);
    assert_eq!(ids(&fleet.safety, "?fit=true").await, [fit.clone(), british]);
    assert_eq!(ids(&fleet.lead, "?status=tagged_out").await, [tagged.as_str()]);
    assert_eq!(ids(&fleet.lead, "?reason=shackle_eye_worn").await, [tagged]);
    assert_eq!(ids(&fleet.lead, "?mark=hmw%204712").await, [fit]);
    assert!(ids(&fleet.lead, "?maker=Nobody").await.is_empty());
    let theirs = fleet
        .accept(&fleet.lead, "/v1/clamps?colour=red", "text/csv")
        .await;
    theirs.refused(400, "invalid-parameters");
    fleet.stop().await;
}

// Source: OWASP, CSV Injection.
#[actix_web::test]
async fn a_formula_in_a_name_reaches_no_spreadsheet_as_one() {
    let fleet = Fleet::start().await;
    let evil = "=HYPERLINK(\"http://example.test\";\"x\")";
    let id = fleet.new_id();
    let clamp = with(
        fleet.registration(&id, "4711"),
        &json!({"asset_mark": evil, "serial_number": "@SUM(1)"}),
    );
    fleet.register(&fleet.lead, clamp).await.succeeded(201);
    fleet
        .yard("EVL", "Europe/London", "gb-loler", json!({"name": "+1+1"}))
        .await;
    // Separators of spreadsheets, and blanks, before what would be computed.
    fleet
        .yard(
            "EVM",
            "Europe/London",
            "gb-loler",
            json!({"name": "x; =2+2;  -3|@x"}),
        )
        .await;
    for (path, column, cell) in [
        ("/v1/clamps", "asset_mark", format!("'{evil}")),
        ("/v1/yards", "name", "x; '=2+2;  '-3|'@x".to_owned()),
        ("/v1/clamps", "serial_number", "'@SUM(1)".to_owned()),
        ("/v1/yards", "name", "'+1+1".to_owned()),
    ] {
        let rows = fleet
            .accept(&fleet.safety, path, "text/csv")
            .await
            .succeeded(200)
            .rows();
        let at = rows[0]
            .iter()
            .position(|name| name == column)
            .expect("the column");
        assert!(rows.iter().any(|row| row[at] == cell), "{rows:?}");
        let escaped = |cell: &String| !cell.starts_with(['=', '+', '-', '@']);
        assert!(rows.iter().flatten().all(escaped), "{rows:?}");
    }
    fleet.stop().await;
}

/// Goal: who loses access in the middle of a stream gets no more of it, and sees that it is not whole. Method: far more
/// clamps than the buffers between service and reader hold; the access is withdrawn before the reader has taken more
/// than the head, and everything that follows is read.
#[actix_web::test]
async fn a_stream_whose_reader_loses_access_breaks_off_visibly() {
    const CLAMPS: i32 = 24_000;
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("4711").await;
    fleet.app.copies_of(&clamp, CLAMPS).await;
    let address = fleet.app.url.trim_start_matches("http://").to_owned();
    let token = fleet.token(&fleet.lead);
    let head = format!(
        "GET /v1/clamps HTTP/1.1\r\nHost: {address}\r\nAuthorization: Bearer {token}\r\nAccept: application/x-ndjson\r\n\
         Accept-Encoding: identity\r\nConnection: close\r\n\r\n"
    );
    let (mut connection, begun) = actix_web::web::block(move || {
        let mut connection = TcpStream::connect(address).expect("a connection");
        connection.write_all(head.as_bytes()).expect("sent");
        let mut begun = [0; 512];
        let length = connection.read(&mut begun).expect("a head");
        (connection, String::from_utf8_lossy(&begun[..length]).into_owned())
    })
    .await
    .expect("a thread");
    assert!(begun.starts_with("HTTP/1.1 200"), "{begun}");

    let path = format!("/v1/users/{}", fleet.lead.id);
    let administrator = fleet.token(&fleet.administrator);
    let account = fleet.app.get(&administrator, &path).await.succeeded(200);
    fleet
        .app
        .patch(&administrator, &path, account.etag(), &json!({"enabled": false}))
        .await
        .succeeded(200);

    let rest = actix_web::web::block(move || {
        let mut rest = Vec::new();
        // A connection that is reset has ended as well.
        let _ended = connection.read_to_end(&mut rest);
        String::from_utf8_lossy(&rest).into_owned()
    })
    .await
    .expect("a thread");
    assert!(!rest.contains("\"end\":true"), "the stream was whole");
    assert!(!rest.ends_with("0\r\n\r\n"), "the stream ended well");
    let read = begun.matches("\"asset_mark\"").count() + rest.matches("\"asset_mark\"").count();
    assert!(
        read < usize::try_from(CLAMPS).expect("a number"),
        "{read} of {CLAMPS}"
    );
    fleet.app.stop().await;
}

/// Goal: one account that does not read keeps nobody from exports. Method: as many of one account's as may be are begun and
/// not read, each far longer than what the buffers hold; then another account takes a snapshot.
#[actix_web::test]
async fn exports_that_one_account_does_not_read_leave_room_for_others() {
    const CLAMPS: i32 = 24_000;
    let fleet = Fleet::start_with(Limits {
        exports: 2,
        ..Limits::default()
    })
    .await;
    let clamp = fleet.fit_clamp("4711").await;
    fleet.app.copies_of(&clamp, CLAMPS).await;
    let address = fleet.app.url.trim_start_matches("http://").to_owned();
    let token = fleet.token(&fleet.lead);
    let head = format!(
        "GET /v1/clamps HTTP/1.1\r\nHost: {address}\r\nAuthorization: Bearer {token}\r\nAccept: application/x-ndjson\r\n\
         Accept-Encoding: identity\r\nConnection: close\r\n\r\n"
    );
    let begin = async || {
        let (address, head) = (address.clone(), head.clone());
        let begun = actix_web::web::block(move || {
            let mut connection = TcpStream::connect(address).expect("a connection");
            connection.write_all(head.as_bytes()).expect("sent");
            let mut head = Vec::new();
            while !head.ends_with(b"\r\n\r\n") {
                let mut byte = [0];
                connection.read_exact(&mut byte).expect("a head");
                head.extend(byte);
            }
            (connection, String::from_utf8_lossy(&head).into_owned())
        });
        begun.await.expect("a thread")
    };
    let (unread, first) = begin().await;
    assert!(first.starts_with("HTTP/1.1 200"), "{first}");
    let (_refused, second) = begin().await;
    assert!(second.starts_with("HTTP/1.1 503"), "{second}");
    assert!(second.to_lowercase().contains("retry-after"), "{second}");
    let reader = fleet
        .person("Newport Reader", &["integration"], &json!([fleet.clydebank]))
        .await;
    let path = format!("/v1/sync/snapshot?yard={}", fleet.clydebank);
    let lines = fleet.get(&reader, &path).await.succeeded(200).lines();
    assert_eq!(lines[lines.len() - 1]["end"], true);
    drop(unread);
    fleet.app.stop().await;
}
