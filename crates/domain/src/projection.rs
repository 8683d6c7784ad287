//! What is kept of a clamp for lists and for the database's own guards: instants, never a status.

use crate::fold::ClampState;
use crate::ids::{ModelId, YardId};
use crate::particulars::particulars;
use crate::reference::Reference;
use crate::standing::standing;
use crate::words::ServiceClass;
use jiff::Timestamp;
use jiff::civil::Date;
use rust_decimal::Decimal;

/// A clamp as lists see it.
#[derive(Clone, Debug, PartialEq)]
pub struct Projection {
    /// Where it is: one yard, or several while its place is in doubt.
    pub yards: Vec<YardId>,
    /// Its model.
    pub model_id: Option<ModelId>,
    /// The company's mark.
    pub asset_mark: Option<String>,
    /// The maker's number.
    pub serial_number: Option<String>,
    /// The class that counts.
    pub service_class: Option<ServiceClass>,
    /// WLL in kilograms.
    pub wll_kg: Option<Decimal>,
    /// First credited inspection of periodic scope.
    pub in_service_from: Option<Timestamp>,
    /// Scrapped.
    pub retired_at: Option<Timestamp>,
    /// The earliest instant from which an open lock-out bars.
    pub bars_from: Option<Timestamp>,
    /// Fit until then; none if it is not fit.
    pub fit_until: Option<Timestamp>,
    /// Frequent inspection due on.
    pub due_frequent: Option<Date>,
    /// Periodic inspection due on.
    pub due_periodic: Option<Date>,
    /// The earlier of the two ends.
    pub next_due_at: Option<Timestamp>,
}

impl Projection {
    /// The projection of a state at an instant.
    pub fn of(state: &ClampState, reference: &Reference, at: Timestamp) -> Self {
        let standing = standing(state, reference, at);
        let particulars = particulars(state, reference, at);
        let due = &standing.due;
        Self {
            yards: state.yards(),
            model_id: state.model_id(),
            asset_mark: state.asset_mark(),
            serial_number: state.serial_number(),
            service_class: standing.service_class,
            wll_kg: particulars
                .and_then(|particulars| particulars.wll)
                .map(|wll| wll.kilograms()),
            in_service_from: state.clocks.first,
            retired_at: state.retirement().map(|retired| retired.at),
            bars_from: state
                .open_lockouts()
                .iter()
                .map(|lockout| lockout.bars_from)
                .min(),
            // Fit for ever does not exist for a clamp: without a due date its end is the end of time.
            fit_until: standing.fit.then(|| standing.fit_until.unwrap_or(Timestamp::MAX)),
            due_frequent: due.frequent.as_ref().and_then(|due| due.on),
            due_periodic: due.periodic.as_ref().and_then(|due| due.on),
            next_due_at: due
                .frequent
                .iter()
                .chain(due.periodic.iter())
                .map(|due| due.ends_at)
                .min(),
        }
    }
}
