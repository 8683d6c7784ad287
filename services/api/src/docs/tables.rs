//! The pages that are made from the tables of the code and the published contract, and the list of all pages.

use super::markdown;
use super::page::{Page, escaped, with_code};
use crate::permission::{self, Row};
use clampward_wire::problem::{CODES, Kind};
use serde_json::Value;

const FIELD_APPS: &str = include_str!("../../docs/field-apps.md");
const ERP: &str = include_str!("../../docs/erp.md");

/// An operation, as these pages show it.
pub(super) struct Operation {
    name: String,
    summary: String,
    permission: String,
    problems: Vec<String>,
}

/// The operations of the contract.
pub(super) fn operations(document: &Value) -> Vec<Operation> {
    let text = |value: &Value, name: &str| {
        value
            .get(name)
            .and_then(Value::as_str)
            .unwrap_or_default()
            .to_owned()
    };
    let paths = document.get("paths").and_then(Value::as_object);
    let mut found = Vec::new();
    for (path, item) in paths.into_iter().flatten() {
        for (method, operation) in item.as_object().into_iter().flatten() {
            let problems = operation.get(crate::openapi::PROBLEMS).and_then(Value::as_array);
            found.push(Operation {
                name: format!("{} {path}", method.to_uppercase()),
                summary: text(operation, "summary"),
                permission: text(operation, crate::openapi::PERMISSION),
                problems: problems
                    .into_iter()
                    .flatten()
                    .filter_map(Value::as_str)
                    .map(str::to_owned)
                    .collect(),
            });
        }
    }
    found
}

/// Every page but the help on single problems.
pub(super) fn pages(operations: &[Operation]) -> Vec<Page> {
    vec![
        index(),
        guide("/docs/field-apps", FIELD_APPS),
        guide("/docs/erp", ERP),
        problems(),
        permissions(operations),
        limits(),
    ]
}

fn guide(path: &'static str, source: &str) -> Page {
    let guide = markdown::render(source);
    Page {
        path,
        title: guide.title,
        main: guide.html,
    }
}

fn index() -> Page {
    let cards: String = [
        ("/docs/field-apps", "Guide for field apps", "Sign in, ask whether a clamp is fit, scan a mark, record inspections, and send again without fear. Every line can be tried."),
        ("/docs/erp", "Guide for ERP connections", "A service account, counts of what is out of service, lists page by page or whole, and what changed."),
        ("/docs/reference/", "Interactive reference", "Every operation with its fields, examples, permission and problems."),
        ("/docs/problems", "Problems", "Every code that an error can bear: what it means, and what to do."),
        ("/docs/permissions", "Permissions", "Who may do what, and which operation asks for which permission."),
        ("/docs/limits", "Limits", "Sizes, times and numbers that the service keeps to."),
        ("/openapi.json", "The contract for programs", "OpenAPI 3.1: generate a client, or compare it with yours."),
    ]
    .iter()
    .map(|(path, name, text)| format!("<li><h2><a href=\"{path}\">{name}</a></h2><p>{text}</p></li>"))
    .collect();
    Page {
        path: "/docs",
        title: "Documentation".to_owned(),
        main: format!(
            "<h1>Documentation</h1>\n<p>Clampward keeps plate lifting clamps over their whole life: what each one is, where it \
             is, whether it may be used now, and why not. These pages are for people who write programs against it.</p>\n\
             <ul class=\"cards\">{cards}</ul>"
        ),
    }
}

fn problems() -> Page {
    let rows: String = CODES
        .iter()
        .map(|kind| {
            format!(
                "<tr><th scope=\"row\"><a href=\"/problems/{code}\"><code>{code}</code></a></th><td class=\"number\">{status}</td><td class=\"wide\">{title}</td></tr>",
                code = kind.code,
                status = kind.status,
                title = escaped(kind.title)
            )
        })
        .collect();
    let lead = "Every answer of 400 and above is a problem document (RFC 9457). Its <code>code</code> is one of these and stays \
                what it is; its <code>type</code> is the path of the page here. Texts may change: branch on the code.";
    Page {
        path: "/docs/problems",
        title: "Problems".to_owned(),
        main: format!(
            "<h1>Problems</h1>\n<p>{lead}</p>\n{}",
            table(
                "Every code, its HTTP status and what it says",
                &["Code", "Status", "Title"],
                &rows
            )
        ),
    }
}

/// The help page of one problem.
pub(super) fn problem(kind: &Kind, operations: &[Operation]) -> Page {
    let able: String = operations
        .iter()
        .filter(|operation| operation.problems.iter().any(|code| code == kind.code))
        .map(|operation| {
            format!(
                "<li><code>{}</code>: {}</li>",
                escaped(&operation.name),
                escaped(&operation.summary)
            )
        })
        .collect();
    let able = if able.is_empty() {
        "<p>No operation by itself; the service as a whole.</p>".to_owned()
    } else {
        format!("<ul>{able}</ul>")
    };
    Page {
        path: "/problems",
        title: kind.title.to_owned(),
        main: format!(
            "<h1>{}</h1>\n<p>Code <code>{}</code>, HTTP status {}. <a href=\"/docs/problems\">All problems</a></p>\n<p>{}</p>\n\
             <h2>Where it can occur</h2>\n{able}",
            escaped(kind.title),
            kind.code,
            kind.status,
            with_code(kind.help)
        ),
    }
}

