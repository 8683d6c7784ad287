//! Asking whether a clamp is fit: who may ask is found out before what is asked, and anew with every question.

use super::fleet::Fleet;
use serde_json::json;

#[actix_web::test]
async fn who_may_not_come_in_learns_nothing_of_the_question_and_others_what_is_wrong_with_it() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("1").await;
    for path in ["/v1/clamps/no-id", &format!("/v1/clamps/{clamp}")] {
        let asking = format!("{path}/fitness");
        fleet
            .app
            .call("GET", &asking)
            .send()
            .await
            .refused(401, "not-signed-in");
        let whole = fleet.get(&fleet.keeper, path).await;
        let fitness = fleet.get(&fleet.keeper, &asking).await;
        assert_eq!(fitness.status, whole.status, "{}", fitness.body);
        assert_eq!(fitness.body["code"], whole.body["code"]);
    }
    let unknown = fleet
        .get(&fleet.keeper, &format!("/v1/clamps/{clamp}/fitness?colour=red"))
        .await;
    assert_eq!(unknown.status, 400, "{}", unknown.body);
    // Of another yard, and not there at all.
    let nowhere = fleet.new_id();
    for (asker, clamp) in [(&fleet.stranger, &clamp), (&fleet.keeper, &nowhere)] {
        fleet.fitness(asker, clamp).await.refused(404, "not-found");
    }
    fleet.stop().await;
}

#[actix_web::test]
async fn an_account_that_was_closed_and_a_yard_that_was_taken_away_are_felt_by_the_next_question() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("1").await;
    let path = format!("/v1/users/{}", fleet.keeper.id);
    let administrator = fleet.token(&fleet.administrator);
    for (change, status, code) in [
        (json!({"yards": [fleet.galveston]}), 404, "not-found"),
        (json!({"yards": [fleet.newport]}), 200, ""),
        (json!({"enabled": false}), 401, "not-signed-in"),
    ] {
        let read = fleet.app.get(&administrator, &path).await.succeeded(200);
        fleet
            .app
            .patch(&administrator, &path, read.etag(), &change)
            .await
            .succeeded(200);
        let asked = fleet.fitness(&fleet.keeper, &clamp).await;
        assert_eq!(asked.status, status, "{change}: {}", asked.body);
        assert_eq!(asked.body["code"].as_str().unwrap_or_default(), code);
    }
    fleet.stop().await;
}
