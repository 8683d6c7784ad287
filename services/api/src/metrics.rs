//! Counters for operators, in Prometheus' text form, on a port of their own.
//!
//! Every label has few values: patterns of addresses, never addresses; classes, roles, problem codes; never an id. What is
//! counted per request is registered once, so that counting is an addition. Without a listener nothing is counted.

use crate::catalogue::{Catalogue, Known};
use crate::in_runtime::InRuntime;
use crate::quota::Quotas;
use crate::reply::chain;
use crate::shedding::{Class, Shedder};
use crate::sign_in::Hasher;
use actix_web::dev::Server;
use actix_web::{App, HttpResponse, HttpServer, web};
use clampward_store::Store;
use clampward_wire::problem;
use metrics::{Counter, Gauge, Histogram, Key, Label, Level, Metadata, Recorder, Unit};
use metrics_exporter_prometheus::{Matcher, PrometheusBuilder, PrometheusHandle, PrometheusRecorder};
use std::net::SocketAddr;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

/// Upper bounds of the duration histogram's buckets in seconds.
const BUCKETS: [f64; 12] = [
    0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 10.0,
];
/// How long the database may take for what is asked of it here.
const PATIENCE: Duration = Duration::from_secs(1);
const METADATA: Metadata<'static> = Metadata::new("clampward", Level::INFO, None);
/// Status classes, by their first digit less one.
const STATUSES: [&str; 5] = ["1xx", "2xx", "3xx", "4xx", "5xx"];

/// The counters of the process; empty if nobody listens.
pub struct Metrics(Option<Inner>);

struct Inner {
    handle: PrometheusHandle,
    recorder: PrometheusRecorder,
    /// By the operation's number.
    operations: Vec<Series>,
    /// What is no operation: pages of the documentation, unknown addresses.
    other: Series,
    /// By the place of the code in the table.
    problems: Vec<Counter>,
}

struct Series {
    answers: [Counter; STATUSES.len()],
    seconds: Histogram,
}

/// What is looked at whenever somebody reads the counters.
pub(crate) struct Watched {
    pub shedder: Arc<Shedder>,
    pub quotas: Arc<Quotas>,
    pub hasher: Arc<Hasher>,
    /// The stores of the workers.
    pub stores: Arc<Mutex<Vec<Store>>>,
    /// A store for questions to the database.
    pub store: Store,
}

impl Metrics {
    /// Counters that count nothing.
    pub fn off() -> Self {
        Self(None)
    }
    /// Counters for the operations of a catalogue.
    pub fn new(catalogue: &Catalogue) -> Self {
        let matcher = Matcher::Full("clampward_request_seconds".to_owned());
        let builder = PrometheusBuilder::new();
        let recorder = match builder.set_buckets_for_metric(matcher, &BUCKETS) {
            Ok(builder) => builder.build_recorder(),
            Err(error) => {
                tracing::error!(error = %chain(&error), "durations are counted without buckets");
                PrometheusBuilder::new().build_recorder()
            }
        };
        describe(&recorder);
        let series = |method: &str, route: &str| Series {
            answers: STATUSES.map(|status| {
                let labels = [("method", method), ("route", route), ("status", status)];
                recorder.register_counter(&key("clampward_requests_total", &labels), &METADATA)
            }),
            seconds: recorder.register_histogram(
                &key(
                    "clampward_request_seconds",
                    &[("method", method), ("route", route)],
                ),
                &METADATA,
            ),
        };
        let operations = catalogue.known().iter();
        let operations = operations
            .map(|known| series(known.method.as_str(), &known.pattern))
            .collect();
        let other = series("other", "other");
        let problems = problem::CODES.iter().map(|kind| {
            let key = key("clampward_problems_total", &[("code", kind.code)]);
            recorder.register_counter(&key, &METADATA)
        });
        let problems = problems.collect();
        Self(Some(Inner {
            handle: recorder.handle(),
            operations,
            other,
            problems,
            recorder,
        }))
    }
    /// Counts an answer.
    pub(crate) fn answered(&self, known: Option<&Known>, status: u16, took: Duration, code: Option<&str>) {
        let Some(inner) = &self.0 else { return };
        let series = known.and_then(|known| inner.operations.get(known.number));
        let series = series.unwrap_or(&inner.other);
        let first = usize::from(status / 100).saturating_sub(1);
        if let Some(answers) = series.answers.get(first) {
            answers.increment(1);
        }
        series.seconds.record(took);
        let row = code.and_then(|code| problem::CODES.iter().position(|kind| kind.code == code));
        if let Some(counter) = row.and_then(|row| inner.problems.get(row)) {
            counter.increment(1);
        }
    }
    /// Sorts what was measured into its buckets. To be called now and then, whether or not somebody reads.
    pub fn upkeep(&self) {
        if let Some(inner) = &self.0 {
            inner.handle.run_upkeep();
        }
    }
    /// Everything in Prometheus' text form.
    pub(crate) async fn render(&self, watched: &Watched) -> String {
        let Some(inner) = &self.0 else {
            return String::new();
        };
        inner.look(watched).await;
        inner.handle.render()
    }
}

