//! What a clamp is, for answers and lift checks: registration, model and amendments put together.
//!
//! While its rating is in doubt, the lowest WLL and the narrowest range count that anybody ever named.

use crate::fold::ClampState;
use crate::ids::ModelId;
use crate::quantity::{Length, Mass, Range};
use crate::reference::{Model, Reference};
use crate::words::LockoutReason;
use jiff::Timestamp;
use jiff::civil::Date;
use serde::{Deserialize, Serialize};

/// The particulars of a clamp.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Particulars {
    /// The company's mark.
    pub asset_mark: String,
    /// The maker's serial number.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub serial_number: Option<String>,
    /// The model.
    pub model_id: ModelId,
    /// Working load limit that counts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub wll: Option<Mass>,
    /// Plate thickness range that counts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub jaw_opening: Option<Range<Length>>,
    /// Day of manufacture.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub manufactured_on: Option<Date>,
    /// Day on which it is put into service, as entered.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub put_into_service_on: Option<Date>,
    /// Whether plate, certificate, model or registration disagree.
    pub rating_in_doubt: bool,
}

/// The particulars at an instant; none before registration.
pub fn particulars(state: &ClampState, reference: &Reference, at: Timestamp) -> Option<Particulars> {
    let model_id = state.model_id()?;
    let rating_in_doubt = state
        .open_lockouts()
        .iter()
        .any(|lockout| lockout.reason == Some(LockoutReason::RatingInDoubt));
    Some(Particulars {
        asset_mark: state.asset_mark()?,
        serial_number: state.serial_number(),
        model_id,
        wll: if rating_in_doubt {
            claimed_wll(state, reference, at)
        } else {
            undisputed_wll(state, reference, at)
        },
        jaw_opening: jaw_opening(state, rating_in_doubt, reference, at),
        manufactured_on: state.manufactured_on(),
        put_into_service_on: state.put_into_service_on(),
        rating_in_doubt,
    })
}

/// The models at an instant.
fn versions(
    models: impl Iterator<Item = ModelId>,
    reference: &Reference,
    at: Timestamp,
) -> impl Iterator<Item = &Model> {
    models
        .filter_map(move |model| reference.model_at(model, at))
        .map(|version| version.value.as_ref())
}

/// The lowest WLL of every registration, every amendment and every model that was ever named.
fn claimed_wll(state: &ClampState, reference: &Reference, at: Timestamp) -> Option<Mass> {
    let of_models = versions(state.claimed_models(), reference, at).map(|model| model.wll);
    state.claimed_wlls().chain(of_models).min()
}

/// The WLL that counts once nothing is in doubt: the one proven last, else the lowest of registration and model.
pub(crate) fn undisputed_wll(state: &ClampState, reference: &Reference, at: Timestamp) -> Option<Mass> {
    let of_model = versions(state.model_id().into_iter(), reference, at).map(|model| model.wll);
    state
        .proven_wll()
        .or_else(|| state.registered_wlls().chain(of_model).min())
}

fn jaw_opening(
    state: &ClampState,
    in_doubt: bool,
    reference: &Reference,
    at: Timestamp,
) -> Option<Range<Length>> {
    // Ranges that do not overlap leave an empty one, which no plate fits.
    let narrower = |a: Range<Length>, b: Range<Length>| Range {
        min: a.min.max(b.min),
        max: a.max.min(b.max),
    };
    if in_doubt {
        let of_models = versions(state.claimed_models(), reference, at).map(|model| model.jaw_opening);
        return state.claimed_jaw_openings().chain(of_models).reduce(narrower);
    }
    let of_model = versions(state.model_id().into_iter(), reference, at).map(|model| model.jaw_opening);
    state
        .proven_jaw_opening()
        .or_else(|| state.registered_jaw_openings().chain(of_model).reduce(narrower))
}
