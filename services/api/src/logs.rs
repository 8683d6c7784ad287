//! The log: one line per event, as JSON for machines or as text for people, with the ids of the request it belongs to.
//!
//! A field is written only if it stands in the list `FIELDS`: what nobody thought of is left out, not let through. Of other
//! libraries only their messages from `info` upwards are written, never their fields: they may carry what was sent.
//! Bodies, queries, headers and addresses with their ids are never logged by this service at any level.

use crate::frame::Ids;
use std::cell::Cell;
use std::fmt::{self, Write};
use tracing::field::{Field, Visit};
use tracing::{Event, Level, Subscriber};
use tracing_subscriber::EnvFilter;
use tracing_subscriber::filter::filter_fn;
use tracing_subscriber::fmt::format::Writer;
use tracing_subscriber::fmt::time::{FormatTime, SystemTime};
use tracing_subscriber::fmt::{FmtContext, FormatEvent, FormatFields, MakeWriter};
use tracing_subscriber::layer::SubscriberExt;
use tracing_subscriber::registry::LookupSpan;

/// The fields that are written. None holds what somebody sent, but `client_request_id`, which is short and plain.
const FIELDS: &[&str] = &[
    "message",
    "event",
    // Of a request.
    "client_request_id",
    "person",
    "session",
    "family",
    // Of an account, by its id or by the first digits of a digest; `secret` stands for nothing here, not even for its id.
    "account",
    "client",
    "device",
    "by",
    // Of an entry of a device, by its id.
    "entry",
    "entries",
    "held",
    "clamp",
    "failures",
    "method",
    "route",
    "status",
    "milliseconds",
    "code",
    "class",
    "permission",
    // Of what went wrong.
    "error",
    "rollback",
    "location",
    "transaction",
    "work",
    "attempts",
    // Of the process.
    "address",
    "workers",
    "signal",
    "seconds",
    "since",
    "accounts",
    "clamps",
    "uploads",
    "applied",
    "needed",
    "version",
];

/// How a line is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum Format {
    /// One JSON object per line.
    Json,
    /// For people.
    Text,
}

thread_local! {
    static CURRENT: Cell<Option<Ids>> = const { Cell::new(None) };
}

/// The ids of the request that this thread works on.
pub(crate) fn current() -> Option<Ids> {
    CURRENT.get()
}

/// Until it is dropped, what this thread logs belongs to a request.
pub(crate) struct Entered(Option<Ids>);

pub(crate) fn enter(ids: Ids) -> Entered {
    Entered(CURRENT.replace(Some(ids)))
}

impl Drop for Entered {
    fn drop(&mut self) {
        CURRENT.set(self.0);
    }
}

/// What writes the log. `filter` is in the form of `RUST_LOG`.
pub fn subscriber<W>(format: Format, filter: EnvFilter, writer: W) -> impl Subscriber + Send + Sync
where
    W: for<'writer> MakeWriter<'writer> + Send + Sync + 'static,
{
    let ours_or_important = filter_fn(|metadata| ours(metadata.target()) || *metadata.level() <= Level::INFO);
    tracing_subscriber::registry()
        .with(filter)
        .with(ours_or_important)
        .with(
            tracing_subscriber::fmt::layer()
                .event_format(Lines { format })
                .with_writer(writer),
        )
}

/// Logs panics by their place only: their message may hold anything.
pub fn log_panics() {
    std::panic::set_hook(Box::new(|panic| {
        let location = panic.location().map(ToString::to_string).unwrap_or_default();
        tracing::error!(location, "panicked");
    }));
}

fn ours(target: &str) -> bool {
    target.starts_with("clampward")
}

/// How grave a line is. What the HTTP library calls an error is mostly what a client sent or broke off, which anybody can
/// make happen at any time: nobody is to be woken for it.
fn gravity(target: &str, level: Level) -> Level {
    if target.starts_with("actix_http") && level == Level::ERROR {
        Level::WARN
    } else {
        level
    }
}

struct Lines {
    format: Format,
}

impl<S, N> FormatEvent<S, N> for Lines
where
    S: Subscriber + for<'a> LookupSpan<'a>,
    N: for<'a> FormatFields<'a> + 'static,
{
    fn format_event(
        &self,
        _: &FmtContext<'_, S, N>,
        mut writer: Writer<'_>,
        event: &Event<'_>,
    ) -> fmt::Result {
        let metadata = event.metadata();
        let level = gravity(metadata.target(), *metadata.level());
        let mut time = String::with_capacity(32);
        SystemTime.format_time(&mut Writer::new(&mut time))?;
        let mut fields = Fields {
            format: self.format,
            ours: ours(metadata.target()),
            message: String::new(),
            rest: String::new(),
        };
        event.record(&mut fields);
        let Fields { message, rest, .. } = fields;
        let ids = current();
        match self.format {
            Format::Json => {
                write!(writer, "{{\"at\":\"{time}\",\"level\":\"{level}\",\"message\":")?;
                quoted(&mut writer, &message)?;
                if let Some(ids) = ids {
                    write!(
                        writer,
                        ",\"request_id\":\"{}\",\"trace_id\":\"{:032x}\"",
                        ids.request, ids.trace
                    )?;
                }
                writeln!(writer, "{rest},\"target\":\"{}\"}}", metadata.target())
            }
            Format::Text => {
                write!(writer, "{time} {level:>5} {message}{rest}")?;
                if let Some(ids) = ids {
                    write!(writer, " request_id={} trace_id={:032x}", ids.request, ids.trace)?;
                }
                writeln!(writer)
            }
        }
    }
}

struct Fields {
    format: Format,
    ours: bool,
    message: String,
    rest: String,
}

