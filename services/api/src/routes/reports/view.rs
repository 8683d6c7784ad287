//! Reports in the form in which answers show them: names for ids, a fixed order, JSON and CSV alike.

use crate::reply::{Cells, table};
use clampward_domain::ids::{ModelId, YardId};
use clampward_domain::quantity::Mass;
use clampward_domain::reference::Reference;
use clampward_domain::wll_band::WllBand;
use clampward_store::reports::{OutCounts, OutGroup, OutOfService};
use clampward_wire::report::{
    Grouping, ModelName, OutOfServiceCounts, OutOfServiceGroup, OutOfServiceReport, WllBandView, YardName,
};
use jiff::Timestamp;

const NOTE: &str = "A clamp counts under each of its reasons and in each yard that may have it; total_clamps counts every clamp once.";

/// The report as it is answered.
pub(super) fn report(
    counted: OutOfService,
    grouping: Vec<Grouping>,
    as_of: Option<String>,
) -> OutOfServiceReport {
    let OutOfService {
        groups,
        total,
        reassessing,
        generated_at,
        reference,
        ..
    } = counted;
    let in_groups: u64 = groups.iter().map(|group| group.counts.all()).sum();
    let mut items: Vec<OutOfServiceGroup> = groups
        .into_iter()
        .map(|group| named(group, &reference, generated_at))
        .collect();
    items.sort_by_cached_key(|group| key(group, &grouping));
    OutOfServiceReport {
        as_of,
        items_add_up: grouping.is_empty() || in_groups == total.all(),
        items: if grouping.is_empty() { Vec::new() } else { items },
        group_by: grouping,
        total_clamps: counts(total),
        reassessing,
        note: NOTE.to_owned(),
    }
}

pub(super) fn counts(counts: OutCounts) -> OutOfServiceCounts {
    OutOfServiceCounts {
        tagged_out: counts.tagged_out,
        overdue: counts.overdue,
        awaiting_initial_inspection: counts.awaiting_initial_inspection,
        not_fit: counts.not_fit,
    }
}

fn named(group: OutGroup, reference: &Reference, at: Timestamp) -> OutOfServiceGroup {
    OutOfServiceGroup {
        yard: group.yard.map(|id| yard(id, reference, at)),
        reason: group.reason,
        model: group.model.map(|id| model(id, reference, at)),
        wll_band: group.wll_band.map(band),
        counts: counts(group.counts),
    }
}

pub(super) fn yard(id: YardId, reference: &Reference, at: Timestamp) -> YardName {
    let known = reference.yard_at(id, at).map(|version| &version.value);
    YardName {
        id,
        code: known.map(|yard| yard.code.clone()).unwrap_or_default(),
        name: known.map(|yard| yard.name.clone()).unwrap_or_default(),
    }
}

pub(super) fn model(id: ModelId, reference: &Reference, at: Timestamp) -> ModelName {
    let known = reference.model_at(id, at).map(|version| &version.value);
    ModelName {
        id,
        maker: known.map(|model| model.maker.clone()).unwrap_or_default(),
        model: known.map(|model| model.model.clone()).unwrap_or_default(),
    }
}

fn band(band: WllBand) -> WllBandView {
    let tonnes = |bound: Option<u8>| bound.and_then(|tonnes| Mass::parse(&tonnes.to_string(), "t").ok());
    let (above, up_to) = band.bounds();
    WllBandView {
        band,
        above: tonnes(above),
        up_to: tonnes(up_to),
    }
}

/// Orders groups by the names of their keys, in the order in which they were asked for.
fn key(group: &OutOfServiceGroup, grouping: &[Grouping]) -> Vec<String> {
    grouping
        .iter()
        .flat_map(|by| match by {
            Grouping::Yard => group
                .yard
                .iter()
                .flat_map(|yard| [yard.code.clone(), yard.id.to_string()])
                .collect(),
            Grouping::Reason => group.reason.iter().cloned().collect(),
            Grouping::Model => group
                .model
                .iter()
                .flat_map(|model| [model.maker.clone(), model.model.clone(), model.id.to_string()])
                .collect(),
            Grouping::WllBand => group
                .wll_band
                .iter()
                .filter_map(|view| WllBand::ALL.iter().position(|band| *band == view.band))
                .map(|place| place.to_string())
                .collect::<Vec<_>>(),
        })
        .collect()
}

/// The report as a table: the groups, then the total.
pub(super) fn csv(report: &OutOfServiceReport) -> Result<Vec<u8>, csv::Error> {
    let mut header = vec!["row"];
    for by in &report.group_by {
        header.extend_from_slice(match by {
            Grouping::Yard => &["yard_id", "yard_code", "yard_name"],
            Grouping::Reason => &["reason"],
            Grouping::Model => &["model_id", "maker", "model"],
            Grouping::WllBand => &["wll_band", "wll_above_t", "wll_up_to_t"],
        });
    }
    header.extend(["tagged_out", "overdue", "awaiting_initial_inspection", "not_fit"]);
    let rows: Vec<Option<&OutOfServiceGroup>> = report.items.iter().map(Some).chain([None]).collect();
    table(&header, &rows, |group, row| {
        row.plain(if group.is_some() { "group" } else { "total" });
        for by in &report.group_by {
            cells(*group, *by, row);
        }
        let counts = group.map_or(&report.total_clamps, |group| &group.counts);
        row.plain(counts.tagged_out)
            .plain(counts.overdue)
            .plain(counts.awaiting_initial_inspection)
            .plain(counts.not_fit);
    })
}

/// The cells of a yard.
pub(super) fn yard_cells(yard: Option<&YardName>, row: &mut Cells<'_>) {
    row.maybe(yard.map(|yard| yard.id))
        .maybe_text(yard.map(|yard| yard.code.as_str()))
        .maybe_text(yard.map(|yard| yard.name.as_str()));
}

/// The cells of a model.
pub(super) fn model_cells(model: Option<&ModelName>, row: &mut Cells<'_>) {
    row.maybe(model.map(|model| model.id))
        .maybe_text(model.map(|model| model.maker.as_str()))
        .maybe_text(model.map(|model| model.model.as_str()));
}

/// The cells of one key; empty in the row of the total.
fn cells(group: Option<&OutOfServiceGroup>, by: Grouping, row: &mut Cells<'_>) {
    match by {
        Grouping::Yard => yard_cells(group.and_then(|group| group.yard.as_ref()), row),
        Grouping::Reason => {
            row.maybe_text(group.and_then(|group| group.reason.as_deref()));
        }
        Grouping::Model => model_cells(group.and_then(|group| group.model.as_ref()), row),
        Grouping::WllBand => {
            let band = group
                .and_then(|group| group.wll_band.as_ref())
                .map(|view| view.band);
            let (above, up_to) = band.map_or((None, None), WllBand::bounds);
            row.maybe(band).maybe(above).maybe(up_to);
        }
    }
}
