//! Guides in Markdown as HTML: headings that can be linked to, a list of contents, lines to type told from answers.

use super::page::escaped;
use pulldown_cmark::{CodeBlockKind, CowStr, Event, HeadingLevel, Options, Parser, Tag, TagEnd, html};

/// A guide.
pub(super) struct Guide {
    /// Its first heading.
    pub title: String,
    /// HTML that begins with that heading.
    pub html: String,
}

/// Renders a guide.
pub(super) fn render(source: &str) -> Guide {
    let mut events: Vec<Event<'_>> = Parser::new_ext(source, Options::ENABLE_TABLES).collect();
    let headings = name_headings(&mut events);
    let title = headings
        .first()
        .map(|heading| heading.text.clone())
        .unwrap_or_default();
    let contents = contents(&headings);
    let mut shown: Vec<Event<'_>> = Vec::with_capacity(events.len());
    let mut console = None;
    let mut contents = Some(contents);
    for event in events {
        match (&event, &mut console) {
            (Event::Start(Tag::CodeBlock(CodeBlockKind::Fenced(kind))), None)
                if kind.as_ref() == "console" =>
            {
                console = Some(String::new());
            }
            (Event::Text(text), Some(lines)) => lines.push_str(text),
            (Event::End(TagEnd::CodeBlock), Some(lines)) => {
                shown.push(Event::Html(CowStr::from(typed_and_answered(lines))));
                console = None;
            }
            (
                Event::Start(Tag::Heading {
                    level: HeadingLevel::H2,
                    ..
                }),
                None,
            ) => {
                // The contents stand after what the guide is for.
                if let Some(contents) = contents.take() {
                    shown.push(Event::Html(CowStr::from(contents)));
                }
                shown.push(event);
            }
            (Event::Start(Tag::Table(_)), None) => {
                shown.push(Event::Html(CowStr::from(SCROLL)));
                shown.push(event);
            }
            (Event::End(TagEnd::Table), None) => {
                shown.push(event);
                shown.push(Event::Html(CowStr::from("</div>\n")));
            }
            (_, _) => shown.push(event),
        }
    }
    let mut text = String::new();
    html::push_html(&mut text, shown.into_iter());
    Guide { title, html: text }
}

/// What a wide table scrolls in; reachable by keyboard.
const SCROLL: &str = "<div class=\"scroll\" role=\"region\" aria-label=\"Table\" tabindex=\"0\">\n";

struct Heading {
    level: HeadingLevel,
    id: String,
    text: String,
}

/// Gives every heading an id made of its words.
fn name_headings(events: &mut [Event<'_>]) -> Vec<Heading> {
    let mut headings: Vec<Heading> = Vec::new();
    let mut words: Option<String> = None;
    for event in events.iter() {
        match (event, &mut words) {
            (Event::Start(Tag::Heading { .. }), _) => words = Some(String::new()),
            (Event::Text(part) | Event::Code(part), Some(words)) => words.push_str(part),
            (Event::End(TagEnd::Heading(level)), Some(_)) => {
                let text = words.take().unwrap_or_default();
                headings.push(Heading {
                    level: *level,
                    id: id(&text),
                    text,
                });
            }
            (_, _) => {}
        }
    }
    let mut named = headings.iter();
    for event in events.iter_mut() {
        if let Event::Start(Tag::Heading { id, .. }) = event {
            *id = named.next().map(|heading| CowStr::from(heading.id.clone()));
        }
    }
    headings
}

/// `What to do on 409` becomes `what-to-do-on-409`.
fn id(text: &str) -> String {
    let letters: String = text
        .chars()
        .map(|letter| {
            if letter.is_alphanumeric() {
                letter.to_ascii_lowercase()
            } else {
                ' '
            }
        })
        .collect();
    letters.split_whitespace().collect::<Vec<_>>().join("-")
}

fn contents(headings: &[Heading]) -> String {
    let parts: String = headings
        .iter()
        .filter(|heading| heading.level == HeadingLevel::H2)
        .map(|heading| {
            format!(
                "<li><a href=\"#{}\">{}</a></li>",
                heading.id,
                escaped(&heading.text)
            )
        })
        .collect();
    format!("<nav class=\"contents\" aria-label=\"On this page\"><ol>{parts}</ol></nav>\n")
}

/// A console block: lines to type begin with `$ `, answers follow them.
fn typed_and_answered(block: &str) -> String {
    let lines: Vec<String> = block
        .lines()
        .map(|line| match line.strip_prefix("$ ") {
            Some(typed) => format!(
                "<span class=\"typed\"><span class=\"prompt\">$ </span>{}</span>",
                escaped(typed)
            ),
            None => format!("<span class=\"answer\">{}</span>", escaped(line)),
        })
        .collect();
    format!("<pre class=\"console\"><code>{}</code></pre>\n", lines.join("\n"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn headings_can_be_linked_to_and_are_listed_before_the_first_part() {
        let guide = render("# A guide\n\nWhat for.\n\n## First `part`\n\nText.\n\n## Second & last\n");
        assert_eq!(guide.title, "A guide");
        assert!(guide.html.contains("<h2 id=\"first-part\">"), "{}", guide.html);
        let (before, after) = guide.html.split_once("<nav").unwrap_or_default();
        assert!(
            before.contains("What for.") && after.contains("<h2"),
            "{}",
            guide.html
        );
        assert!(
            after.contains("<a href=\"#second-last\">Second &amp; last</a>"),
            "{}",
            guide.html
        );
    }

    #[test]
    fn lines_to_type_are_told_from_answers_and_nothing_in_them_is_html() {
        let guide = render("# G\n\n```console\n$ echo \"<b>\"\n<b>\n```\n");
        assert!(
            guide.html.contains(
                "<span class=\"typed\"><span class=\"prompt\">$ </span>echo &quot;&lt;b&gt;&quot;</span>\n\
                 <span class=\"answer\">&lt;b&gt;</span>"
            ),
            "{}",
            guide.html
        );
    }

    #[test]
    fn a_wide_table_scrolls_in_a_region_that_the_keyboard_reaches() {
        let guide = render("# G\n\n| a | b |\n|---|---|\n| 1 | 2 |\n");
        assert!(
            guide.html.contains("role=\"region\"") && guide.html.contains("tabindex=\"0\""),
            "{}",
            guide.html
        );
    }
}