fn permissions(operations: &[Operation]) -> Page {
    let row = |row: &Row| {
        let roles: Vec<&str> = row.roles.iter().map(|role| role.code()).collect();
        format!(
            "<tr><th scope=\"row\"><code>{}</code></th><td class=\"wide\">{}</td><td>{}</td></tr>",
            row.name,
            escaped(row.allows),
            roles.join(", ")
        )
    };
    let rows: String = permission::TABLE.iter().map(row).collect();
    let asked: String = operations
        .iter()
        .map(|operation| {
            format!(
                "<tr><th scope=\"row\"><code>{}</code></th><td class=\"wide\">{}</td><td><code>{}</code></td></tr>",
                escaped(&operation.name),
                escaped(&operation.summary),
                escaped(&operation.permission)
            )
        })
        .collect();
    Page {
        path: "/docs/permissions",
        title: "Permissions".to_owned(),
        main: format!(
            "<h1>Permissions</h1>\n<p>A permission is held by roles; a person has roles for some yards, or for all. What lies \
             outside one’s yards answers as what does not exist. Roles are read with every request: a change acts at \
             once.</p>\n<h2>Who may do what</h2>\n{}\n<h2>Which operation asks for which</h2>\n{}",
            table(
                "Permissions and the roles that hold them",
                &["Permission", "Allows", "Roles"],
                &rows
            ),
            table(
                "Operations and their permission",
                &["Operation", "Does", "Permission"],
                &asked
            )
        ),
    }
}

fn limits() -> Page {
    let rows: String = crate::limits::TABLE
        .iter()
        .map(|limit| {
            let unit = serde_json::to_value(limit.unit).unwrap_or_default();
            format!(
                "<tr><th scope=\"row\"><code>{}</code></th><td class=\"number\">{} {}</td><td class=\"wide\">{}</td></tr>",
                limit.name,
                grouped(limit.value),
                unit.as_str().unwrap_or_default(),
                with_code(limit.bounds)
            )
        })
        .collect();
    Page {
        path: "/docs/limits",
        title: "Limits".to_owned(),
        main: format!(
            "<h1>Limits</h1>\n<p>Everything that the service takes or keeps has an end. These are the usual values; what holds \
             here is answered to programs by <code>GET /v1/limits</code>.</p>\n{}",
            table(
                "Limits as they usually are",
                &["Name", "Value", "What it bounds"],
                &rows
            )
        ),
    }
}

/// A number with thin spaces between thousands, which no reader takes for a decimal mark.
fn grouped(value: u64) -> String {
    let digits = value.to_string();
    let mut text = String::new();
    for (index, digit) in digits.chars().enumerate() {
        if index > 0 && (digits.len() - index).is_multiple_of(3) {
            text.push('\u{202f}');
        }
        text.push(digit);
    }
    text
}

fn table(caption: &str, heads: &[&str], rows: &str) -> String {
    let heads: String = heads
        .iter()
        .map(|head| format!("<th scope=\"col\">{head}</th>"))
        .collect();
    format!(
        "<div class=\"scroll\" role=\"region\" aria-label=\"{caption}\" tabindex=\"0\">\n<table><caption>{caption}</caption>\
         <thead><tr>{heads}</tr></thead><tbody>{rows}</tbody></table>\n</div>"
    )
}

#[cfg(test)]
mod tests {
    /// A named colour of the stylesheet.
    fn colour(name: &str) -> [f64; 3] {
        let line = super::super::STYLE
            .lines()
            .find_map(|line| {
                line.trim()
                    .strip_prefix(&format!("--{name}: #"))?
                    .strip_suffix(';')
            })
            .unwrap_or_else(|| panic!("{name}"));
        [0, 2, 4].map(|at| f64::from(u8::from_str_radix(&line[at..at + 2], 16).expect("hex")) / 255.0)
    }

    // Source: WCAG 2.2, definition of relative luminance and contrast ratio; 1.4.3 demands 4.5, 1.4.6 demands 7.
    fn contrast(one: &str, other: &str) -> f64 {
        let luminance = |name: &str| {
            let [red, green, blue] = colour(name).map(|part| {
                if part <= 0.04045 {
                    part / 12.92
                } else {
                    ((part + 0.055) / 1.055).powf(2.4)
                }
            });
            0.2126 * red + 0.7152 * green + 0.0722 * blue
        };
        let (one, other) = (luminance(one), luminance(other));
        (one.max(other) + 0.05) / (one.min(other) + 0.05)
    }

    #[test]
    fn texts_stand_out_from_their_ground_in_the_sun_too() {
        for (text, ground) in [
            ("ink", "ground"),
            ("quiet", "ground"),
            ("link", "ground"),
            ("code-ink", "code-ground"),
            ("typed", "code-ground"),
            ("answer", "code-ground"),
            ("link", "code-ground"),
            ("bar-ink", "bar"),
        ] {
            let found = contrast(text, ground);
            assert!(found >= 7.0, "{text} on {ground}: {found:.1}");
        }
        // Controls and their focus: WCAG 1.4.11 demands 3.
        assert!(contrast("focus", "ground") >= 3.0);
    }
}
