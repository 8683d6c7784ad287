//! Mail servers that misbehave, workers that die, recipients that are gone: nothing is lost, and a repeat can be told.

use crate::desk::{Desk, NORTH_LEAD, worker};
use crate::support::world::*;
use clampward_domain::words::LockoutReason;
use clampward_testkit::mail::Manner;
use jiff::SignedDuration;

fn minutes(minutes: i64) -> SignedDuration {
    SignedDuration::from_mins(minutes)
}

async fn tagged_out() -> Desk {
    let desk = Desk::open().await;
    let clamp = desk.clamp("17").await;
    desk.world
        .does(OPERATOR, clamp, tag_out(LockoutReason::Dropped))
        .await;
    desk
}

#[tokio::test]
async fn a_worker_that_dies_before_it_sends_has_its_mail_sent_by_the_next_one() {
    let desk = tagged_out().await;
    let store = &desk.world.bench.store;
    desk.worker.raise().await.unwrap();
    // It puts both mails together and is gone.
    for _ in 0..2 {
        let (token, id) = (desk.world.uuid(), desk.world.uuid());
        assert!(store.claim_mail(token, id, minutes(2)).await.unwrap().is_some());
    }
    let other = worker(&desk.world, desk.catcher.port);
    assert!(!other.send_one().await.unwrap(), "somebody has it under lease");
    desk.later(minutes(3));
    while other.send_one().await.unwrap() {}
    assert_eq!(desk.counts()["northlead"], 1);
    desk.later(minutes(60));
    desk.catch_up().await;
    assert_eq!(desk.counts()["northlead"], 1);
}

#[tokio::test]
async fn who_sent_a_mail_late_does_not_end_the_lease_of_another() {
    let desk = tagged_out().await;
    let store = &desk.world.bench.store;
    desk.worker.raise().await.unwrap();
    let first = desk.world.uuid();
    let slow = store
        .claim_mail(first, desk.world.uuid(), minutes(2))
        .await
        .unwrap()
        .unwrap();
    desk.later(minutes(3));
    let second = desk.world.uuid();
    let again = store
        .claim_mail(second, desk.world.uuid(), minutes(2))
        .await
        .unwrap()
        .unwrap();
    assert_eq!((slow.id, slow.notices.len()), (again.id, again.notices.len()));
    assert_eq!((slow.attempt, again.attempt), (1, 2));
    assert!(!store.mail_sent(&slow, first).await.unwrap());
    assert!(store.mail_sent(&again, second).await.unwrap());
    assert!(!store.mail_failed(&slow, first, "late", None).await.unwrap());
}

#[tokio::test]
async fn a_mail_of_which_nobody_knows_whether_it_went_is_sent_again_under_the_same_id() {
    let desk = tagged_out().await;
    desk.catcher.behave(Manner::BreaksOff);
    desk.catch_up().await;
    desk.catcher.behave(Manner::Takes);
    desk.later(minutes(1));
    desk.catch_up().await;
    let mails = desk.caught()["northlead"].clone();
    assert_eq!(mails.len(), 2);
    assert_eq!(mails[0].header("Message-ID"), mails[1].header("Message-ID"));
    assert!(mails[0].header("Message-ID").is_some());
    assert_eq!(mails[0].text(), mails[1].text());
    desk.later(minutes(600));
    desk.catch_up().await;
    assert_eq!(desk.counts()["northlead"], 2);
}

#[tokio::test]
async fn three_days_without_a_mail_server_lose_nothing_and_what_comes_then_says_that_it_is_late() {
    let desk = tagged_out().await;
    desk.catcher.behave(Manner::IsBusy);
    for _ in 0..(3 * 24) {
        desk.catch_up().await;
        desk.later(minutes(60));
    }
    assert!(desk.counts().is_empty(), "{:?}", desk.counts());
    let (waiting, dead, since) = desk.world.bench.store.mail_backlog().await.unwrap();
    assert!(waiting > 0 && dead == 0 && since.is_some());
    desk.catcher.behave(Manner::Takes);
    desk.later(minutes(90));
    desk.catch_up().await;
    let mails = desk.caught()["northlead"].clone();
    // The tag-out, told once; nothing of it came twice.
    let told: usize = mails
        .iter()
        .filter(|mail| mail.text().contains("dropped, since"))
        .count();
    assert_eq!(told, 1, "{mails:?}");
    let tag_out = mails
        .iter()
        .find(|mail| mail.text().contains("dropped, since"))
        .unwrap();
    assert!(tag_out.subject().starts_with("Late: "), "{}", tag_out.subject());
    assert!(tag_out.text().contains("This mail is late"), "{}", tag_out.text());
}

#[tokio::test]
async fn whom_nobody_can_reach_is_not_waited_for() {
    let desk = tagged_out().await;
    desk.catcher.behave(Manner::KnowsNobody);
    desk.catch_up().await;
    desk.catcher.behave(Manner::Takes);
    desk.catch_up().await;
    assert_eq!(desk.counts()["safety"], 1, "{:?}", desk.counts());
    let (_, dead, _) = desk.world.bench.store.mail_backlog().await.unwrap();
    assert_eq!(dead, 2);
    assert_eq!(desk.world.bench.store.retry_dead_mails(30).await.unwrap(), 2);
    desk.catch_up().await;
    assert_eq!(desk.counts()["northlead"], 1);
}

#[tokio::test]
async fn a_recipient_whose_account_was_closed_gets_no_mail_and_the_next_ones_hear_of_it() {
    let desk = tagged_out().await;
    desk.worker.raise().await.unwrap();
    for person in [NORTH_LEAD, LEAD] {
        desk.close(person).await;
    }
    desk.catch_up().await;
    desk.catch_up().await;
    let counts = desk.counts();
    assert!(
        !counts.contains_key("northlead") && !counts.contains_key("lead"),
        "{counts:?}"
    );
    assert_eq!(counts["safety"], 1);
}

#[tokio::test]
async fn a_server_that_says_nothing_holds_up_nobody_for_ever() {
    let desk = tagged_out().await;
    let store = &desk.world.bench.store;
    desk.worker.raise().await.unwrap();
    let (token, id) = (desk.world.uuid(), desk.world.uuid());
    let mail = store.claim_mail(token, id, minutes(2)).await.unwrap().unwrap();
    let reference = store.reference().await.unwrap();
    let letter = clampward_worker::letter::write(&mail, &reference, store.now(), None);
    desk.catcher.behave(Manner::IsSilent);
    let post = clampward_worker::Post::patient(
        clampward_worker::PostOptions {
            host: "127.0.0.1".to_owned(),
            port: desk.catcher.port,
            security: clampward_worker::post::Security::None,
            authority: None,
            credentials: None,
            from: "clampward@example.test".to_owned(),
        },
        std::time::Duration::from_millis(300),
    )
    .unwrap();
    let error = post.hand_over(&letter).await.unwrap_err();
    assert!(!error.is_for_good, "{error}");
}
