//! What a clamp is, for answers and lift checks: registration, model and amendments put together.
//!
//! While its rating is in doubt, the lowest WLL and the narrowest range count.

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
    let model = reference
        .model_at(model_id, at)
        .map(|version| version.value.as_ref());
    let rating_in_doubt = state
        .open_lockouts()
        .iter()
        .any(|lockout| lockout.reason == Some(LockoutReason::RatingInDoubt));
    Some(Particulars {
        asset_mark: state.asset_mark()?,
        serial_number: state.serial_number(),
        model_id,
        wll: wll(state, model, rating_in_doubt),
        jaw_opening: jaw_opening(state, model, rating_in_doubt),
        manufactured_on: state.manufactured_on(),
        put_into_service_on: state.put_into_service_on(),
        rating_in_doubt,
    })
}

fn wll(state: &ClampState, model: Option<&Model>, in_doubt: bool) -> Option<Mass> {
    let of_model = model.map(|model| model.wll);
    if in_doubt {
        let registered = state
            .registration
            .as_ref()
            .and_then(|registration| registration.body.wll);
        [state.own_wll(), registered, of_model]
            .into_iter()
            .flatten()
            .min()
    } else {
        state.own_wll().or(of_model)
    }
}

fn jaw_opening(state: &ClampState, model: Option<&Model>, in_doubt: bool) -> Option<Range<Length>> {
    let of_model = model.map(|model| model.jaw_opening);
    if !in_doubt {
        return state.own_jaw_opening().or(of_model);
    }
    let registered = state
        .registration
        .as_ref()
        .and_then(|registration| registration.body.jaw_opening);
    let claimed = [state.own_jaw_opening(), registered, of_model];
    // Ranges that do not overlap leave an empty one, which no plate fits.
    claimed.into_iter().flatten().reduce(|a, b| Range {
        min: a.min.max(b.min),
        max: a.max.min(b.max),
    })
}
