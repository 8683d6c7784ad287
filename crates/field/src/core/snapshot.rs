//! Snapshots: into a shadow, taken up again where they broke off, and put in place only when whole.

use super::pull::SNAPSHOTS;
use super::talk::SnapshotPart;
use super::{Action, Core, Progress, Refused, Request, Shadow, Step, Store, TroubleCode};
use clampward_domain::ids::{ClampId, YardId};
use clampward_wire::sync::pull::{SnapshotHead, SnapshotLine};

/// A snapshot under way.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Taking {
    yard: YardId,
    /// Lines of this answer so far.
    lines: u64,
    /// Clamps of the whole snapshot so far.
    clamps: u64,
}

impl Core {
    pub(super) fn next_snapshot(&mut self) -> Option<Request> {
        let yard = *self.to_snapshot.front()?;
        let clamps = self
            .taking
            .take()
            .filter(|taking| taking.yard == yard)
            .map_or(0, |taking| taking.clamps);
        let begun = self.shadows.get(&yard).and_then(|shadow| {
            let after = shadow.after?;
            Some((after, shadow.cursor.clone()))
        });
        let (after, cursor) = begun.unzip();
        self.taking = Some(Taking {
            yard,
            lines: 0,
            clamps,
        });
        Some(Request::Snapshot { yard, after, cursor })
    }

    pub(super) fn snapshot_part(
        &mut self,
        yard: YardId,
        after: Option<ClampId>,
        part: SnapshotPart,
        actions: &mut Vec<Action>,
    ) {
        self.report.reached = true;
        let Some(mut taking) = self.taking.take().filter(|taking| taking.yard == yard) else {
            return;
        };
        if let Some(head) = &part.head
            && !self.snapshot_head(yard, after, head, actions)
        {
            return;
        }
        if part.head.is_some() {
            taking.lines = taking.lines.saturating_add(1);
        }
        if !part.lines.is_empty() {
            let number = u64::try_from(part.lines.len()).unwrap_or(u64::MAX);
            taking.lines = taking.lines.saturating_add(number);
            let clamps: Vec<ClampId> = part.lines.iter().filter_map(clamp_of).collect();
            taking.clamps = taking
                .clamps
                .saturating_add(u64::try_from(clamps.len()).unwrap_or(u64::MAX));
            if let (Some(last), Some(shadow)) = (clamps.last(), self.shadows.get_mut(&yard)) {
                shadow.after = Some(*last);
                if let Some(cursor) = part.lines.iter().rev().find_map(cursor_of) {
                    shadow.cursor = cursor.to_owned();
                }
                self.lost = 0;
            }
            actions.push(Action::Store(Store::ShadowLines {
                yard,
                lines: part.lines,
            }));
            actions.push(Action::Show(Progress::Snapshot {
                yard,
                clamps: taking.clamps,
            }));
        }
        let Some(end) = part.end else {
            self.taking = Some(taking);
            return;
        };
        self.open = None;
        taking.lines = taking.lines.saturating_add(1);
        if !end.end || end.lines != taking.lines {
            self.begin_anew(yard, "a snapshot was not whole", actions);
            return;
        }
        self.lost = 0;
        self.to_snapshot.retain(|other| *other != yard);
        let Some(shadow) = self.shadows.remove(&yard) else {
            self.begin_anew(yard, "a snapshot came without its first line", actions);
            return;
        };
        self.report.clamps = self.report.clamps.saturating_add(taking.clamps);
        actions.push(Action::Store(Store::Swap(yard)));
        // Whatever was written meanwhile follows behind its cursor, which stays where the snapshot began.
        self.cursors.insert(yard, shadow.cursor);
        self.to_pull.push_back(yard);
        self.next_step(actions);
    }

    /// Whether lines may follow. A snapshot that is taken up again belongs to the same epoch as its first part.
    fn snapshot_head(
        &mut self,
        yard: YardId,
        after: Option<ClampId>,
        head: &SnapshotHead,
        actions: &mut Vec<Action>,
    ) -> bool {
        if head.state_format != clampward_wire::sync::pull::STATE_FORMAT {
            self.open = None;
            self.pulls = false;
            self.report.trouble(
                TroubleCode::ClientTooOld,
                "the service hands out clamps in a form that this version does not know: update it",
            );
            self.next_step(actions);
            return false;
        }
        let epoch = self.shadows.get(&yard).map(|shadow| shadow.epoch);
        if after.is_some() && epoch != Some(head.epoch) {
            self.open = None;
            self.begin_anew(yard, "the service's history changed during a snapshot", actions);
            return false;
        }
        if epoch.is_none() || after.is_none() {
            let shadow = Shadow {
                epoch: head.epoch,
                cursor: head.cursor.clone(),
                after: None,
            };
            self.shadows.insert(yard, shadow);
            actions.push(Action::Store(Store::ShadowBegin {
                yard,
                head: head.clone(),
            }));
        }
        true
    }

    fn begin_anew(&mut self, yard: YardId, why: &str, actions: &mut Vec<Action>) {
        self.shadows.remove(&yard);
        self.to_snapshot.retain(|other| *other != yard);
        actions.push(Action::Store(Store::ShadowDrop(yard)));
        let taken = self.snapshots.entry(yard).or_insert(0);
        if *taken >= SNAPSHOTS {
            self.report.trouble(TroubleCode::NotFollowed, why);
        } else {
            *taken += 1;
            self.to_snapshot.push_back(yard);
        }
        self.go(Step::Snapshot, actions);
    }

    /// What this version cannot read ends this yard's snapshot only. It is not skipped: without it the yard is not whole.
    pub(super) fn snapshot_unreadable(&mut self, yard: YardId, detail: &str, actions: &mut Vec<Action>) {
        self.open = None;
        self.taking = None;
        self.report.reached = true;
        self.report.trouble(
            TroubleCode::ClientTooOld,
            &format!("yard {yard} cannot be read by this version: update it ({detail})"),
        );
        self.to_snapshot.retain(|other| *other != yard);
        self.put_off.insert(yard);
        self.next_step(actions);
    }

    pub(super) fn snapshot_refused(
        &mut self,
        yard: YardId,
        status: u16,
        refused: &Refused,
        actions: &mut Vec<Action>,
    ) {
        if status == 410 || refused.code == "cursor-invalid" {
            self.taking = None;
            self.begin_anew(yard, &refused.detail, actions);
        } else if refused.code == "not-found" {
            self.taking = None;
            self.drop_yard(yard, actions);
            self.next_step(actions);
        } else {
            self.give_up(&refused.detail, actions);
        }
    }
}

/// The cursor that a line brings: from there on, instead of the one before.
pub(crate) fn cursor_of(line: &SnapshotLine) -> Option<&str> {
    match line {
        SnapshotLine::Clamp(clamp) => clamp.cursor.as_deref(),
        SnapshotLine::Reference(_) => None,
    }
}

fn clamp_of(line: &SnapshotLine) -> Option<ClampId> {
    match line {
        SnapshotLine::Clamp(clamp) => Some(clamp.clamp.clamp_id),
        SnapshotLine::Reference(_) => None,
    }
}
