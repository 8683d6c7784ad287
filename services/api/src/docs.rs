//! The pages for people who write programs against this service: guides, the interactive reference, problems, permissions.
//!
//! Everything is in the binary and nothing is fetched from elsewhere, so the pages work without a network. They are made
//! once, from the published contract, the tables of the code and the guides in `services/api/docs`; they hold nothing
//! secret, know no database and need no script except in the interactive reference.

mod markdown;
mod page;
mod tables;

use crate::openapi;
use crate::reply::{Failure, etag};
use actix_web::http::header::{
    ACCEPT, Accept, CACHE_CONTROL, CONTENT_TYPE, ETAG, Header, IF_NONE_MATCH, LOCATION,
};
use actix_web::web::{Bytes, ServiceConfig};
use actix_web::{HttpRequest, HttpResponse, ResponseError, web};
use clampward_wire::problem::Kind;
use page::Page;
use std::collections::BTreeMap;
use std::sync::OnceLock;
use utoipa_swagger_ui::{Config, SwaggerUi};

/// Path of the contract for programs.
pub const CONTRACT: &str = "/openapi.json";
/// How long a page may be kept before it is asked for again; it changes only with the program.
const KEPT: &str = "public, max-age=300";
const HTML: &str = "text/html; charset=utf-8";
const STYLE: &str = include_str!("docs/style.css");

/// What is served, made once.
struct Made {
    contract: Served,
    style: Served,
    pages: BTreeMap<&'static str, Served>,
    problems: BTreeMap<&'static str, Served>,
}

/// Bytes with what they are.
struct Served {
    kind: &'static str,
    bytes: Bytes,
    etag: String,
}

impl Served {
    fn new(kind: &'static str, text: String) -> Self {
        let etag = etag(text.as_bytes());
        Self {
            kind,
            bytes: Bytes::from(text),
            etag,
        }
    }
    fn answer(&self, request: &HttpRequest) -> HttpResponse {
        let known = request
            .headers()
            .get_all(IF_NONE_MATCH)
            .any(|given| given.to_str().is_ok_and(|given| given.contains(&self.etag)));
        let mut answer = if known {
            HttpResponse::NotModified()
        } else {
            HttpResponse::Ok()
        };
        answer
            .insert_header((ETAG, self.etag.as_str()))
            .insert_header((CACHE_CONTROL, KEPT));
        if known {
            return answer.finish();
        }
        answer
            .insert_header((CONTENT_TYPE, self.kind))
            .body(self.bytes.clone())
    }
}

/// Everything, made the first time that it is asked for; others are answered meanwhile.
async fn made() -> &'static Made {
    static MADE: OnceLock<Made> = OnceLock::new();
    if let Some(made) = MADE.get() {
        return made;
    }
    let making = web::block(|| MADE.get_or_init(Made::new)).await;
    making.unwrap_or_else(|_| MADE.get_or_init(Made::new))
}

impl Made {
    fn new() -> Self {
        // The document is ours and always JSON; the tests of the contract would fail otherwise.
        let document = openapi::published().unwrap_or_default();
        let html = |page: &Page| Served::new(HTML, page.html());
        let operations = tables::operations(&document);
        Self {
            contract: Served::new("application/json", document.to_string()),
            style: Served::new("text/css; charset=utf-8", STYLE.to_owned()),
            pages: tables::pages(&operations)
                .iter()
                .map(|page| (page.path, html(page)))
                .collect(),
            problems: clampward_wire::problem::CODES
                .iter()
                .map(|kind| (kind.code, html(&tables::problem(kind, &operations))))
                .collect(),
        }
    }
}

/// Registers the pages, the contract and the interactive reference.
pub fn register(config: &mut ServiceConfig) {
    let reference = Config::new([CONTRACT])
        .try_it_out_enabled(false)
        .use_base_layout();
    config
        .route(CONTRACT, web::get().to(contract))
        .route("/docs/style.css", web::get().to(style))
        .route("/docs/", web::get().to(|| moved("/docs")))
        .route("/docs/reference", web::get().to(|| moved("/docs/reference/")))
        .service(SwaggerUi::new("/docs/reference/{_:.*}").config(reference))
        .route("/docs", web::get().to(shown))
        .route("/docs/{page}", web::get().to(shown));
}

async fn contract(request: HttpRequest) -> HttpResponse {
    made().await.contract.answer(&request)
}

async fn style(request: HttpRequest) -> HttpResponse {
    made().await.style.answer(&request)
}

async fn moved(to: &'static str) -> HttpResponse {
    HttpResponse::PermanentRedirect()
        .insert_header((LOCATION, to))
        .finish()
}

async fn shown(request: HttpRequest) -> HttpResponse {
    match made().await.pages.get(request.match_info().as_str()) {
        Some(page) => page.answer(&request),
        None => Failure::not_found("page").error_response(),
    }
}

/// The help page of a problem, if the reader is a person with a browser; programs get JSON.
pub async fn problem_page(request: &HttpRequest, kind: &Kind) -> Option<HttpResponse> {
    if !wants_page(request) {
        return None;
    }
    made()
        .await
        .problems
        .get(kind.code)
        .map(|page| page.answer(request))
}

/// Whether the reader would rather have a page than JSON.
fn wants_page(request: &HttpRequest) -> bool {
    if !request.headers().contains_key(ACCEPT) {
        return false;
    }
    let Ok(accept) = Accept::parse(request) else {
        return false;
    };
    accept
        .ranked()
        .iter()
        .find_map(|media| match (media.type_().as_str(), media.subtype().as_str()) {
            ("text", "html") => Some(true),
            ("application" | "*", _) => Some(false),
            _ => None,
        })
        .unwrap_or(false)
}
