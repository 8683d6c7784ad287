//! Which form of an answer a caller accepts. It knows no operation.

use super::Failure;
use actix_web::HttpRequest;
use actix_web::http::header::{ACCEPT, Accept, Header, Quality};
use actix_web::mime::{Mime, STAR};
use clampward_wire::problem;

/// A form in which lists and counts can be answered.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Form {
    /// One JSON object.
    Json,
    /// Comma-separated values (RFC 4180) with a heading.
    Csv,
    /// One JSON object per line.
    NdJson,
}

impl Form {
    /// Every form of a list; the first is what is answered if nothing is asked for.
    pub const OF_LISTS: [Self; 3] = [Self::Json, Self::Csv, Self::NdJson];

    /// The media type by which it is asked for.
    pub const fn media_type(self) -> &'static str {
        match self {
            Self::Json => "application/json",
            Self::Csv => "text/csv",
            Self::NdJson => "application/x-ndjson",
        }
    }
    /// The form that the caller likes best among those that are offered.
    pub fn asked(request: &HttpRequest, offered: &[Self]) -> Result<Self, Failure> {
        if !request.headers().contains_key(ACCEPT) {
            return offered.first().copied().ok_or_else(|| not_offered(offered));
        }
        let accepted = Accept::parse(request).map_err(|_| not_offered(offered))?;
        // Of equally liked ones the first that is offered.
        let mut best: Option<(Quality, Self)> = None;
        for form in offered {
            let quality = quality(&accepted, *form);
            if quality > Quality::ZERO && best.is_none_or(|(known, _)| quality > known) {
                best = Some((quality, *form));
            }
        }
        best.map(|(_, form)| form).ok_or_else(|| not_offered(offered))
    }
}

/// How well a form is liked: by the most specific range that it falls into (RFC 9110 section 12.5.1).
fn quality(accepted: &Accept, form: Form) -> Quality {
    let (kind, subtype) = form.media_type().split_once('/').unwrap_or_default();
    let specificity = |range: &Mime| match (range.type_() == kind, range.subtype() == subtype) {
        (true, true) => Some(2),
        (true, false) if range.subtype() == STAR => Some(1),
        (false, false) if range.type_() == STAR && range.subtype() == STAR => Some(0),
        _ => None,
    };
    accepted
        .iter()
        .filter_map(|range| Some((specificity(&range.item)?, range.quality)))
        .max_by_key(|(specificity, _)| *specificity)
        .map_or(Quality::ZERO, |(_, quality)| quality)
}

fn not_offered(offered: &[Form]) -> Failure {
    let names: Vec<&str> = offered.iter().map(|form| form.media_type()).collect();
    let detail = format!(
        "This is answered as {}: name one of them in Accept.",
        names.join(", ")
    );
    Failure::new(problem::NOT_ACCEPTABLE, detail)
}

#[cfg(test)]
mod tests {
    use super::*;
    use actix_web::test::TestRequest;

    fn asked(accept: &str) -> Option<Form> {
        let request = TestRequest::default()
            .insert_header((ACCEPT, accept))
            .to_http_request();
        Form::asked(&request, &Form::OF_LISTS).ok()
    }

    // Source: RFC 9110 section 12.5.1 (ranges, most specific first, q-values, q=0 means never).
    #[test]
    fn the_most_specific_range_and_the_highest_quality_decide() {
        for (accept, form) in [
            ("*/*", Some(Form::Json)),
            ("text/csv", Some(Form::Csv)),
            ("TEXT/CSV", Some(Form::Csv)),
            ("text/*", Some(Form::Csv)),
            ("application/*", Some(Form::Json)),
            ("application/x-ndjson", Some(Form::NdJson)),
            ("text/csv;q=0.5, application/x-ndjson;q=0.8", Some(Form::NdJson)),
            ("application/json;q=0.2, text/csv;q=0.3", Some(Form::Csv)),
            ("application/json, text/csv", Some(Form::Json)),
            ("*/*, application/json;q=0", Some(Form::Csv)),
            ("application/*, application/json;q=0.1", Some(Form::NdJson)),
            ("text/html, */*;q=0.1", Some(Form::Json)),
            ("text/csv; header=present", Some(Form::Csv)),
            ("application/json;q=0", None),
            ("text/html", None),
            ("image/*", None),
        ] {
            assert_eq!(asked(accept), form, "{accept}");
        }
    }

    #[test]
    fn nothing_asked_for_is_json_and_a_refusal_says_what_is_offered() {
        let request = TestRequest::default().to_http_request();
        assert_eq!(Form::asked(&request, &Form::OF_LISTS).ok(), Some(Form::Json));
        let request = TestRequest::default()
            .insert_header((ACCEPT, "text/html"))
            .to_http_request();
        let refused = Form::asked(&request, &Form::OF_LISTS).expect_err("refused");
        for form in Form::OF_LISTS {
            assert!(refused.problem().detail.contains(form.media_type()), "{refused}");
        }
    }
}
