//! What a careless or hostile sender may put into a batch: the bad element is answered by its index, the others are
//! recorded, and the service never fails over it.

use crate::trade::bodies::*;
use crate::trade::fleet::Fleet;
use serde_json::{Value, json};
use std::io::Write;

#[actix_web::test]
async fn one_bad_element_is_answered_by_its_index_and_the_others_are_recorded() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("4711").await;
    let tablet = fleet.tablet(&[&fleet.newport]).await;
    let text = tablet
        .writes(
            &fleet.operator,
            &clamp,
            "tagged_out",
            json!({"reason": "dropped", "note": "@"}),
        )
        .to_string();
    let now = fleet.now().to_string();
    let deep = format!("{}{}", "[".repeat(10_000), "]".repeat(10_000));
    let bad = [
        ("a lone surrogate", text.replace("\"@\"", "\"\\ud800\"")),
        ("NaN", text.replace("\"@\"", "NaN")),
        ("2^53 + 1", text.replace("\"@\"", "9007199254740993")),
        ("a decimal", text.replace("\"@\"", "0.1")),
        ("a key twice", text.replace("\"@\"", "\"@\",\"note\":\"@\"")),
        ("depth 10,000", text.replace("\"@\"", &deep)),
        ("a NUL", text.replace("\"@\"", "\"\\u0000\"")),
        ("an unknown field", text.replace("\"note\"", "\"nota\"")),
        ("an unknown word", text.replace("\"dropped\"", "\"tired\"")),
        (
            "a list for an object",
            text.replace("{\"reason\"", "[{\"reason\"")
                .replace("\"@\"}", "\"@\"}]"),
        ),
        ("no id", text.replace("\"id\":", "\"it\":")),
        ("a derived id", text.replace("-7000-8000-", "-5000-8000-")),
        ("a day for an instant", text.replace(&now, "2025-03-14")),
        ("a time without offset", text.replace(&now, "2025-03-14T09:00:00")),
        ("a number", "17".to_owned()),
        ("null", "null".to_owned()),
        ("nothing", "{}".to_owned()),
        ("65 KiB", text.replace('@', &"x".repeat(65 << 10))),
    ];
    let mut elements = Vec::new();
    for (what, element) in &bad {
        assert_ne!(*element, text, "{what}");
        elements.push(element.clone());
        let good = tablet.writes(&fleet.operator, &clamp, "tagged_out", tag_out("dropped"));
        elements.push(good.to_string());
    }
    let pushed = tablet.sends(&elements).await.succeeded(200);
    let results = pushed.body["results"].as_array().expect("results");
    assert_eq!(results.len(), elements.len());
    for (index, result) in results.iter().enumerate() {
        assert_eq!(result["index"], json!(index));
        let (what, _) = &bad[index / 2];
        if index % 2 == 1 {
            assert_eq!(result["outcome"], "recorded", "beside {what}: {result}");
        } else {
            assert_eq!(
                (&result["outcome"], &result["held"]),
                (&json!("held"), &json!("unreadable")),
                "{what}: {result}"
            );
            let errors = result["problem"]["errors"].as_array().expect("errors");
            assert!(
                errors
                    .iter()
                    .all(|error| error["detail"].as_str().is_some_and(|detail| detail.len() > 5)),
                "{what}"
            );
        }
    }
    let before = fleet.app.stored().await;
    let again = tablet.sends(&elements).await.succeeded(200);
    assert_eq!(fleet.app.stored().await, before, "kept once");
    assert!(
        again.body["results"]
            .as_array()
            .expect("results")
            .iter()
            .all(|result| result["outcome"] != "recorded")
    );
    fleet.app.verify().await;
    fleet.stop().await;
}

