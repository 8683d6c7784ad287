//! What the contract says of an operation that is done once under an `Idempotency-Key`.

use clampward_store::once::KEPT_HOURS;
use serde_json::Value;
use utoipa::openapi::path::{Operation, ParameterBuilder, ParameterIn};
use utoipa::openapi::schema::{ObjectBuilder, Type};
use utoipa::openapi::{RefOr, Required};

/// Adds the header to an operation.
pub(super) fn take_key(operation: &mut Operation) {
    const UUID: &str = "[0-9A-Fa-f]{8}(-[0-9A-Fa-f]{4}){3}-[0-9A-Fa-f]{12}";
    let text = format!(
        "A UUID of your making, best of version 4, in quotes or bare. Sent again within {KEPT_HOURS} hours with the same \
         body, the request is not done again and gets its first answer, with `Idempotency-Replayed: true`."
    );
    let key = ParameterBuilder::new()
        .name("Idempotency-Key")
        .parameter_in(ParameterIn::Header)
        .required(Required::False)
        .description(Some(text))
        .example(Some(Value::from("\"8e03978e-40d5-43e8-bc93-6894a57f9324\"")))
        .schema(Some(
            ObjectBuilder::new()
                .schema_type(Type::String)
                .pattern(Some(format!("^(\"{UUID}\"|{UUID})$"))),
        ))
        .build();
    operation.parameters.get_or_insert_default().push(RefOr::T(key));
}