impl Inner {
    fn gauge(&self, name: &'static str, labels: &[(&'static str, &str)]) -> Gauge {
        self.recorder.register_gauge(&key(name, labels), &METADATA)
    }
    async fn look(&self, watched: &Watched) {
        self.gauge("clampward_build_info", &[("version", env!("CARGO_PKG_VERSION"))])
            .set(1);
        for class in Class::ALL {
            let label = [("class", class.name())];
            let under_way = watched.shedder.under_way(class);
            self.gauge("clampward_requests_under_way", &label)
                .set(number(under_way));
            let shed = key("clampward_requests_shed_total", &label);
            let shed = self.recorder.register_counter(&shed, &METADATA);
            shed.absolute(watched.shedder.refused(class));
        }
        self.gauge("clampward_password_checks_waiting", &[])
            .set(number(watched.hasher.waiting()));
        self.gauge("clampward_callers_counted", &[])
            .set(number(watched.quotas.callers()));
        self.pools(watched);
        let asked = tokio::time::timeout(PATIENCE, async {
            let position = watched.store.position().await?;
            Ok::<_, clampward_store::StoreError>((position, watched.store.pending_reassessments().await?))
        });
        let answered = match asked.await {
            Ok(Ok((position, pending))) => {
                let position_gauge = self.gauge("clampward_ledger_position", &[]);
                position_gauge.set(number(usize::try_from(position).unwrap_or(usize::MAX)));
                let pending_gauge = self.gauge("clampward_reassessments_pending", &[]);
                pending_gauge.set(number(usize::try_from(pending).unwrap_or(usize::MAX)));
                1
            }
            Ok(Err(_)) | Err(_) => 0,
        };
        self.gauge("clampward_database_up", &[]).set(answered);
    }
    fn pools(&self, watched: &Watched) {
        let mut uses: Vec<(&'static str, usize, usize)> = Vec::new();
        let stores = watched.stores.lock().unwrap_or_else(PoisonError::into_inner);
        for pool in stores.iter().flat_map(Store::pools) {
            let open = usize::try_from(pool.open).unwrap_or(usize::MAX);
            match uses.iter_mut().find(|(role, _, _)| *role == pool.role) {
                Some((_, all, idle)) => {
                    *all += open;
                    *idle += pool.idle;
                }
                None => uses.push((pool.role, open, pool.idle)),
            }
        }
        for (role, open, idle) in uses {
            let idle = idle.min(open);
            for (state, connections) in [("idle", idle), ("in_use", open - idle)] {
                self.gauge("clampward_pool_connections", &[("pool", role), ("state", state)])
                    .set(number(connections));
            }
        }
    }
}

/// As a gauge wants it; exact below 2^32, which no gauge here reaches but the ledger's position, which is capped there.
fn number(value: usize) -> f64 {
    f64::from(u32::try_from(value).unwrap_or(u32::MAX))
}

fn key(name: &'static str, labels: &[(&'static str, &str)]) -> Key {
    let labels: Vec<Label> = labels
        .iter()
        .map(|(name, value)| Label::new(*name, (*value).to_owned()))
        .collect();
    Key::from_parts(name, labels)
}

fn describe(recorder: &PrometheusRecorder) {
    for (name, unit, text) in [
        (
            "clampward_requests_total",
            Unit::Count,
            "Answers by operation and status class.",
        ),
        (
            "clampward_problems_total",
            Unit::Count,
            "Problems answered, by code; wrong-credentials are failed sign-ins.",
        ),
        (
            "clampward_requests_shed_total",
            Unit::Count,
            "Requests refused because their class had no room.",
        ),
    ] {
        recorder.describe_counter(name.into(), Some(unit), text.into());
    }
    recorder.describe_histogram(
        "clampward_request_seconds".into(),
        Some(Unit::Seconds),
        "Time until an answer began, by operation.".into(),
    );
    for (name, text) in [
        ("clampward_build_info", "The version of this program."),
        (
            "clampward_requests_under_way",
            "Requests that hold a place of their class.",
        ),
        (
            "clampward_password_checks_waiting",
            "Passwords that wait to be checked.",
        ),
        ("clampward_callers_counted", "Callers whose quota is not whole."),
        (
            "clampward_pool_connections",
            "Database connections of the workers, by pool and state.",
        ),
        ("clampward_ledger_position", "The ledger's highest position."),
        (
            "clampward_reassessments_pending",
            "Clamps still to be reassessed after a change of reference data.",
        ),
        (
            "clampward_database_up",
            "Whether the database answered when these numbers were read.",
        ),
    ] {
        recorder.describe_gauge(name.into(), None, text.into());
    }
}

/// The listener for whoever collects the counters; it answers `GET /metrics` and nothing else.
pub(crate) fn serve(
    listen: SocketAddr,
    metrics: Arc<Metrics>,
    watched: Watched,
) -> std::io::Result<(SocketAddr, Server)> {
    let watched = web::Data::new(watched);
    let metrics = web::Data::from(metrics);
    let server = HttpServer::new(move || {
        App::new()
            .app_data(watched.clone())
            .app_data(metrics.clone())
            .route("/metrics", web::get().to(read))
    })
    .workers(1)
    .disable_signals()
    .bind(listen)?;
    let address = server.addrs().first().copied().unwrap_or(listen);
    Ok((address, server.run()))
}

async fn read(metrics: web::Data<Metrics>, watched: web::Data<Watched>) -> HttpResponse {
    let rendered = InRuntime::new(async move { metrics.render(&watched).await }).await;
    HttpResponse::Ok()
        .content_type("text/plain; version=0.0.4; charset=utf-8")
        .body(rendered)
}
