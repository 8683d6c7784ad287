//! The pages for people who write programs: reachable, readable by everybody, without a network and without a script.

use crate::support::{Reply, TestApp};
use clampward_wire::problem::CODES;
use roxmltree::{Document, Node, ParsingOptions};
use std::collections::{BTreeMap, BTreeSet};

/// What a browser says that it would like.
const BROWSER: &str = "text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8";

async fn page(app: &TestApp, path: &str) -> Reply {
    app.call("GET", path).header("Accept", BROWSER).send().await
}

/// A page as a tree; ours are well-formed.
fn tree(text: &str) -> Document<'_> {
    let options = ParsingOptions {
        allow_dtd: true,
        ..ParsingOptions::default()
    };
    Document::parse_with_options(text, options).unwrap_or_else(|error| panic!("{error}: {text}"))
}

fn elements<'a>(document: &'a Document<'_>, name: &str) -> Vec<Node<'a, 'a>> {
    document
        .descendants()
        .filter(|node| node.has_tag_name(name))
        .collect()
}

fn is_reference(path: &str) -> bool {
    path.starts_with("/docs/reference")
}

/// Goal: nobody is led nowhere. Method: from the first page follow every link and every fragment.
#[actix_web::test]
async fn every_link_of_the_documentation_leads_somewhere() {
    let app = TestApp::start().await;
    let mut texts: BTreeMap<String, String> = BTreeMap::new();
    let mut wanted: BTreeSet<(String, String)> = BTreeSet::new();
    let mut open = vec!["/docs".to_owned()];
    while let Some(path) = open.pop() {
        if texts.contains_key(&path) {
            continue;
        }
        let reply = page(&app, &path).await.succeeded(200);
        let html = reply
            .header("content-type")
            .is_some_and(|kind| kind.starts_with("text/html"));
        let text = if html && !is_reference(&path) {
            reply.page().to_owned()
        } else {
            String::new()
        };
        if !text.is_empty() {
            for link in elements(&tree(&text), "a")
                .iter()
                .chain(&elements(&tree(&text), "link"))
            {
                let target = link.attribute("href").expect("a link has a target").to_owned();
                assert!(target.starts_with(['/', '#']), "{path} leads away, to {target}");
                let (to, fragment) = target.split_once('#').unwrap_or((&target, ""));
                let to = if to.is_empty() { &path } else { to }.to_owned();
                wanted.insert((to.clone(), fragment.to_owned()));
                open.push(to);
            }
        }
        texts.insert(path, text);
    }
    for (path, fragment) in wanted.iter().filter(|(_, fragment)| !fragment.is_empty()) {
        let found = texts[path].contains(&format!("id=\"{fragment}\""));
        assert!(found, "{path} has no #{fragment}");
    }
    assert!(texts.len() > CODES.len() + 6, "{:?}", texts.keys());
    for path in texts.keys().filter(|path| !texts[*path].is_empty()) {
        is_readable_by_everybody(path, &tree(&texts[path]));
    }
    app.stop().await;
}

// Source: WCAG 2.2: 1.3.1 and 2.4.6 (headings), 2.4.1 (skip), 2.4.2 (title), 3.1.1 (language), 1.4.10 (reflow), 4.1.2.
fn is_readable_by_everybody(path: &str, page: &Document<'_>) {
    assert_eq!(page.root_element().attribute("lang"), Some("en"), "{path}");
    assert_eq!(elements(page, "title").len(), 1, "{path}");
    let levels: Vec<u32> = page
        .descendants()
        .filter_map(|node| node.tag_name().name().strip_prefix('h')?.parse().ok())
        .collect();
    assert_eq!(levels.first(), Some(&1), "{path}: {levels:?}");
    assert_eq!(levels.iter().filter(|level| **level == 1).count(), 1, "{path}");
    assert!(
        levels.windows(2).all(|pair| pair[1] <= pair[0] + 1),
        "{path}: a heading's level is left out in {levels:?}"
    );
    let first = elements(page, "a")[0];
    assert_eq!(
        first.attribute("href"),
        Some("#main"),
        "{path}: the first link skips to the main part"
    );
    assert_eq!(elements(page, "main")[0].attribute("id"), Some("main"), "{path}");
    let viewport = elements(page, "meta").iter().any(|meta| {
        meta.attribute("name") == Some("viewport")
            && meta
                .attribute("content")
                .is_some_and(|content| !content.contains("scalable"))
    });
    assert!(viewport, "{path}");
    for table in elements(page, "table") {
        assert!(
            table.descendants().any(|node| node.has_tag_name("th")),
            "{path}: a table without heads"
        );
    }
    for nav in elements(page, "nav") {
        assert!(
            nav.attribute("aria-label").is_some(),
            "{path}: a nameless navigation"
        );
    }
    for node in page.descendants().filter(Node::is_element) {
        assert!(
            !node.has_tag_name("script") && !node.has_tag_name("style"),
            "{path}"
        );
        assert!(
            node.attributes()
                .all(|attribute| attribute.name() != "style" && !attribute.name().starts_with("on")),
            "{path}: style or script inside the page"
        );
    }
}

