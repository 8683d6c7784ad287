//! Clamps and entries in the form in which answers show them.

use crate::reply::{Failure, Listed};
use clampward_domain::fold::ClampState;
use clampward_domain::particulars::particulars;
use clampward_domain::reference::Reference;
use clampward_domain::standing::{MAX_REASONS, Standing, shorten_reasons, standing_now};
use clampward_store::{ClampFilter, HistoryRow, ReadClamp};
use clampward_wire::clamp::{ClampView, EntryView, Fitness, Issue};
use jiff::Timestamp;
use std::sync::Arc;

/// What an answer knows.
#[derive(Clone, Copy, Debug)]
pub(super) struct Known {
    /// Highest position of the ledger.
    pub position: u64,
    /// The instant of that knowledge.
    pub at: Timestamp,
}

/// The fitness that a standing says.
pub(super) fn fitness(state: &ClampState, standing: &Standing, known: Known) -> Fitness {
    Fitness {
        clamp_id: state.clamp,
        fit: standing.fit,
        reasons: standing.reasons.clone(),
        reasons_in_all: standing.reasons_in_all,
        fit_until: standing.fit_until,
        position: known.position,
        known_at: known.at,
    }
}

/// A clamp at an instant; none where it was not registered yet.
pub(super) fn clamp(
    state: &ClampState,
    seq: u64,
    reference: &Reference,
    as_of: Timestamp,
    known: Known,
) -> Option<ClampView> {
    let particulars = particulars(state, reference, as_of)?;
    let standing = standing_now(state, reference, as_of);
    let model = reference
        .model_at(particulars.model_id, as_of)
        .map(|version| version.value.as_ref());
    let yards = state.yards();
    let yard_id = match yards.as_slice() {
        [only] => Some(*only),
        _ => None,
    };
    Some(ClampView {
        id: state.clamp,
        asset_mark: particulars.asset_mark,
        serial_number: particulars.serial_number,
        model_id: particulars.model_id,
        maker: model.map(|model| model.maker.clone()),
        model: model.map(|model| model.model.clone()),
        kind: model.map(|model| model.kind),
        yard_id,
        yards,
        wll: particulars.wll,
        jaw_opening: particulars.jaw_opening,
        manufactured_on: particulars.manufactured_on,
        put_into_service_on: particulars.put_into_service_on,
        service_class: standing.service_class,
        status: standing.status,
        fitness: fitness(state, &standing, known),
        open_lockouts: state.open_lockouts().into_iter().cloned().collect(),
        open_lockouts_in_all: None,
        due: standing.due,
        issued: state.issued.as_ref().map(|issued| Issue {
            since: issued.at,
            person_id: issued.person,
            name: issued.name.clone(),
        }),
        seq,
        as_of,
        position: known.position,
        known_at: known.at,
    })
}

/// One of many: of its reasons and lock-outs no more than an answer about it names.
fn in_short(mut clamp: ClampView) -> ClampView {
    clamp.fitness.reasons_in_all = shorten_reasons(&mut clamp.fitness.reasons);
    if clamp.open_lockouts.len() > MAX_REASONS {
        clamp.open_lockouts_in_all = u64::try_from(clamp.open_lockouts.len()).ok();
        clamp.open_lockouts.truncate(MAX_REASONS);
    }
    clamp
}

/// A clamp of a list, as it was read.
pub(super) struct Clamp {
    /// It.
    pub read: ReadClamp,
    /// What it has to pass.
    pub filter: Arc<ClampFilter>,
    /// The instant of the question.
    pub now: Timestamp,
}

impl Listed for Clamp {
    type View = ClampView;
    fn view(self) -> Result<Option<ClampView>, Failure> {
        let passing = self.read.passing(&self.filter, self.now)?;
        let view = passing.and_then(|clamp| {
            let now = clamp.state.latest(self.now);
            let known = Known {
                position: clamp.knowledge.position,
                at: now,
            };
            self::clamp(&clamp.state, clamp.seq, &clamp.reference, now, known)
        });
        Ok(view.map(in_short))
    }
}

/// An entry of a history, as it was read.
pub(super) struct Entry(pub HistoryRow);

impl Listed for Entry {
    type View = EntryView;
    fn view(self) -> Result<Option<EntryView>, Failure> {
        entry(self.0).map(Some)
    }
}

/// An entry of the history.
fn entry(row: HistoryRow) -> Result<EntryView, Failure> {
    let HistoryRow {
        entry,
        seq,
        position,
        recorded_at,
        recorded_by,
        outcome,
        hash,
    } = row;
    Ok(EntryView {
        entry_id: entry.id,
        seq,
        position,
        kind: entry.kind(),
        performed_at: entry.performed_at,
        counted_at: entry.counted_at,
        recorded_at,
        performed_by: entry.performed_by,
        recorded_by,
        device_id: entry.device_id,
        signed: entry.signed,
        placed: entry.placed,
        body: entry.body.to_json().map_err(|error| Failure::internal(&error))?,
        judged_by: entry.judged_by,
        result: outcome,
        hash: hash.iter().map(|byte| format!("{byte:02x}")).collect(),
    })
}
