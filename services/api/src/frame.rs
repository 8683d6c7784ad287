//! The frame around every request: its ids, its limits, its place under load, one log line, the headers that every
//! answer bears, and the body of problems.
//!
//! An incoming `X-Request-Id` is the client's own name for the request: it is logged, ours is answered. The frame knows
//! no operation by name: what it needs of one stands in the [`Catalogue`].

mod call;
mod correlation;
mod deflate;
mod headers;
mod held;
mod inflate;
mod parked;
mod problems;
mod seen;

pub(crate) use correlation::Ids;
pub(crate) use parked::Parked;
pub(crate) use problems::unknown;
pub(crate) use seen::{Seen, is_noted, note};

use crate::catalogue::{Catalogue, Known};
use crate::limits;
use crate::metrics::Metrics;
use crate::quota::Quotas;
use crate::random;
use crate::readiness::Readiness;
use crate::reply::{Failure, Form};
use crate::shedding::{Class, Place, Shedder};
use actix_web::body::{BoxBody, MessageBody};
use actix_web::dev::{ServiceRequest, ServiceResponse};
use actix_web::error::InternalError;
use actix_web::http::header::{CONTENT_ENCODING, HeaderMap};
use actix_web::http::{ConnectionType, Method};
use actix_web::middleware::Next;
use actix_web::{Error, HttpMessage, HttpRequest, HttpResponse, ResponseError};
use call::Ended;
use clampward_store::Clock;
use std::rc::Rc;
use std::sync::Arc;
use std::time::{Duration, Instant};
use uuid::Uuid;

/// What the frame of one worker needs.
pub(crate) struct Frame {
    pub clock: Arc<dyn Clock>,
    pub catalogue: Arc<Catalogue>,
    pub shedder: Arc<Shedder>,
    pub quotas: Arc<Quotas>,
    pub metrics: Arc<Metrics>,
    pub readiness: Arc<Readiness>,
    /// How long a request may take.
    pub deadline: Duration,
}

/// What is known of a request before anybody looks into it.
struct Asked<'a> {
    started: Instant,
    ids: Ids,
    client_id: Option<String>,
    method: Method,
    known: Option<&'a Known>,
    policy: &'static str,
    seen: Rc<Seen>,
}

/// Says that requests of this one's class are near their limit.
#[derive(Clone, Copy)]
struct Crowded;

/// Whether requests of this one's class are near their limit: whoever can wait should.
pub(crate) fn is_crowded(request: &HttpRequest) -> bool {
    request.extensions().contains::<Crowded>()
}

/// Frames a request.
pub(crate) async fn frame<B: MessageBody + 'static>(
    frame: Rc<Frame>,
    mut request: ServiceRequest,
    next: Next<B>,
) -> Result<ServiceResponse<BoxBody>, Error> {
    let id = random::id(frame.clock.now()).unwrap_or_default();
    let path = request.match_info().as_str();
    let asked = Asked {
        started: Instant::now(),
        ids: Ids::of(request.headers(), id),
        client_id: correlation::client_id(request.headers()).map(str::to_owned),
        method: request.method().clone(),
        known: frame.catalogue.find(request.method(), path),
        policy: headers::policy(path),
        seen: Rc::default(),
    };
    request.extensions_mut().insert(Rc::clone(&asked.seen));
    let place = match frame.admit(&mut request, asked.known) {
        Ok(place) => place,
        Err(refused) => {
            let response = frame.finish(refused.error_response(), &asked);
            return Ok(request.into_response(response));
        }
    };
    let place = Parked::of(&frame.shedder, place);
    request.extensions_mut().insert(Rc::clone(&place));
    let waits = asked.known.is_some_and(|known| known.waits);
    let deadline = frame.deadline
        + if waits {
            limits::PULL_WAIT.duration()
        } else {
            Duration::ZERO
        };
    let failed = match call::call(asked.ids, deadline, next.call(request)).await {
        Ended::Done(Ok(response)) => {
            let (request, response) = response.into_parts();
            let response = frame.finish(response.map_into_boxed_body(), &asked);
            let response = deflate::deflated(&request, held::hold(response, place.take()));
            return Ok(ServiceResponse::new(request, response));
        }
        Ended::Done(Err(error)) => error.error_response(),
        Ended::GivenUp => problems::took_too_long().error_response(),
        Ended::Panicked => problems::broken().error_response(),
    };
    // The request went with what failed: its answer travels as an error.
    let response = frame.finish(failed, &asked);
    Err(InternalError::from_response("the request failed", response).into())
}

impl Frame {
    /// Whether a request may come in: not too large, compressed in a known way, and with room for its class.
    fn admit(&self, request: &mut ServiceRequest, known: Option<&Known>) -> Result<Option<Place>, Failure> {
        let address = request.uri().path_and_query().map_or(0, |all| all.as_str().len());
        if address > limits::ADDRESS.count() {
            return Err(problems::address_too_long());
        }
        if size(request.headers()) > limits::HEADERS.count() {
            return Err(problems::headers_too_large());
        }
        let Some(known) = known else { return Ok(None) };
        if known.reads_body && request.headers().contains_key(CONTENT_ENCODING) {
            let coding = inflate::coding(request.headers()).map_err(|_| problems::unknown_coding())?;
            let payload = inflate::inflated(request.take_payload(), coding, known.most_bytes);
            request.set_payload(payload);
            request.headers_mut().remove(CONTENT_ENCODING);
        }
        let Some(class) = known.class else { return Ok(None) };
        // A list that is asked for as a whole.
        let whole = || Form::asked(request.request(), &Form::OF_LISTS).is_ok_and(|form| form != Form::Json);
        let class = if known.pages && whole() {
            Class::Exports
        } else {
            class
        };
        match self.shedder.enter(class) {
            Some(place) => {
                if self.shedder.is_crowded(class) {
                    request.extensions_mut().insert(Crowded);
                }
                Ok(Some(place))
            }
            None => Err(problems::overloaded(class)),
        }
    }

    /// Completes an answer: a problem's body, the headers, the log line, the counters.
    fn finish(&self, mut response: HttpResponse<BoxBody>, asked: &Asked<'_>) -> HttpResponse<BoxBody> {
        let _here = crate::logs::enter(asked.ids);
        if let Some(standing) = asked.seen.standing() {
            let spread = spread(asked.ids.request);
            self.quotas.say(standing, spread, response.headers_mut());
        }
        headers::say_when(&mut response, asked.ids.request);
        // Afterwards: a problem says what the header says of when to come back.
        let (mut response, code) = problems::write(response, asked.ids.request);
        headers::complete(&mut response, asked.ids.request, asked.policy);
        if self.readiness.is_draining() {
            response.head_mut().set_connection_type(ConnectionType::Close);
        }
        let status = response.status().as_u16();
        let took = asked.started.elapsed();
        self.metrics.answered(asked.known, status, took, code.as_deref());
        tracing::info!(
            client_request_id = asked.client_id.as_deref(),
            person = asked.seen.caller().map(tracing::field::display),
            method = asked.method.as_str(),
            route = asked.known.map(|known| known.pattern.as_str()),
            status,
            milliseconds = u64::try_from(took.as_millis()).unwrap_or(u64::MAX),
            code = code.as_deref(),
            "request"
        );
        response
    }
}

/// A number by which clients that are refused together are spread: the last byte of the request's id is random.
fn spread(id: Uuid) -> u8 {
    let [.., last] = id.into_bytes();
    last
}

/// Bytes of all headers.
fn size(headers: &HeaderMap) -> usize {
    let each = headers
        .iter()
        .map(|(name, value)| name.as_str().len() + value.len());
    each.sum()
}
