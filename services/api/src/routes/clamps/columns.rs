//! Clamps and entries as rows of CSV. Columns may be added at the end; none is renamed or taken away.

use crate::reply::{Cells, Columns};
use clampward_domain::judge::Verdict;
use clampward_wire::clamp::{ClampView, EntryView};

impl Columns for ClampView {
    const NAMES: &'static [&'static str] = &[
        "id",
        "asset_mark",
        "serial_number",
        "model_id",
        "maker",
        "model",
        "kind",
        "yard_id",
        "yards",
        "wll_value",
        "wll_unit",
        "jaw_opening_min_value",
        "jaw_opening_min_unit",
        "jaw_opening_max_value",
        "jaw_opening_max_unit",
        "manufactured_on",
        "put_into_service_on",
        "service_class",
        "status",
        "fit",
        "fit_until",
        "reasons",
        "open_lockouts",
        "frequent_due_on",
        "frequent_due_ends_at",
        "periodic_due_on",
        "periodic_due_ends_at",
        "issued_since",
        "issued_to_person_id",
        "issued_to_name",
        "seq",
        "as_of",
        "position",
    ];
    fn cells(&self, row: &mut Cells<'_>) {
        let jaw = self.jaw_opening.as_ref();
        row.plain(self.id)
            .text(&self.asset_mark)
            .maybe_text(self.serial_number.as_deref())
            .plain(self.model_id)
            .maybe_text(self.maker.as_deref())
            .maybe_text(self.model.as_deref())
            .maybe(self.kind)
            .maybe(self.yard_id)
            .words(&self.yards)
            .quantity(self.wll.map(|wll| (wll.value(), wll.unit().code())))
            .quantity(jaw.map(|jaw| (jaw.min.value(), jaw.min.unit().code())))
            .quantity(jaw.map(|jaw| (jaw.max.value(), jaw.max.unit().code())))
            .maybe(self.manufactured_on)
            .maybe(self.put_into_service_on)
            .maybe(self.service_class)
            .plain(self.status)
            .plain(self.fitness.fit)
            .maybe(self.fitness.fit_until)
            .words(self.fitness.reasons.iter().map(|reason| reason.code));
        // A criterion's code or a reason's, once for each lock-out.
        row.words(self.open_lockouts.iter().map(|lockout| match &lockout.reason {
            Some(reason) => reason.code(),
            None => lockout.criterion.as_deref().unwrap_or_default(),
        }));
        for due in [&self.due.frequent, &self.due.periodic] {
            row.maybe(due.as_ref().and_then(|due| due.on))
                .maybe(due.as_ref().map(|due| due.ends_at));
        }
        let issued = self.issued.as_ref();
        row.maybe(issued.map(|issued| issued.since))
            .maybe(issued.and_then(|issued| issued.person_id))
            .maybe_text(issued.and_then(|issued| issued.name.as_deref()))
            .plain(self.seq)
            .plain(self.as_of)
            .plain(self.position);
    }
}

impl Columns for EntryView {
    const NAMES: &'static [&'static str] = &[
        "entry_id",
        "seq",
        "position",
        "kind",
        "performed_at",
        "counted_at",
        "recorded_at",
        "performed_by",
        "recorded_by",
        "device_id",
        "signed",
        "placed",
        "verdict",
        "credited",
        "opened",
        "closed",
        "body",
        "hash",
    ];
    fn cells(&self, row: &mut Cells<'_>) {
        row.plain(self.entry_id)
            .plain(self.seq)
            .plain(self.position)
            .plain(self.kind)
            .plain(self.performed_at)
            .plain(self.counted_at)
            .plain(self.recorded_at)
            .plain(self.performed_by)
            .plain(self.recorded_by)
            .maybe(self.device_id)
            .plain(self.signed)
            .plain(self.placed)
            .maybe(self.result.verdict.map(verdict))
            .maybe(self.result.credited)
            .words(self.result.opened.iter().map(|lockout| lockout.id))
            .words(&self.result.closed)
            .text(&self.body.to_string())
            .plain(&self.hash);
    }
}

const fn verdict(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Accepted => "accepted",
        Verdict::Rejected => "rejected",
        Verdict::Incomplete => "incomplete",
    }
}
