//! What a person was told is kept is kept: after kill -9, and after a power cut in the middle of the next write.

use crate::support::{Device, copy_files};
use clampward_domain::ids::EntryId;
use clampward_field::database::Database;
use clampward_field::device::Named;
use clampward_field::journal::{self, KeptState};
use std::path::Path;

fn ids(path: &Path) -> Vec<EntryId> {
    let database = Database::open(path).unwrap();
    let kept = journal::all(database.connection()).unwrap();
    kept.iter().map(|kept| kept.entry_id).collect()
}

/// A small generator of its own, so that a failing run can be repeated from its seed.
struct Dice(u64);

impl Dice {
    fn below(&mut self, bound: u64) -> u64 {
        // Knuth's MMIX constants.
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) % bound.max(1)
    }
}

#[test]
fn a_power_cut_at_any_byte_of_the_last_write_loses_nothing_that_was_kept_before() {
    let mut device = Device::enrolled();
    let mark = || Named::Mark("HMW-0042".to_owned());
    let wal = |path: &Path| std::path::PathBuf::from(format!("{}-wal", path.display()));
    let path = device.path();
    let mut told = Vec::new();
    let mut dice = Dice(20_250_120);
    for round in 0..60_u64 {
        let before = std::fs::metadata(wal(&path)).unwrap().len();
        told.push(device.tag_out(mark()).id);
        let after = std::fs::metadata(wal(&path)).unwrap().len();
        let folder = tempfile::tempdir().unwrap();
        let copy = folder.path().join("field.sqlite");
        copy_files(&path, &copy);
        // The last write had reached the disk only up to some byte; what lies behind it may be garbage too.
        let cut = before + dice.below(after.saturating_sub(before).max(1));
        let file = std::fs::OpenOptions::new().write(true).open(wal(&copy)).unwrap();
        file.set_len(cut).unwrap();
        if round % 2 == 1 {
            use std::io::{Seek, SeekFrom, Write};
            let mut file = file;
            file.seek(SeekFrom::Start(cut)).unwrap();
            let garbage: Vec<u8> = (0..dice.below(5000)).map(|_| dice.below(256) as u8).collect();
            file.write_all(&garbage).unwrap();
        }
        // The shared memory of the log does not survive a power cut.
        let _ = std::fs::remove_file(format!("{}-shm", copy.display()));
        let found = ids(&copy);
        let kept_before = &told[..told.len() - 1];
        assert!(
            kept_before.iter().all(|id| found.contains(id)),
            "round {round}, cut at {cut}"
        );
    }
}

#[test]
fn numbers_have_no_holes_and_none_is_used_twice_after_a_torn_write() {
    let mut device = Device::enrolled();
    let mark = || Named::Mark("HMW-0042".to_owned());
    for _ in 0..3 {
        device.tag_out(mark());
    }
    let path = device.path();
    let wal = format!("{}-wal", path.display());
    let length = std::fs::metadata(&wal).unwrap().len();
    device.tag_out(mark());
    let folder = tempfile::tempdir().unwrap();
    let copy = folder.path().join("field.sqlite");
    copy_files(&path, &copy);
    let torn = std::fs::OpenOptions::new()
        .write(true)
        .open(format!("{}-wal", copy.display()))
        .unwrap();
    torn.set_len(length + 100).unwrap();
    let _ = std::fs::remove_file(format!("{}-shm", copy.display()));
    let database = Database::open(&copy).unwrap();
    let seqs: Vec<u64> = journal::all(database.connection())
        .unwrap()
        .iter()
        .map(|kept| kept.device_seq)
        .collect();
    assert_eq!(seqs, [1, 2, 3]);
    assert_eq!(journal::numbering(database.connection()).unwrap().next_seq, 4);
}

// The journal's tables only move forward: what an earlier version kept is there, with everything that may be asked of it.
#[test]
fn a_journal_of_the_first_form_is_kept_and_its_unsent_entries_go() {
    let mut service = crate::support::houston();
    let mut device = Device::enrolled();
    device.sync(&mut service);
    let clamp = *service.granted_clamps().keys().next().unwrap();
    let sent = device.tag_out(Named::Clamp(clamp)).id;
    device.sync(&mut service);
    let unsent = device.tag_out(Named::Clamp(clamp)).id;
    device
        .database
        .connection()
        .execute_batch(
            "alter table journal drop column put_off;
             alter table journal drop column seen;
             alter table journal drop column stable;
             alter table journal drop column after_pull;
             alter table signer drop column in_doubt;
             update setting set value = '[1,1]' where name = 'mirror_form';
             pragma user_version = 1;",
        )
        .unwrap();
    let mut device = device.reopened();
    let kept: Vec<EntryId> = device.kept().iter().map(|kept| kept.entry_id).collect();
    assert_eq!(kept, [sent, unsent]);
    assert!(device.sync(&mut service).is_complete());
    assert_eq!((service.times(sent), service.times(unsent)), (1, 1));
    assert_eq!(device.why_not("HMW-0042"), ["tagged_out", "tagged_out"]);
    assert_eq!(device.ask("HMW-0042").own_entries, 0, "the mirror shows them now");
}

// The table of the second form knew fewer states, and is made anew.
#[test]
fn a_journal_of_the_second_form_is_kept_with_everything_that_is_known_of_its_entries() {
    let mut service = crate::support::houston();
    let mut device = Device::enrolled();
    device.sync(&mut service);
    let clamp = *service.granted_clamps().keys().next().unwrap();
    let sent = device.tag_out(Named::Clamp(clamp)).id;
    let held = device.tag_out(Named::Mark("NOT-KNOWN".to_owned())).id;
    device.sync(&mut service);
    let unsent = device.tag_out(Named::Mark("hmw 0042".to_owned())).id;
    let before = device.kept();
    device
        .database
        .connection()
        .execute_batch(
            "create table second (
                 entry_id text primary key, device_number integer not null, device_seq integer not null,
                 clamp_id text, mark_key text, kind text not null, restricts integer not null, format integer not null,
                 raw text not null,
                 state text not null check (state in ('unsent', 'recorded', 'held', 'refused')),
                 again integer not null default 0, position integer, settled_at text, result text,
                 after_pull integer not null default 0,
                 unique (device_number, device_seq)
             ) strict;
             insert into second select entry_id, device_number, device_seq, clamp_id, mark_key, kind, restricts, format,
                 raw, state, again, position, settled_at, result, after_pull from journal;
             drop table journal;
             alter table second rename to journal;
             create index journal_clamp on journal (clamp_id);
             create index journal_mark on journal (mark_key);
             pragma user_version = 2;",
        )
        .unwrap();
    let mut device = device.reopened();
    // What shows an entry is asked for anew: until then it bars.
    let after: Vec<journal::Kept> = before
        .into_iter()
        .map(|kept| journal::Kept {
            stable: false,
            seen: false,
            ..kept
        })
        .collect();
    assert_eq!(device.kept(), after);
    assert_eq!(device.ask("HMW-0042").own_entries, 2);
    service.dismiss(held);
    assert!(device.sync(&mut service).is_complete());
    let states: Vec<KeptState> = device.kept().iter().map(|kept| kept.state).collect();
    assert_eq!(
        states,
        [KeptState::Recorded, KeptState::Dismissed, KeptState::Recorded]
    );
    assert_eq!((service.times(sent), service.times(unsent)), (1, 1));
    assert_eq!(device.ask("HMW-0042").own_entries, 0, "the mirror shows them now");
}
