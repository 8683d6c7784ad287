//! The frame of a page: head, way around, main part. Plain HTML that needs no script.

/// Where one can go from every page.
const WAYS: &[(&str, &str)] = &[
    ("/docs", "Documentation"),
    ("/docs/field-apps", "Field apps"),
    ("/docs/erp", "ERP"),
    ("/docs/reference/", "Reference"),
    ("/docs/problems", "Problems"),
    ("/docs/permissions", "Permissions"),
    ("/docs/limits", "Limits"),
];

/// A page.
pub(super) struct Page {
    /// Its path.
    pub path: &'static str,
    /// Its title, as text.
    pub title: String,
    /// Its main part, as HTML that begins with the heading.
    pub main: String,
}

impl Page {
    /// The whole page.
    pub fn html(&self) -> String {
        let ways: String = WAYS
            .iter()
            .map(|(path, name)| {
                let here = if *path == self.path {
                    " aria-current=\"page\""
                } else {
                    ""
                };
                format!("<li><a href=\"{path}\"{here}>{name}</a></li>")
            })
            .collect();
        let title = escaped(&self.title);
        let main = &self.main;
        format!(
            "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\"/>\n\
             <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"/>\n\
             <title>{title} · Clampward</title>\n<link rel=\"stylesheet\" href=\"/docs/style.css\"/>\n</head>\n<body>\n\
             <a class=\"skip\" href=\"#main\">Skip to the main part</a>\n\
             <header><p class=\"name\">Clampward</p><nav aria-label=\"Documentation\"><ul>{ways}</ul></nav></header>\n\
             <main id=\"main\">\n{main}\n</main>\n\
             <footer><p>This service records and reminds; it does not make a lift safe. The employer’s competent person, the \
             maker’s instructions and local law decide.</p></footer>\n</body>\n</html>\n"
        )
    }
}

/// Text as HTML.
pub(super) fn escaped(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
        .replace('"', "&quot;")
}

/// Text as HTML, where what stands between backticks is code.
pub(super) fn with_code(text: &str) -> String {
    let mut html = String::new();
    for (index, part) in text.split('`').enumerate() {
        if index % 2 == 0 {
            html.push_str(&escaped(part));
        } else {
            html.push_str(&format!("<code>{}</code>", escaped(part)));
        }
    }
    html
}
