//! The examples of the contract: recorded from a running service over the invented fleet, never written by hand.
//!
//! The fleet's history ends on a fixed day and the clock stands on it, so every run records the same. What is random in
//! each run (ids made by the service, tokens) is replaced. `cargo xtask openapi --examples` writes them anew.

mod devices;
mod recorder;
mod script;
mod sync;

use recorder::Recorder;

/// Where they are kept; the document builder includes them from there.
const FILE: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../../openapi/examples.json");

#[actix_web::test]
async fn the_examples_of_the_contract_are_what_the_service_answers() {
    let mut recorder = Recorder::start().await;
    script::run(&mut recorder).await;
    let recorded = recorder.finish().await;
    if std::env::var_os("CLAMPWARD_WRITE_EXAMPLES").is_some() {
        std::fs::write(FILE, recorded).expect("the file is written");
        return;
    }
    let kept = std::fs::read_to_string(FILE).expect("openapi/examples.json");
    for (line, (kept, recorded)) in kept.lines().zip(recorded.lines()).enumerate() {
        assert_eq!(
            kept,
            recorded,
            "openapi/examples.json:{}: `cargo xtask openapi --examples` writes them anew",
            line + 1
        );
    }
    assert_eq!(kept.len(), recorded.len());
}
