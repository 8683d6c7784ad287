//! A mail as HTML: one column, no image, no script, nothing fetched from anywhere.

use super::{CAUTION, Page};

/// What a text is in HTML.
fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            other => out.push(other),
        }
    }
    out
}

pub(super) fn write(page: &Page<'_>) -> String {
    let mut html = String::from("<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n");
    html.push_str("<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n");
    html.push_str(&format!("<title>{}</title>\n</head>\n", escaped(page.subject)));
    html.push_str(
        "<body style=\"margin:0 auto;padding:16px;max-width:640px;font:16px/1.5 sans-serif;color:#1a1a1a;background:#ffffff\">\n",
    );
    html.push_str(&format!(
        "<p style=\"margin:0 0 16px\">{}</p>\n",
        escaped(&page.greeting)
    ));
    if let Some(late) = &page.late {
        html.push_str(&format!(
            "<p style=\"margin:0 0 16px;padding:8px 12px;border:2px solid #1a1a1a\"><strong>{}</strong></p>\n",
            escaped(late)
        ));
    }
    for section in page.sections {
        html.push_str(&format!(
            "<h2 style=\"margin:24px 0 4px;font-size:20px;line-height:1.25\">{}</h2>\n",
            escaped(&section.title)
        ));
        html.push_str(&format!(
            "<p style=\"margin:0 0 12px\"><strong>What to do:</strong> {}</p>\n<ul style=\"margin:0;padding:0;list-style:none\">\n",
            escaped(section.next_step)
        ));
        for line in &section.lines {
            html.push_str("<li style=\"margin:0;padding:10px 0;border-top:1px solid #b5b5b5\">");
            html.push_str(&format!(
                "<strong style=\"font-size:18px\">{}</strong>",
                escaped(&line.head)
            ));
            if !line.place.is_empty() {
                html.push_str(&format!(
                    " <span style=\"color:#595959\">{}</span>",
                    escaped(&line.place)
                ));
            }
            html.push_str(&format!("<br>{}", escaped(&line.rest)));
            for remark in &line.remarks {
                html.push_str(&format!("<br><em>{}</em>", escaped(remark)));
            }
            if let Some(service) = page.service {
                let address = format!("{}{}", service.trim_end_matches('/'), line.path);
                html.push_str(&format!(
                    "<br><a href=\"{0}\" style=\"color:#0b4f8a;word-break:break-all\">{0}</a>",
                    escaped(&address)
                ));
            }
            html.push_str("</li>\n");
        }
        html.push_str("</ul>\n");
    }
    html.push_str(
        "<p style=\"margin:24px 0 12px\">Acknowledge a notice once you see to it; otherwise those above you hear of it.</p>\n",
    );
    html.push_str(&format!(
        "<p style=\"margin:0;color:#595959;font-size:14px\">{}</p>\n</body>\n</html>\n",
        escaped(CAUTION)
    ));
    html
}
