//! The same cases inside a batch: the bad element is held and says what is wrong with it, the one beside it is recorded.

use super::Case;
use super::endpoints::Endpoint;
use crate::support::Tablet;
use crate::trade::Fleet;
use crate::trade::bodies::tag_out;
use serde_json::{Value, json};

/// A tablet, and the clamp that its entries are about.
pub struct Batches<'a> {
    fleet: &'a Fleet,
    tablet: Tablet<'a>,
    clamp: String,
}

/// The kind of the entries that an endpoint records.
fn kind(endpoint: &Endpoint) -> Option<&'static str> {
    let step = endpoint.path.strip_prefix("/v1/clamps")?;
    Some(match step.rsplit('/').next()? {
        "" => "registered",
        "inspections" => "inspected",
        "tag-outs" => "tagged_out",
        "repairs" => "repaired",
        "proof-tests" => "proof_tested",
        "returns-to-service" => "returned_to_service",
        "transfers" => "transferred",
        "issues" => "issued",
        "receipts" => "received",
        "classifications" => "classified",
        "amendments" => "amended",
        "uses" => "used",
        "retirement" => "retired",
        _ => return None,
    })
}

impl<'a> Batches<'a> {
    pub async fn start(fleet: &'a Fleet) -> Self {
        Self {
            tablet: fleet.tablet(&[&fleet.newport, &fleet.galveston]).await,
            clamp: fleet.fit_clamp("4799").await,
            fleet,
        }
    }

    /// Tries a case of an entry endpoint at its place in a batch.
    pub async fn try_inside(&self, case: &Case, endpoint: &Endpoint, pointer: &str) {
        let Some(kind) = kind(endpoint) else { return };
        let mut body = endpoint.good.clone();
        let fields = body.as_object_mut().expect("an object");
        for envelope in ["id", "entry_id", "performed_at"] {
            fields.remove(envelope);
        }
        let clamp = if kind == "registered" {
            self.fleet.new_id()
        } else {
            self.clamp.clone()
        };
        let element = Endpoint {
            name: endpoint.name,
            method: "POST",
            path: String::new(),
            token: String::new(),
            etag: None,
            good: self.tablet.writes(&self.fleet.operator, &clamp, kind, body),
            fields: &[],
        };
        let place = match pointer {
            "/performed_at" => pointer.to_owned(),
            "/entry_id" => "/id".to_owned(),
            "/id" => "/clamp_id".to_owned(),
            within => format!("/body{within}"),
        };
        let (broken, place) = case.broken(&element, &place);
        let good = self.tablet.writes(
            &self.fleet.operator,
            &self.clamp,
            "tagged_out",
            tag_out("dropped"),
        );
        let what = format!("{} in a batch, {kind} at {place}", case.what);
        let pushed = self.tablet.sends(&[broken, good.to_string()]).await;
        assert_eq!(pushed.status, 200, "{what}: {}", pushed.body);
        let results = pushed.body["results"].as_array().expect("results");
        assert_eq!(results[1]["outcome"], "recorded", "beside {what}: {}", results[1]);
        assert_eq!(results[0]["outcome"], "held", "{what}: {}", results[0]);
        if results[0]["held"] == "unreadable" {
            let errors = results[0]["problem"]["errors"]
                .as_array()
                .cloned()
                .unwrap_or_default();
            let named = |error: &Value| error["pointer"] == json!(place) && error["code"] == case.fault;
            assert!(
                errors.iter().any(named),
                "{what}: {place} {} in {}",
                case.fault,
                results[0]
            );
        }
    }
}
