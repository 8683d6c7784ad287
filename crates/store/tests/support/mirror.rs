//! A reader that keeps what it is told: rows once each, clamps by position and by the yards that have them.

use clampward_domain::canonical::{self, sha256};
use clampward_domain::fold::ClampState;
use clampward_domain::ids::{ClampId, YardId};
use clampward_domain::reference::YardScope;
use clampward_store::Store;
use clampward_store::feed::{Cursor, FeedClamp, Seen, SnapshotPart, SnapshotStart};
use std::collections::{BTreeMap, BTreeSet};

/// What a reader has of a clamp.
#[derive(Clone, Debug)]
struct Kept {
    position: u64,
    reference_version: u64,
    state: String,
    yards: BTreeSet<YardId>,
}

/// A part of a snapshot, where there is no other history.
pub async fn part(
    store: &Store,
    cursor: Cursor,
    after: Option<ClampId>,
    limit: u32,
) -> (Cursor, Vec<FeedClamp>) {
    match store.snapshot_clamps(cursor, after, limit).await.unwrap() {
        SnapshotPart::Clamps(cursor, clamps) => (cursor, clamps),
        other => panic!("{other:?}"),
    }
}

/// The reader.
pub struct Mirror {
    cursors: BTreeMap<YardId, Cursor>,
    known: BTreeMap<YardId, u64>,
    kept: BTreeMap<ClampId, Kept>,
    /// Positions that were told, by yard.
    rows: BTreeMap<YardId, BTreeSet<u64>>,
}

impl Mirror {
    /// One that begins before everything.
    pub fn new(yards: Vec<YardId>) -> Self {
        let beginning = |yard| Cursor {
            epoch: 1,
            position: 0,
            tag: 0,
            yard,
            seen: Some(Seen { position: 0, tag: 0 }),
        };
        Self {
            cursors: yards.into_iter().map(|yard| (yard, beginning(yard))).collect(),
            known: BTreeMap::new(),
            kept: BTreeMap::new(),
            rows: BTreeMap::new(),
        }
    }
    /// One that begins with a snapshot.
    pub fn starting(start: &SnapshotStart) -> Self {
        let mut mirror = Self::new(vec![]);
        mirror.cursors.insert(start.cursor.yard, start.cursor);
        mirror
    }
    /// Takes up a yard by its snapshot.
    pub async fn gain(&mut self, store: &Store, yard: YardId) {
        let start = store.begin_snapshot(yard).await.unwrap().unwrap();
        let (cursor, clamps) = part(store, start.cursor, None, 10_000).await;
        self.take(yard, &clamps);
        self.cursors.insert(yard, cursor);
    }
    /// Takes clamps of a yard up, whichever are newer than what there is.
    pub fn take(&mut self, yard: YardId, clamps: &[FeedClamp]) {
        for line in clamps {
            let Some(state) = &line.state else {
                if let Some(kept) = self.kept.get_mut(&line.clamp) {
                    kept.yards.remove(&yard);
                }
                continue;
            };
            let kept = self.kept.entry(line.clamp).or_insert_with(|| Kept {
                position: 0,
                reference_version: 0,
                state: String::new(),
                yards: BTreeSet::new(),
            });
            kept.yards.insert(yard);
            if (line.position, line.reference_version) >= (kept.position, kept.reference_version) {
                kept.position = line.position;
                kept.reference_version = line.reference_version;
                kept.state.clone_from(state);
            }
        }
    }
    /// One page for all cursors; answers whether there is more.
    pub async fn page(&mut self, store: &Store, granted: &YardScope, limit: u32) -> bool {
        let cursors: Vec<Cursor> = self.cursors.values().copied().collect();
        let changes = store.changes(granted, &cursors, limit).await.unwrap();
        let mut more = false;
        for (cursor, part) in cursors.iter().zip(changes.parts) {
            let page = part.expect("a page");
            let rows = self.rows.entry(cursor.yard).or_default();
            let mut last = cursor.position;
            for row in &page.rows {
                assert!(row.position > last, "in order and beyond the cursor");
                last = row.position;
                assert!(rows.insert(row.position), "{} twice", row.position);
            }
            self.take(cursor.yard, &page.clamps);
            self.known.insert(cursor.yard, page.known_position);
            if let Some(next) = page.next {
                assert!(next.position >= last && next.position <= changes.position);
                self.cursors.insert(cursor.yard, next);
            } else {
                assert!(page.rows.is_empty());
            }
            more |= page.more;
        }
        more
    }
    /// Until there is no more.
    pub async fn catch_up(&mut self, store: &Store, granted: &YardScope) {
        while self.page(store, granted, 7).await {}
    }
    /// What it knows of a yard, up to this position.
    pub fn position(&self, yard: YardId) -> u64 {
        self.known.get(&yard).copied().unwrap_or_default()
    }
    /// The positions that it was told of a yard.
    pub fn rows(&self, yard: YardId) -> BTreeSet<u64> {
        self.rows.get(&yard).cloned().unwrap_or_default()
    }
    /// Its clamps.
    pub fn clamps(&self) -> Vec<ClampId> {
        let here = self.kept.iter().filter(|(_, kept)| !kept.yards.is_empty());
        here.map(|(clamp, _)| *clamp).collect()
    }
    /// Count and checksum of its clamps of a yard, as a device computes them.
    pub fn digest(&self, yard: YardId) -> (u64, u64) {
        let of_yard = self.kept.values().filter(|kept| kept.yards.contains(&yard));
        of_yard.fold((0, 0), |(count, sum), kept| {
            let state: ClampState = serde_json::from_str(&kept.state).unwrap();
            let digest = sha256(&[&canonical::to_bytes(&state).unwrap()]);
            let first = u64::from_be_bytes(digest[..8].try_into().unwrap());
            (count + 1, sum.wrapping_add(first))
        })
    }
    /// It has of these yards what the store has, and nothing else.
    pub async fn assert_same(&self, store: &Store, yards: &[YardId]) {
        let scope = YardScope::Some(yards.to_vec());
        let mut there = BTreeSet::new();
        for yard in yards {
            let start = store.begin_snapshot(*yard).await.unwrap().unwrap();
            for line in part(store, start.cursor, None, 10_000).await.1 {
                there.insert(line.clamp);
                let kept = self.kept.get(&line.clamp).expect("a clamp that is there");
                assert!(kept.yards.contains(yard), "{} in {yard}", line.clamp);
            }
        }
        assert_eq!(
            self.clamps(),
            there.iter().copied().collect::<Vec<_>>(),
            "no ghosts"
        );
        for clamp in there {
            let now = store.clamp_now(clamp, &scope).await.unwrap().unwrap();
            let kept: ClampState = serde_json::from_str(&self.kept[&clamp].state).unwrap();
            assert_eq!(kept, now.state);
            assert_eq!(self.kept[&clamp].position, now.position);
        }
    }
}
