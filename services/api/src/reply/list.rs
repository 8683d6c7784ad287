//! Lists: a page as JSON, or the whole list as a stream of CSV or of JSON lines, all out of one source of pages.
//!
//! A stream holds one page that is being written and one that is being read, whatever the list's length, and waits for
//! a slow reader. Before each page the caller is let in anew: where their access was withdrawn or changed, the stream
//! breaks off. A stream that is not whole is visibly broken: the connection ends without the last chunk, and JSON lines
//! miss their last line. Rows may change while a stream runs; each is as it was when its page was read.

use super::csv::{self, Columns};
use super::media::Form;
use super::stream::{self, Parts, Stop};
use super::{Answer, Failure, ok};
use crate::extract::{Authorized, PageParameters, bound_page};
use crate::permission::Permission;
use actix_web::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};
use actix_web::web;
use actix_web::{FromRequest, HttpRequest, HttpResponse};
use clampward_wire::page::Page;
use clampward_wire::problem;
use jiff::Timestamp;
use serde::Serialize;
use sha2::{Digest, Sha256};
use std::fmt::{self, Display};
use std::str::FromStr;

/// Items that a stream reads at a time.
const BULK: u32 = 1_000;
/// Media type of a stream of CSV, as it is answered (RFC 4180 section 3, RFC 7111).
const CSV: &str = "text/csv; charset=utf-8; header=present";

/// How many items are asked for, and what for.
#[derive(Clone, Copy, Debug)]
pub enum Size {
    /// A page: no more than this.
    Page(u32),
    /// A part of a stream: about this many.
    Bulk(u32),
}

impl Size {
    /// The number.
    pub const fn items(self) -> u32 {
        match self {
            Self::Page(items) | Self::Bulk(items) => items,
        }
    }
    /// One more, which only says that there is more: see [`Chunk::from_surplus`].
    pub const fn with_surplus(self) -> u32 {
        self.items().saturating_add(1)
    }
}

/// A part of a list, and the key after which the next part begins.
pub struct Chunk<T, K> {
    /// The items, in the list's order.
    pub items: Vec<T>,
    /// None at the end.
    pub next: Option<K>,
}

impl<T, K> Chunk<T, K> {
    /// A part out of one item more than were asked for.
    pub fn from_surplus(mut items: Vec<T>, size: Size, key: impl Fn(&T) -> K) -> Self {
        let wanted = usize::try_from(size.items()).unwrap_or(usize::MAX);
        let more = items.len() > wanted;
        items.truncate(wanted);
        let next = if more { items.last().map(key) } else { None };
        Self { items, next }
    }
    /// The same with every item in another form.
    pub fn map<U>(self, turn: impl FnMut(T) -> U) -> Chunk<U, K> {
        Chunk {
            items: self.items.into_iter().map(turn).collect(),
            next: self.next,
        }
    }
}

/// An item of a list as its source reads it; it is turned into what is shown on a thread that may be busy with it.
pub trait Listed: Send + 'static {
    /// What is shown.
    type View: Serialize + Columns;
    /// Turns it; nothing where it is not to be shown after all.
    fn view(self) -> Result<Option<Self::View>, Failure>;
}

impl<V: Serialize + Columns + Send + 'static> Listed for V {
    type View = V;
    fn view(self) -> Result<Option<V>, Failure> {
        Ok(Some(self))
    }
}

/// Answers a list in the form that the caller accepts. `source` reads the part after a key.
pub async fn list<P, T, K, S>(
    request: &HttpRequest,
    call: Authorized<P>,
    page: &PageParameters,
    source: S,
) -> Answer
where
    P: Permission + 'static,
    T: Listed,
    K: FromStr + Display + 'static,
    S: AsyncFn(&Authorized<P>, Option<K>, Size) -> Result<Chunk<T, K>, Failure> + 'static,
{
    let form = Form::asked(request, &Form::OF_LISTS)?;
    if form == Form::Json {
        let binding = binding(request);
        let (after, limit) = bound_page(page, &binding)?;
        let Chunk { items, next } = source(&call, after, Size::Page(limit)).await?;
        let mut shown = Vec::with_capacity(items.len());
        for item in items {
            shown.extend(item.view()?);
        }
        let next = next.map(|key| crate::extract::bound_key(&key, &binding));
        return ok(&Page { items: shown, next });
    }
    page.not_of_a_stream()?;
    let first = source(&call, None, Size::Bulk(BULK)).await?;
    let (request, yards) = (request.clone(), call.yards().clone());
    let name = name_of(&request);
    Ok(streamed(form, &name, first, async move |after| {
        let call = Authorized::<P>::extract(&request).await?;
        if *call.yards() != yards {
            return Err(Failure::new(
                problem::NOT_ALLOWED,
                "The caller's yards were changed.",
            ));
        }
        source(&call, Some(after), Size::Bulk(BULK)).await
    }))
}

/// The place of an item in a list by time: its time, and its id.
pub struct TimedKey<Id>(pub Timestamp, pub Id);

