//! One method per endpoint of a clamp, and what tests ask of the answers.

use super::fleet::{Fleet, Person, kg, mm, with};
use crate::support::Reply;
use serde_json::{Value, json};

macro_rules! entry_endpoints {
    ($($method:ident => $path:literal;)+) => {
        impl Fleet {
            $(pub async fn $method(&self, by: &Person, clamp: &str, body: Value) -> Reply {
                self.record(by, clamp, $path, body).await
            })+
        }
    };
}
entry_endpoints! {
    inspect => "inspections";
    tag_out => "tag-outs";
    repair => "repairs";
    proof_test => "proof-tests";
    return_to_service => "returns-to-service";
    transfer => "transfers";
    classify => "classifications";
    issue => "issues";
    receive => "receipts";
    amend => "amendments";
    retire => "retirement";
    used => "uses";
}

impl Fleet {
    /// The body with an id of its own and the time now, unless it has them.
    pub fn entry(&self, body: Value) -> Value {
        with(
            json!({"entry_id": self.new_id(), "performed_at": self.now().to_string()}),
            &body,
        )
    }
    async fn record(&self, by: &Person, clamp: &str, kind: &str, body: Value) -> Reply {
        let entry = self.entry(body);
        let reply = self.post(by, &format!("/v1/clamps/{clamp}/{kind}"), &entry).await;
        self.later();
        reply
    }
    pub async fn register(&self, by: &Person, body: Value) -> Reply {
        let reply = self.post(by, "/v1/clamps", &self.entry(body)).await;
        self.later();
        reply
    }
    pub async fn confirm_return(&self, by: &Person, clamp: &str, entry: &str) -> Reply {
        self.record(
            by,
            clamp,
            &format!("returns-to-service/{entry}/confirmation"),
            json!({}),
        )
        .await
    }
    pub async fn confirm_amendment(&self, by: &Person, clamp: &str, entry: &str) -> Reply {
        self.record(by, clamp, &format!("amendments/{entry}/confirmation"), json!({}))
            .await
    }
    pub async fn clamp(&self, by: &Person, clamp: &str) -> Reply {
        self.get(by, &format!("/v1/clamps/{clamp}")).await
    }
    pub async fn clamp_then(&self, by: &Person, clamp: &str, query: &str) -> Reply {
        self.get(by, &format!("/v1/clamps/{clamp}?{query}")).await
    }
    pub async fn fitness(&self, by: &Person, clamp: &str) -> Reply {
        self.get(by, &format!("/v1/clamps/{clamp}/fitness")).await
    }
    pub async fn fitness_of_mark(&self, by: &Person, mark: &str) -> Reply {
        self.get(by, &format!("/v1/fitness?mark={}", mark.replace(' ', "%20")))
            .await
    }
    pub async fn history(&self, by: &Person, clamp: &str) -> Reply {
        self.get(by, &format!("/v1/clamps/{clamp}/entries")).await
    }
    /// A lift check: straight up, a plate of 1,500 kg and 20 mm, everything in order but for `more`.
    pub async fn lift(&self, by: &Person, clamps: &[&str], more: Value) -> Reply {
        let lift = json!({
            "id": self.new_id(), "clamps": clamps, "plate": {"mass": kg("1500"), "thickness": mm("20")},
            "surface": "clean", "hardness_hb": 180, "temperature": {"value": "15", "unit": "Cel"}, "lift": "vertical",
            "legs": clamps.len(), "angle_from_horizontal": {"value": "90", "unit": "deg"}, "clamp_spacing": mm("2000"),
            "every_lift_check": "passed",
        });
        self.post(by, "/v1/lift-checks", &with(lift, &more)).await
    }
    /// Every reason why the clamp is not fit now; none if it is fit.
    pub async fn reasons(&self, clamp: &str) -> Vec<String> {
        let fitness = self.fitness(&self.safety, clamp).await.succeeded(200);
        let reasons = codes(&fitness.body["reasons"]);
        assert_eq!(fitness.body["fit"], reasons.is_empty(), "{}", fitness.body);
        reasons
    }
    /// What its open lock-outs are for.
    pub async fn open_lockouts(&self, clamp: &str) -> Vec<String> {
        let view = self.clamp(&self.safety, clamp).await.succeeded(200);
        let open = view.body["open_lockouts"].as_array().cloned().unwrap_or_default();
        let what = |lockout: &Value| lockout.get("criterion").or(lockout.get("reason")).cloned();
        let mut open: Vec<String> = open
            .iter()
            .filter_map(|lockout| what(lockout)?.as_str().map(str::to_owned))
            .collect();
        open.sort();
        open
    }
    /// Number of entries recorded of the clamp.
    pub async fn recorded(&self, clamp: &str) -> u64 {
        self.clamp(&self.safety, clamp).await.succeeded(200).body["seq"]
            .as_u64()
            .expect("a number")
    }

