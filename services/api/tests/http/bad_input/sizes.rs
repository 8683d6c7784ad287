//! More than anybody writes.

use super::Field::Text;
use super::{endpoints, instead, invalid};
use crate::trade::Fleet;

#[actix_web::test]
async fn a_text_longer_than_its_limit_is_refused_at_its_place() {
    let fleet = Fleet::start().await;
    let endpoints = endpoints::all(&fleet).await;
    let long = invalid(
        "a million letters",
        Text,
        instead(&format!("\"{}\"", "x".repeat(1_000_000))),
        "",
        "",
    );
    for endpoint in &endpoints {
        for (_, pointer) in endpoint.fields.iter().filter(|(field, _)| *field == Text) {
            let before = fleet.app.stored().await;
            let (body, _) = long.broken(endpoint, pointer);
            let reply = endpoint.send(&fleet.app, body.into_bytes()).await;
            reply.refused(422, "invalid-input");
            assert_eq!(reply.text("/errors/0/pointer"), *pointer, "{}", endpoint.name);
            assert!(
                reply.body.to_string().len() < 4_000,
                "the answer does not repeat it"
            );
            assert_eq!(fleet.app.stored().await, before, "{}", endpoint.name);
        }
    }
    fleet.stop().await;
}

#[actix_web::test]
async fn a_note_of_a_mebibyte_makes_the_body_too_large() {
    let fleet = Fleet::start().await;
    let endpoints = endpoints::all(&fleet).await;
    let large = invalid(
        "a mebibyte",
        Text,
        instead(&format!("\"{}\"", "x".repeat(1 << 20))),
        "",
        "",
    );
    for endpoint in &endpoints {
        for (_, pointer) in endpoint.fields.iter().filter(|(field, _)| *field == Text) {
            let before = fleet.app.stored().await;
            let (body, _) = large.broken(endpoint, pointer);
            let reply = endpoint.send(&fleet.app, body.into_bytes()).await;
            reply.refused(413, "body-too-large");
            assert!(reply.text("/detail").contains("1048576"), "{}", reply.body);
            assert_eq!(fleet.app.stored().await, before, "{}", endpoint.name);
        }
    }
    fleet.stop().await;
}