#[actix_web::test]
async fn a_batch_of_499_and_of_500_is_taken_and_one_of_501_is_refused_as_a_whole() {
    let fleet = Fleet::start().await;
    let mut clamps = Vec::new();
    for number in 0..10 {
        clamps.push(fleet.new_clamp(&format!("N{number}")).await);
    }
    let tablet = fleet.tablet(&[&fleet.newport]).await;
    for (entries, taken) in [(499, true), (500, true), (501, false)] {
        let batch: Vec<String> = (0..entries)
            .map(|number: usize| {
                tablet
                    .writes(
                        &fleet.operator,
                        &clamps[number % 10],
                        "tagged_out",
                        tag_out("dropped"),
                    )
                    .to_string()
            })
            .collect();
        let before = fleet.app.stored().await;
        let reply = tablet.sends(&batch).await;
        if taken {
            let reply = reply.succeeded(200);
            let results = reply.body["results"].as_array().expect("results");
            assert_eq!(results.len(), entries);
            assert!(results.iter().all(|result| result["outcome"] == "recorded"));
            assert_eq!(reply.body["missing"], json!([]));
        } else {
            reply.refused(413, "body-too-large");
            assert_eq!(
                (&reply.body["limit"], fleet.app.stored().await),
                (&json!(500), before)
            );
        }
    }
    fleet.stop().await;
}

#[actix_web::test]
async fn compressed_batches_are_read_up_to_four_mebibytes_and_a_bomb_does_not_go_off() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("4711").await;
    let tablet = fleet.tablet(&[&fleet.newport]).await;
    let gzip = |bytes: &[u8]| {
        let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::best());
        encoder.write_all(bytes).expect("compressed");
        encoder.finish().expect("compressed")
    };
    let zstd = |bytes: &[u8]| zstd::encode_all(bytes, 9).expect("compressed");
    // Larger than other bodies may be.
    let large: Vec<String> = (0..60)
        .map(|_| {
            let note = json!({"reason": "dropped", "note": "x".repeat(3_900)});
            let entry = tablet.writes(&fleet.operator, &clamp, "tagged_out", note);
            format!("{}{}", " ".repeat(20_000), entry)
        })
        .collect();
    let text = tablet.text(&large).into_bytes();
    assert!(text.len() > 1 << 20);
    for (bytes, coding) in [
        (gzip(&text), Some("gzip")),
        (zstd(&text), Some("zstd")),
        (text, None),
    ] {
        let reply = tablet.sends_bytes(bytes, coding).await.succeeded(200);
        let results = reply.body["results"].as_array().expect("results");
        assert!(results.iter().all(|result| {
            result["outcome"]
                .as_str()
                .is_some_and(|outcome| outcome.ends_with("recorded"))
        }));
    }
    let zeros = vec![0_u8; 64 << 20];
    for (bomb, coding) in [(gzip(&zeros), "gzip"), (zstd(&zeros), "zstd")] {
        assert!(bomb.len() < 100_000);
        tablet
            .sends_bytes(bomb, Some(coding))
            .await
            .refused(413, "body-too-large");
    }
    let spaces = vec![b' '; (4 << 20) + 1];
    tablet
        .sends_bytes(spaces, None)
        .await
        .refused(413, "body-too-large");
    tablet
        .sends_bytes(b"not gzip".to_vec(), Some("gzip"))
        .await
        .refused(400, "malformed-json");
    fleet.stop().await;
}

#[actix_web::test]
async fn an_envelope_that_cannot_be_read_is_refused_as_a_whole_and_names_the_place() {
    let fleet = Fleet::start().await;
    let tablet = fleet.tablet(&[&fleet.newport]).await;
    let good = tablet.text(&[]);
    for (wrong, status, code, pointer) in [
        (String::new(), 400, "malformed-json", ""),
        ("[]".to_owned(), 422, "invalid-input", ""),
        (good.replace("[]", "{}"), 422, "invalid-input", "/entries"),
        (
            good.replace("\"queue_length\":0", "\"queue\":0"),
            422,
            "invalid-input",
            "/queue",
        ),
        (
            good.replace("\"queue_length\":0", "\"queue_length\":-1"),
            422,
            "invalid-input",
            "/queue_length",
        ),
        (
            good.replace("\"queue_length\":0", "\"queue_length\":0,\"queue_length\":0"),
            400,
            "malformed-json",
            "/queue_length",
        ),
    ] {
        let reply = tablet.sends_bytes(wrong.clone().into_bytes(), None).await;
        reply.refused(status, code);
        let errors = reply.body["errors"].as_array().cloned().unwrap_or_default();
        let named = |error: &Value| {
            error["pointer"]
                .as_str()
                .is_some_and(|at| at.starts_with(pointer))
        };
        assert!(errors.iter().any(named), "{wrong}: {}", reply.body);
    }
    let torn = good.replace("[]", "[{]");
    tablet
        .sends_bytes(torn.into_bytes(), None)
        .await
        .refused(400, "malformed-json");
    fleet.stop().await;
}