#[actix_web::test]
async fn pages_may_load_only_our_own_style_and_the_reference_only_our_own_scripts() {
    let app = TestApp::start().await;
    for path in ["/docs", "/docs/field-apps", "/problems/not-fit"] {
        let policy = page(&app, path).await.succeeded(200);
        let policy = policy.header("content-security-policy").expect("a policy");
        assert!(
            policy.starts_with("default-src 'none'; style-src 'self'"),
            "{path}: {policy}"
        );
        assert!(
            !policy.contains("script-src") && !policy.contains("unsafe"),
            "{path}: {policy}"
        );
    }
    let reference = page(&app, "/docs/reference/").await.succeeded(200);
    let policy = reference.header("content-security-policy").expect("a policy");
    assert!(policy.contains("script-src 'self';"), "{policy}");
    // Every script of the reference is a file of ours: the policy would stop any other.
    for part in reference.page().split("<script").skip(1) {
        let (head, rest) = part.split_once('>').expect("a script");
        assert!(
            head.contains("src=\"./") && rest.trim_start().starts_with("</script>"),
            "{head}"
        );
    }
    app.call("GET", "/docs/reference/swagger-ui-bundle.js")
        .send()
        .await
        .succeeded(200);
    for (path, to) in [("/docs/", "/docs"), ("/docs/reference", "/docs/reference/")] {
        let moved = app.call("GET", path).send().await;
        // The client follows it.
        assert_eq!(moved.status, 200, "{path} leads to {to}");
    }
    app.stop().await;
}

#[actix_web::test]
async fn a_problem_is_explained_to_people_as_a_page_and_to_programs_as_json() {
    let app = TestApp::start().await;
    for kind in CODES {
        let path = format!("/problems/{}", kind.code);
        let program = app.call("GET", &path).send().await.succeeded(200);
        assert_eq!(program.body["code"], kind.code);
        assert_eq!(program.body["help"], kind.help);
        let person = page(&app, &path).await.succeeded(200);
        assert_eq!(person.header("content-type"), Some("text/html; charset=utf-8"));
        let heading = elements(&tree(person.page()), "h1")[0].text().map(str::to_owned);
        assert_eq!(heading.as_deref(), Some(kind.title));
    }
    for (accept, html) in [
        ("application/json", false),
        ("*/*", false),
        ("application/json, text/html;q=0.5", false),
        ("text/html;q=0.9, application/json;q=0.5", true),
    ] {
        let reply = app
            .call("GET", "/problems/not-fit")
            .header("Accept", accept)
            .send()
            .await;
        let is_html = reply
            .header("content-type")
            .is_some_and(|kind| kind.starts_with("text/html"));
        assert_eq!(is_html, html, "{accept}");
    }
    page(&app, "/problems/no-such-code")
        .await
        .refused(404, "not-found");
    app.stop().await;
}

#[actix_web::test]
async fn the_contract_and_the_pages_are_not_sent_again_to_whoever_has_them() {
    let app = TestApp::start().await;
    for path in ["/openapi.json", "/docs", "/docs/style.css", "/docs/erp"] {
        let first = page(&app, path).await.succeeded(200);
        let again = app
            .call("GET", path)
            .header("If-None-Match", first.etag())
            .send()
            .await;
        assert_eq!((again.status, again.bytes.len()), (304, 0), "{path}");
    }
    let served = app.call("GET", "/openapi.json").send().await.succeeded(200);
    let published = clampward_api::openapi::published().expect("JSON");
    assert_eq!(served.body, published, "what is served is what is published");
    app.stop().await;
}
