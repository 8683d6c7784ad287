//! What a safety bulletin has people told: of the bulletin once, of its clamps not one by one, and again until each is
//! accounted for.

use crate::desk::{Desk, SAFETY};
use crate::support::world::*;
use clampward_domain::entry::Amended;
use clampward_domain::ids::{BulletinId, ClampId};
use clampward_domain::reference::YardScope;
use clampward_store::bulletins::NotFound;
use clampward_store::notices::NoticeFilter;
use jiff::SignedDuration;

impl Desk {
    /// What a running worker does: holds, raises, sends.
    async fn work(&self) {
        while self.worker.hold().await.unwrap() {}
        self.catch_up().await;
    }
    async fn opens(&self, numbers: &[&str]) -> BulletinId {
        let id = BulletinId::new(self.world.uuid());
        let store = &self.world.bench.store;
        store
            .open_bulletin(self.world.uuid(), SAFETY, id, &about(MODEL, numbers))
            .await
            .unwrap();
        id
    }
    /// What somebody was sent, one text for each mail.
    fn texts(&self, name: &str) -> Vec<String> {
        let caught = self.caught();
        let mails = caught.get(name).into_iter().flatten();
        mails.map(|mail| mail.text()).collect()
    }
}

#[tokio::test]
async fn a_bulletin_is_told_once_in_each_yard_and_its_clamps_not_one_by_one() {
    let desk = Desk::open().await;
    for number in ["21", "22", "23"] {
        desk.clamp(number).await;
    }
    let other = ClampId::new(desk.world.uuid());
    let misread = desk.world.does(LEAD, other, registration("31")).await.id;
    desk.work().await;
    let before = desk.counts();
    desk.opens(&["21", "22", "23", "24"]).await;
    desk.work().await;
    desk.work().await;
    // The lead of the world leads both yards: one mail, a line for each.
    for (lead, lines) in [("northlead", 1), ("southlead", 1), ("lead", 2)] {
        let texts = desk.texts(lead);
        let new = &texts[before.get(lead).copied().unwrap_or(0)..];
        assert_eq!(new.len(), 1, "{lead}: {new:?}");
        assert_eq!(
            new[0].matches("OK-SB-1: Pins of one melt").count(),
            lines,
            "{lead}: {}",
            new[0]
        );
        assert!(new[0].contains("inspect before use"), "{}", new[0]);
        assert!(!new[0].contains("HM-21"), "{}", new[0]);
    }
    // One that comes to light later is told by itself.
    let clamp = ClampId::new(desk.world.uuid());
    desk.later(SignedDuration::from_mins(5));
    let mut body = registration("unread");
    body.serial_number = None;
    desk.world.does(LEAD, clamp, body).await;
    desk.work().await;
    let last = desk.texts("northlead").pop().unwrap();
    assert!(
        last.contains("HM-unread") && last.contains("safety bulletin"),
        "{last}"
    );
    // So is one that was there all the time, under another number.
    desk.later(SignedDuration::from_mins(5));
    let amended: Amended = serde_json::from_value(serde_json::json!({
        "cites": misread, "field": "serial_number", "value": "24", "reason": "read again", "document": "plate.jpg"
    }))
    .unwrap();
    desk.world.does(LEAD, other, amended).await;
    desk.work().await;
    let last = desk.texts("northlead").pop().unwrap();
    assert!(
        last.contains("HM-31") && last.contains("safety bulletin"),
        "{last}"
    );
}

#[tokio::test]
async fn what_is_not_accounted_for_is_told_once_more_each_week_until_it_is() {
    let desk = Desk::open().await;
    let clamp = desk.clamp("21").await;
    let id = desk.opens(&["21"]).await;
    desk.work().await;
    let told = |desk: &Desk| {
        let texts = desk.texts("northlead");
        let weekly = texts
            .iter()
            .filter(|text| text.contains("of this yard not accounted for"));
        weekly.count()
    };
    let mut weeks = Vec::new();
    for _ in 0..16 {
        desk.later(SignedDuration::from_hours(24));
        desk.work().await;
        weeks.push(told(&desk));
    }
    // Eight days on the digest of the seventh day has left, whatever the hour of the opening was.
    assert_eq!((weeks[5], weeks[8], weeks[15]), (0, 1, 2), "{weeks:?}");
    assert!(
        desk.texts("southlead")
            .iter()
            .all(|text| !text.contains("not accounted for"))
    );
    let word = NotFound {
        clamp_id: clamp,
        owner: LEAD,
        look_until: "2026-09-01".parse().unwrap(),
        note: "Not in the crib".to_owned(),
    };
    let store = &desk.world.bench.store;
    store
        .note_not_found(desk.world.uuid(), SAFETY, &YardScope::All, id, &word)
        .await
        .unwrap();
    for _ in 0..8 {
        desk.later(SignedDuration::from_hours(24));
        desk.work().await;
    }
    assert_eq!(told(&desk), 2, "somebody looks for it");
    store.close_bulletin(desk.world.uuid(), SAFETY, id).await.unwrap();
    desk.work().await;
    let filter = NoticeFilter::default();
    let told = store.notices(&YardScope::All, &filter, None, 200).await.unwrap();
    let of_bulletin: Vec<_> = told
        .iter()
        .filter(|notice| notice.about.bulletin_id == Some(id))
        .collect();
    assert!(of_bulletin.len() > 2);
    for notice in of_bulletin {
        assert!(notice.settled_at.is_some(), "{notice:?}");
    }
}
