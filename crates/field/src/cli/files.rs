//! `export` and `import`: what is unsent, as a file that another device or a person can bring in.

use super::{Desk, sync};
use crate::export;
use crate::failure::{Done, Failure};
use serde_json::{Value, json};
use std::io::Write;
use std::path::Path;

/// `export`: the entries stay here as unsent as before; brought in twice, they are recorded once.
pub(super) fn export(desk: &Desk<'_>, file: &Path) -> Done<bool> {
    let moment = desk.host.clock.moment();
    let exported = export::export(&desk.database, &moment)?;
    let failed = |cause| Failure::File {
        path: file.display().to_string(),
        cause,
    };
    let mut out = crate::private::options()
        .truncate(true)
        .open(file)
        .map_err(failed)?;
    // A stick may know no owners: the file is written all the same.
    let _ = crate::private::tighten(file);
    out.write_all(&serde_json::to_vec(&exported.file)?)
        .map_err(failed)?;
    out.sync_all().map_err(failed)?;
    desk.say(&json!({"entries": exported.entries, "file": file.display().to_string()}), || {
        format!(
            "{} in {}. Have somebody bring it in with `clampward-field import`; what is unsent stays here until this \
             device has synchronised itself.",
            match exported.entries {
                1 => "1 entry".to_owned(),
                more => format!("{more} entries"),
            },
            file.display()
        )
    });
    Ok(true)
}

/// `import`: the service verifies and records, whoever brings the file.
pub(super) fn import(desk: &Desk<'_>, file: &Path) -> Done<bool> {
    let failed = |cause| Failure::File {
        path: file.display().to_string(),
        cause,
    };
    let text = std::fs::read(file).map_err(failed)?;
    let mut answers = Vec::new();
    for body in export::bodies(&text)? {
        answers.push(sync::bring_in(desk, &serde_json::to_vec(&body)?)?);
    }
    let results: Vec<&Value> = answers
        .iter()
        .filter_map(|answer| answer.get("results").and_then(Value::as_array))
        .flatten()
        .collect();
    let count = |outcome: &str| {
        results
            .iter()
            .filter(|result| result.get("outcome").and_then(Value::as_str) == Some(outcome))
            .count()
    };
    let value = json!({
        "recorded": count("recorded"),
        "already_recorded": count("already_recorded"),
        "held": count("held"),
        "refused": count("refused"),
        "retry": count("retry"),
    });
    desk.say(&value, || value.to_string());
    Ok(count("retry") == 0)
}