    /// A clamp at Newport that awaits its initial inspection.
    pub async fn new_clamp(&self, number: &str) -> String {
        let id = self.new_id();
        self.register(&self.lead, self.registration(&id, number))
            .await
            .succeeded(201);
        id
    }
    /// A registration at Newport.
    pub fn registration(&self, id: &str, number: &str) -> Value {
        json!({"id": id, "asset_mark": format!("HMW-{number}"), "serial_number": number, "model_id": self.model,
            "yard_id": self.newport, "service_class": "normal"})
    }
    /// A clamp at Newport in service.
    pub async fn fit_clamp(&self, number: &str) -> String {
        let id = self.new_clamp(number).await;
        self.inspect(&self.inspector, &id, super::bodies::accepted("initial"))
            .await
            .succeeded(201);
        assert_eq!(self.reasons(&id).await, [""; 0]);
        id
    }
    /// A clamp at Clydebank, thoroughly examined.
    pub async fn british_clamp(&self, number: &str) -> String {
        let id = self.new_id();
        let registration = with(
            self.registration(&id, number),
            &json!({"yard_id": self.clydebank}),
        );
        self.register(&self.stranger, registration).await.succeeded(201);
        let examination = with(
            super::bodies::accepted("periodic"),
            &json!({"basis": "first_use"}),
        );
        self.inspect(&self.stranger, &id, examination)
            .await
            .succeeded(201);
        assert_eq!(self.reasons(&id).await, [""; 0]);
        id
    }
    /// A clamp at Newport that was in service and is rejected for a criterion; answers it with the lock-out.
    pub async fn rejected_clamp(&self, number: &str, criterion: &str) -> (String, String) {
        let id = self.fit_clamp(number).await;
        let lockout = self.reject(&id, criterion).await;
        (id, lockout)
    }
    /// Rejects a clamp for a criterion; answers the lock-out.
    pub async fn reject(&self, clamp: &str, criterion: &str) -> String {
        let rejecting = super::bodies::finding(
            super::bodies::accepted("frequent"),
            criterion,
            json!({"outcome": "reject"}),
        );
        opened(
            &self
                .inspect(&self.inspector, clamp, rejecting)
                .await
                .succeeded(201),
            criterion,
        )
    }
    /// A repair by the technician and the inspection after it by the inspector; answers both and the repair's lock-out.
    pub async fn repair_and_inspect(&self, clamp: &str, repair: Value) -> Repaired {
        let repaired = self.repair(&self.technician, clamp, repair).await.succeeded(201);
        let inspected = self
            .inspect(
                &self.inspector,
                clamp,
                super::bodies::after_repair(&repaired.entry_id()),
            )
            .await
            .succeeded(201);
        Repaired {
            repair: repaired.entry_id(),
            inspection: inspected.entry_id(),
            not_reinspected: opened(&repaired, "not_reinspected"),
            opened: repaired.body["result"]["opened"].clone(),
        }
    }
}

/// A repair with the inspection after it.
pub struct Repaired {
    pub repair: String,
    pub inspection: String,
    pub not_reinspected: String,
    pub opened: Value,
}

impl Reply {
    /// The entry that was recorded.
    pub fn entry_id(&self) -> String {
        self.text("/entry_id")
    }
    /// Codes of the conditions of a return that do not hold.
    #[track_caller]
    pub fn unmet(&self) -> Vec<String> {
        self.refused(409, "release-not-supported");
        let (detail, first) = (self.text("/detail"), self.text("/unmet/0/detail"));
        assert!(detail.contains(&first), "{detail} does not say: {first}");
        codes(&self.body["unmet"])
    }
    /// Codes of the reasons that stop a lift.
    #[track_caller]
    pub fn refused_lift(&self) -> Vec<String> {
        assert_eq!(
            (self.status, &self.body["decision"]),
            (200, &json!("stop")),
            "{}",
            self.body
        );
        codes(&self.body["reasons"])
    }
    pub fn remarks(&self) -> Vec<String> {
        codes(&self.body["result"]["remarks"])
    }
}

/// The codes of a list of coded things, in order, each once.
pub fn codes(list: &Value) -> Vec<String> {
    let mut codes: Vec<String> = list
        .as_array()
        .into_iter()
        .flatten()
        .filter_map(|item| item["code"].as_str().map(str::to_owned))
        .collect();
    codes.sort();
    codes.dedup();
    codes
}
/// The lock-out that an entry opened for a criterion or reason.
#[track_caller]
pub fn opened(reply: &Reply, what: &str) -> String {
    find(&reply.body["result"]["opened"], what)
}
#[track_caller]
pub fn find(opened: &Value, what: &str) -> String {
    let mut fitting = opened
        .as_array()
        .into_iter()
        .flatten()
        .filter(|lockout| lockout["criterion"] == what || lockout["reason"] == what)
        .filter_map(|lockout| lockout["id"].as_str());
    fitting
        .next()
        .unwrap_or_else(|| panic!("no lock-out {what} in {opened}"))
        .to_owned()
}
