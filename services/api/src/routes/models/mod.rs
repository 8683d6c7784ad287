//! Models: reference data in dated versions.

pub mod change;
pub mod create;
pub mod list;
pub mod read;
pub mod view;

use crate::extract::Authorized;
use crate::permission::KeepModels;
use crate::reply::Failure;
use clampward_domain::calendar::Zone;
use clampward_domain::reference::{Model, check_model, needs_qualified_person};
use clampward_domain::words::CompetenceKind;
use clampward_wire::problem::{FieldError, Problem};

/// Refuses a faulty version, and one that says what only a named qualified person may say.
async fn check(call: &Authorized<KeepModels>, model: &Model, reason: Option<&str>) -> Result<(), Failure> {
    super::versions::well_formed(check_model(model))?;
    let pointers = needs_qualified_person(model);
    if pointers.is_empty() {
        return Ok(());
    }
    let today = Zone::utc().date_at(call.now());
    let reference = call.store().reference().await?;
    let person = reference.people.get(&call.person());
    let qualified = person.is_some_and(|person| person.competent(CompetenceKind::QualifiedPerson, today));
    let mut errors = Vec::new();
    if !qualified {
        let detail = "only a qualified person says this, under their name: you have no valid competence";
        errors.extend(
            pointers
                .iter()
                .map(|pointer| FieldError::new(pointer, "qualified-person-needed", detail)),
        );
    }
    if reason.is_none() {
        let detail = format!(
            "say why: {} loosens what is asked for or allowed",
            pointers.join(", ")
        );
        errors.push(FieldError::new("/reason", "missing-field", detail));
    }
    if errors.is_empty() {
        Ok(())
    } else {
        Err(Problem::input(errors).into())
    }
}