impl<Id: Display> Display for TimedKey<Id> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}_{}", self.0, self.1)
    }
}

impl<Id: FromStr> FromStr for TimedKey<Id> {
    type Err = ();
    fn from_str(text: &str) -> Result<Self, ()> {
        let (at, id) = text.split_once('_').ok_or(())?;
        Ok(Self(at.parse().map_err(drop)?, id.parse().map_err(drop)?))
    }
}

/// Answers a list that is there as a whole, as a stream.
pub fn whole<T: Listed>(request: &HttpRequest, form: Form, items: Vec<T>) -> HttpResponse {
    let chunk = Chunk::<T, String> { items, next: None };
    streamed(form, &name_of(request), chunk, async |_| {
        Ok(Chunk {
            items: Vec::new(),
            next: None,
        })
    })
}

/// What a key is bound to: the list and its filters, so that it leads nowhere in another.
fn binding(request: &HttpRequest) -> String {
    use base64::Engine;
    let pairs = web::Query::<Vec<(String, String)>>::from_query(request.query_string());
    let mut pairs = pairs.map(web::Query::into_inner).unwrap_or_default();
    pairs.retain(|(name, _)| name != "after" && name != "limit");
    pairs.sort();
    let mut hash = Sha256::new();
    hash.update(request.path());
    for (name, value) in &pairs {
        hash.update([0]);
        hash.update(name);
        hash.update([0]);
        hash.update(value);
    }
    let digest = hash.finalize();
    let short = digest.get(..9).unwrap_or(&digest);
    base64::engine::general_purpose::URL_SAFE_NO_PAD.encode(short)
}

/// The list's name: the last step of its address.
fn name_of(request: &HttpRequest) -> String {
    let step = request.path().rsplit('/').next().unwrap_or_default();
    let plain = step
        .chars()
        .filter(|letter| letter.is_ascii_alphanumeric() || *letter == '-');
    plain.collect()
}

/// A stream out of its first part and of what comes after a key.
fn streamed<T: Listed, K: 'static>(
    form: Form,
    name: &str,
    first: Chunk<T, K>,
    next: impl AsyncFn(K) -> Result<Chunk<T, K>, Failure> + 'static,
) -> HttpResponse {
    let body = stream::body(move |parts| send_all(form, first, next, parts));
    let mut response = HttpResponse::Ok();
    if form == Form::Csv {
        response.insert_header((CONTENT_TYPE, CSV));
        response.insert_header((
            CONTENT_DISPOSITION,
            format!("attachment; filename=\"{name}.csv\""),
        ));
    } else {
        response.insert_header((CONTENT_TYPE, form.media_type()));
    }
    response.body(body)
}

/// The last line of JSON lines.
#[derive(Serialize)]
struct End {
    end: bool,
    items: u64,
}

async fn send_all<T: Listed, K>(
    form: Form,
    first: Chunk<T, K>,
    next: impl AsyncFn(K) -> Result<Chunk<T, K>, Failure>,
    parts: Parts,
) -> Result<Parts, Stop> {
    let (mut part, mut items) = (first, 0);
    let mut is_first = true;
    loop {
        let Chunk {
            items: rows,
            next: after,
        } = part;
        // What was read is written on another thread while the next part is being read.
        let writing = web::block(move || written(form, rows, is_first));
        let reading = async {
            match after {
                Some(key) => next(key).await.map(Some),
                None => Ok(None),
            }
        };
        let (written, following) = tokio::join!(writing, reading);
        let (mut bytes, count) = written.map_err(|error| Failure::internal(&error))??;
        items += count;
        let following = following?;
        if following.is_none() && form == Form::NdJson {
            let end = End { end: true, items };
            serde_json::to_writer(&mut bytes, &end).map_err(|error| Failure::internal(&error))?;
            bytes.push(b'\n');
        }
        parts.send(bytes).await?;
        match following {
            Some(following) => part = following,
            None => return Ok(parts),
        }
        is_first = false;
    }
}

/// The bytes of a part, and how many items are in them.
fn written<T: Listed>(form: Form, items: Vec<T>, with_heading: bool) -> Result<(Vec<u8>, u64), Failure> {
    let mut out = Vec::new();
    let mut count = 0;
    if form == Form::Csv {
        let failed = |error: ::csv::Error| Failure::internal(&error);
        if with_heading {
            csv::heading::<T::View>(&mut out).map_err(failed)?;
        }
        let mut rows = csv::Rows::new(&mut out);
        for item in items {
            if let Some(view) = item.view()? {
                rows.write(&view).map_err(failed)?;
                count += 1;
            }
        }
        rows.finish().map_err(failed)?;
        return Ok((out, count));
    }
    for item in items {
        if let Some(view) = item.view()? {
            serde_json::to_writer(&mut out, &view).map_err(|error| Failure::internal(&error))?;
            out.push(b'\n');
            count += 1;
        }
    }
    Ok((out, count))
}

#[cfg(test)]
mod tests;
