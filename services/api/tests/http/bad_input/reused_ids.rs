//! An id that comes again with other content is a slip of the sender's: the first meaning stays.

use crate::trade::{Fleet, kg, with};
use serde_json::json;

#[actix_web::test]
async fn an_entry_id_with_other_content_is_refused_whatever_the_kind() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("4711").await;
    let id = fleet.new_id();
    let first = with(
        fleet.entry(json!({"reason": "dropped", "note": "from the rack"})),
        &json!({"entry_id": id}),
    );
    let path = format!("/v1/clamps/{clamp}/tag-outs");
    fleet.post(&fleet.operator, &path, &first).await.succeeded(201);
    let before = fleet.app.stored().await;

    let other_note = with(first.clone(), &json!({"note": "from the hook"}));
    let other_time = with(first.clone(), &json!({"performed_at": "2025-03-14T08:59:59Z"}));
    let no_note = with(first.clone(), &json!({"note": null}));
    for other in [&other_note, &other_time, &no_note] {
        let reply = fleet.post(&fleet.operator, &path, other).await;
        reply.refused(409, "id-reused");
    }
    let proof = with(
        fleet.entry(json!({"load": kg("3750"), "result": "passed", "certificate_number": "PT 88"})),
        &json!({"entry_id": id}),
    );
    let other_kind = format!("/v1/clamps/{clamp}/proof-tests");
    fleet
        .post(&fleet.technician, &other_kind, &proof)
        .await
        .refused(409, "id-reused");
    // Another author: the content names who did it.
    let path_again = fleet.post(&fleet.keeper, &path, &first).await;
    path_again.refused(409, "id-reused");
    let registration = with(
        fleet.entry(fleet.registration(&fleet.new_id(), "4712")),
        &json!({"entry_id": id}),
    );
    fleet
        .post(&fleet.lead, "/v1/clamps", &registration)
        .await
        .refused(409, "id-reused");
    assert_eq!(fleet.app.stored().await, before);

    let same = fleet.post(&fleet.operator, &path, &first).await.succeeded(200);
    assert_eq!(same.body["outcome"], "already_recorded");
    assert_eq!(fleet.app.stored().await, before);
    fleet.stop().await;
}

// A lift check is judged anew each time, also under an id that was used before: it promises nothing to anybody.
#[actix_web::test]
async fn a_lift_checks_id_with_another_question_gets_an_answer_of_its_own() {
    let fleet = Fleet::start().await;
    let clamp = fleet.fit_clamp("4711").await;
    let id = fleet.new_id();
    let ask = async |plate: &str| {
        let question =
            json!({"id": id, "plate": {"mass": kg(plate), "thickness": {"value": "20", "unit": "mm"}}});
        fleet
            .lift(&fleet.operator, &[&clamp], question)
            .await
            .succeeded(200)
    };
    assert_eq!(ask("1500").await.text("/decision"), "clear");
    let (position, answers) = fleet.app.stored().await;
    assert_eq!(ask("3001").await.text("/decision"), "stop");
    assert_eq!(
        fleet.app.stored().await,
        (position, answers + 1),
        "both answers are kept"
    );
    fleet.stop().await;
}
