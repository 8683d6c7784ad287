//! A mail as plain text.

use super::{CAUTION, Page};

pub(super) fn write(page: &Page<'_>) -> String {
    let mut text = format!("{}\n", page.greeting);
    if let Some(late) = &page.late {
        text.push_str(&format!("\n{late}\n"));
    }
    for section in page.sections {
        text.push_str(&format!("\n{}\n", section.title.to_uppercase()));
        text.push_str(&format!("What to do: {}\n\n", section.next_step));
        for line in &section.lines {
            let place = if line.place.is_empty() {
                String::new()
            } else {
                format!(" [{}]", line.place)
            };
            text.push_str(&format!("- {}{place}: {}\n", line.head, line.rest));
            for remark in &line.remarks {
                text.push_str(&format!("  {remark}\n"));
            }
            if let Some(service) = page.service {
                text.push_str(&format!("  {}{}\n", service.trim_end_matches('/'), line.path));
            }
        }
    }
    text.push_str("\nAcknowledge a notice once you see to it; otherwise those above you hear of it.\n");
    text.push_str(&format!("\n{CAUTION}\n"));
    text
}
