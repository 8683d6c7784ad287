//! Pulling: pages behind the cursors of the yards, until each is empty.

use super::{Action, Core, Progress, Refused, Request, Step, Store, TroubleCode};
use clampward_domain::ids::YardId;
use clampward_wire::sync::pull::Changes;
use std::collections::BTreeSet;

/// Most cursors of one question.
const CURSORS: usize = 20;
/// How often a yard is taken anew in one run at most.
pub(super) const SNAPSHOTS: u32 = 2;

impl Core {
    /// Compares the yards that the device follows with those it may follow.
    pub(super) fn take_up_grants(&mut self, actions: &mut Vec<Action>) {
        let followed: BTreeSet<YardId> = self.cursors.keys().copied().collect();
        for yard in followed.difference(&self.granted.clone()) {
            self.drop_yard(*yard, actions);
        }
        for yard in self.granted.clone() {
            if !followed.contains(&yard) {
                if !self.report.gained.contains(&yard) {
                    self.report.gained.push(yard);
                }
                self.wants_snapshot(yard);
            } else if !self.to_pull.contains(&yard) && !self.to_snapshot.contains(&yard) {
                self.to_pull.push_back(yard);
            }
        }
    }

    pub(super) fn wants_snapshot(&mut self, yard: YardId) {
        self.to_pull.retain(|other| *other != yard);
        if self.to_snapshot.contains(&yard) || self.put_off.contains(&yard) {
            return;
        }
        let taken = self.snapshots.entry(yard).or_insert(0);
        if *taken >= SNAPSHOTS {
            self.report.trouble(
                TroubleCode::NotFollowed,
                &format!(
                    "yard {yard} cannot be followed: its cursors do not hold. Tell whoever runs the service"
                ),
            );
            return;
        }
        *taken += 1;
        self.to_snapshot.push_back(yard);
    }

    pub(super) fn drop_yard(&mut self, yard: YardId, actions: &mut Vec<Action>) {
        self.granted.remove(&yard);
        self.to_pull.retain(|other| *other != yard);
        self.to_snapshot.retain(|other| *other != yard);
        self.shadows.remove(&yard);
        if self.cursors.remove(&yard).is_some() && !self.report.lost.contains(&yard) {
            self.report.lost.push(yard);
        }
        actions.push(Action::Store(Store::DropYard(yard)));
    }

    pub(super) fn next_page(&self) -> Option<Request> {
        let cursors: Vec<_> = self
            .to_pull
            .iter()
            .filter_map(|yard| self.cursors.get(yard).map(|cursor| (*yard, cursor.clone())))
            .take(CURSORS)
            .collect();
        (!cursors.is_empty()).then_some(Request::Changes { cursors })
    }

    pub(super) fn changes(
        &mut self,
        asked: &[(YardId, String)],
        changes: Changes,
        actions: &mut Vec<Action>,
    ) {
        self.settled(actions, Store::Contact(changes.server_time));
        let mut heard = BTreeSet::new();
        for part in changes.yards {
            let yard = part.yard_id;
            let ours = asked
                .iter()
                .any(|(asked, cursor)| *asked == yard && *cursor == part.from);
            if !ours || self.cursors.get(&yard) != Some(&part.from) || !heard.insert(yard) {
                continue;
            }
            match &part.problem {
                Some(problem) if problem.status == 404 => self.drop_yard(yard, actions),
                Some(problem) if problem.status == 410 => {
                    self.other_history(&problem.detail.clone(), actions);
                    self.wants_snapshot(yard);
                }
                Some(_) => self.wants_snapshot(yard),
                None => {
                    self.to_pull.retain(|other| *other != yard);
                    // A cursor that does not move although more is promised would be asked for ever.
                    if part.more && part.next_cursor != part.from {
                        self.to_pull.push_back(yard);
                    }
                    self.report.rows = self
                        .report
                        .rows
                        .saturating_add(u64::try_from(part.rows.len()).unwrap_or(u64::MAX));
                    self.cursors.insert(yard, part.next_cursor.clone());
                    actions.push(Action::Store(Store::Page(Box::new(part))));
                }
            }
        }
        // A yard that was asked for and not answered is left for the next time.
        for (yard, _) in asked.iter().filter(|(yard, _)| !heard.contains(yard)) {
            self.to_pull.retain(|other| other != yard);
            self.report.trouble(
                TroubleCode::NotFollowed,
                &format!("the service said nothing of yard {yard} that this version can read"),
            );
        }
        self.granted = changes.granted.into_iter().collect();
        let gained: Vec<YardId> = self
            .granted
            .iter()
            .copied()
            .filter(|yard| !self.cursors.contains_key(yard))
            .collect();
        let lost: Vec<YardId> = self
            .cursors
            .keys()
            .copied()
            .filter(|yard| !self.granted.contains(yard))
            .collect();
        for yard in lost {
            self.drop_yard(yard, actions);
        }
        for yard in gained {
            if !self.report.gained.contains(&yard) {
                self.report.gained.push(yard);
            }
            self.wants_snapshot(yard);
        }
        actions.push(Action::Show(Progress::Pulling {
            rows: self.report.rows,
        }));
        self.after_pull(actions);
    }

    /// What is offered again goes first; then further pages, then snapshots.
    fn after_pull(&mut self, actions: &mut Vec<Action>) {
        let offers = self.report.resynchronised && !self.push_given_up;
        if offers && self.next_batch().is_some() {
            self.go(Step::Push, actions);
        } else if self.to_pull.is_empty() {
            self.next_step(actions);
        } else {
            self.ask(actions);
        }
    }

    /// Every cursor of the question failed in the same way.
    pub(super) fn changes_refused(
        &mut self,
        asked: &[(YardId, String)],
        status: u16,
        refused: &Refused,
        actions: &mut Vec<Action>,
    ) {
        match status {
            404 if refused.code == "not-found" => {
                for (yard, _) in asked {
                    self.drop_yard(*yard, actions);
                }
            }
            // Whatever stands between: nothing is dropped on its word.
            404 => {
                self.give_up(&refused.detail, actions);
                return;
            }
            410 => {
                self.other_history(&refused.detail, actions);
                for (yard, _) in asked {
                    self.wants_snapshot(*yard);
                }
            }
            _ => {
                for (yard, _) in asked {
                    self.wants_snapshot(*yard);
                }
            }
        }
        self.after_pull(actions);
    }
}