impl Fields {
    fn put(&mut self, field: &Field, value: fmt::Arguments<'_>, number: bool) {
        let name = field.name();
        // Writing to a string does not fail.
        let _ = if name == "message" {
            self.message.write_fmt(value)
        } else if !self.ours || !FIELDS.contains(&name) {
            Ok(())
        } else {
            self.put_field(name, value, number)
        };
    }
    fn put_field(&mut self, name: &str, value: fmt::Arguments<'_>, number: bool) -> fmt::Result {
        match self.format {
            Format::Json => {
                write!(self.rest, ",\"{name}\":")?;
                match value.as_str() {
                    _ if number => self.rest.write_fmt(value),
                    Some(text) => quoted(&mut self.rest, text),
                    None => quoted(&mut self.rest, &value.to_string()),
                }
            }
            Format::Text => {
                let text = value.to_string();
                // Quoted where it could be taken for two fields or two lines.
                let plain = !text.is_empty()
                    && text
                        .bytes()
                        .all(|byte| byte.is_ascii_graphic() && byte != b'"' && byte != b'=');
                write!(self.rest, " {name}=")?;
                if plain {
                    self.rest.write_str(&text)
                } else {
                    quoted(&mut self.rest, &text)
                }
            }
        }
    }
}

impl Visit for Fields {
    fn record_debug(&mut self, field: &Field, value: &dyn fmt::Debug) {
        self.put(field, format_args!("{value:?}"), false);
    }
    fn record_str(&mut self, field: &Field, value: &str) {
        self.put(field, format_args!("{value}"), false);
    }
    fn record_u64(&mut self, field: &Field, value: u64) {
        self.put(field, format_args!("{value}"), true);
    }
    fn record_i64(&mut self, field: &Field, value: i64) {
        self.put(field, format_args!("{value}"), true);
    }
    fn record_bool(&mut self, field: &Field, value: bool) {
        self.put(field, format_args!("{value}"), true);
    }
}

/// A JSON string.
fn quoted(writer: &mut impl Write, text: &str) -> fmt::Result {
    let plain = text
        .bytes()
        .all(|byte| byte >= 0x20 && byte != b'"' && byte != b'\\' && byte < 0x7f);
    if plain {
        write!(writer, "\"{text}\"")
    } else {
        write!(writer, "{}", serde_json::Value::from(text))
    }
}

#[cfg(test)]
mod tests {
    //! A line holds what is meant to be in it, and is one line.

    use super::*;
    use std::io;
    use std::sync::{Arc, Mutex};
    use uuid::Uuid;

    #[derive(Clone, Default)]
    struct Kept(Arc<Mutex<Vec<u8>>>);

    impl io::Write for Kept {
        fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
            self.0.lock().unwrap().extend_from_slice(bytes);
            Ok(bytes.len())
        }
        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }

    fn logged(format: Format, work: impl FnOnce()) -> String {
        let kept = Kept::default();
        let writer = kept.clone();
        let subscriber = subscriber(format, EnvFilter::new("trace"), move || writer.clone());
        tracing::subscriber::with_default(subscriber, work);
        String::from_utf8(kept.0.lock().unwrap().clone()).unwrap()
    }

    fn events() {
        let ids = Ids {
            request: Uuid::from_u128(1),
            trace: 0xabc,
        };
        {
            let _here = enter(ids);
            tracing::info!(status = 200, route = "/v1/clamps", code = None::<&str>, "request");
            tracing::warn!(error = "two\nlines \"quoted\"", password = "canary", "failed");
        }
        tracing::debug!("outside");
        tracing::debug!(target: "another::library", "canary");
        tracing::warn!(target: "another::library", error = "canary", "slow");
    }

    #[test]
    fn as_json_every_line_is_an_object_with_known_fields_only() {
        let log = logged(Format::Json, events);
        let lines: Vec<serde_json::Value> = log
            .lines()
            .map(|line| serde_json::from_str(line).unwrap())
            .collect();
        assert_eq!(lines.len(), 4);
        assert_eq!(lines[0]["message"], "request");
        assert_eq!(lines[0]["status"], 200);
        assert_eq!(lines[0]["route"], "/v1/clamps");
        assert_eq!(lines[0]["request_id"], "00000000-0000-0000-0000-000000000001");
        assert_eq!(lines[0]["trace_id"], "00000000000000000000000000000abc");
        assert!(lines[0].get("code").is_none());
        assert_eq!(lines[1]["error"], "two\nlines \"quoted\"");
        assert_eq!(lines[1]["level"], "WARN");
        assert!(lines[2].get("request_id").is_none());
        assert_eq!(lines[3]["message"], "slow");
        assert!(!log.contains("canary"), "{log}");
    }

    #[test]
    fn what_a_client_breaks_is_a_warning_and_what_breaks_here_an_error() {
        let log = logged(Format::Text, || {
            tracing::error!(target: "actix_http::h1::dispatcher", "stream error: request parse error");
            tracing::error!("internal error");
        });
        let levels: Vec<&str> = log
            .lines()
            .filter_map(|line| line.split_whitespace().nth(1))
            .collect();
        assert_eq!(levels, ["WARN", "ERROR"], "{log}");
    }

    #[test]
    fn as_text_every_event_is_one_line_for_people() {
        let log = logged(Format::Text, events);
        assert_eq!(log.lines().count(), 4);
        let first = log.lines().next().unwrap();
        assert!(
            first.contains(" INFO request status=200 route=/v1/clamps request_id=00000000-"),
            "{first}"
        );
        assert!(log.contains(r#"error="two\nlines \"quoted\"""#), "{log}");
        assert!(!log.contains("canary"), "{log}");
    }
}
