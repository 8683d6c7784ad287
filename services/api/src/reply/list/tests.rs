//! Streams without a database: what they hold, how they end, and how they break.

use super::super::csv::Cells;
use super::*;
use actix_web::body::{MessageBody, to_bytes};
use actix_web::{App, HttpServer, rt};
use std::cell::Cell;
use std::io::{Read, Write};
use std::rc::Rc;

#[derive(Serialize)]
struct Number {
    number: u32,
}
impl Columns for Number {
    const NAMES: &'static [&'static str] = &["number"];
    fn cells(&self, row: &mut Cells<'_>) {
        row.plain(self.number);
    }
}

/// Three numbers after a key, of `all`.
fn numbers(after: u32, all: u32) -> Chunk<Number, u32> {
    let last = (after + 3).min(all);
    Chunk {
        items: (after + 1..=last).map(|number| Number { number }).collect(),
        next: (last < all).then_some(last),
    }
}
fn stream(form: Form, all: u32) -> HttpResponse {
    streamed(form, "numbers", numbers(0, all), async move |after| {
        Ok(numbers(after, all))
    })
}
async fn text(response: HttpResponse) -> String {
    let Ok(bytes) = to_bytes(response.into_body()).await else {
        panic!("the stream broke off")
    };
    String::from_utf8(bytes.to_vec()).expect("UTF-8")
}

#[actix_web::test]
async fn json_lines_end_with_a_line_that_counts_them() {
    let five = "{\"number\":1}\n{\"number\":2}\n{\"number\":3}\n{\"number\":4}\n{\"number\":5}\n{\"end\":true,\"items\":5}\n";
    assert_eq!(text(stream(Form::NdJson, 5)).await, five);
    assert_eq!(
        text(stream(Form::NdJson, 0)).await,
        "{\"end\":true,\"items\":0}\n"
    );
}

#[actix_web::test]
async fn csv_has_its_heading_once_and_every_row() {
    assert_eq!(
        text(stream(Form::Csv, 5)).await,
        "number\r\n1\r\n2\r\n3\r\n4\r\n5\r\n"
    );
    assert_eq!(text(stream(Form::Csv, 0)).await, "number\r\n");
    let response = stream(Form::Csv, 1);
    let header = |name| response.headers().get(name).and_then(|value| value.to_str().ok());
    assert_eq!(
        header("content-type"),
        Some("text/csv; charset=utf-8; header=present")
    );
    assert_eq!(
        header("content-disposition"),
        Some("attachment; filename=\"numbers.csv\"")
    );
}

/// Goal: a slow reader holds the source back. Method: nothing is read, then one part; the source is asked for what has
/// room and no more.
#[actix_web::test]
async fn a_stream_reads_no_further_ahead_than_its_reader_follows() {
    let asked = Rc::new(Cell::new(0_u32));
    let counted = Rc::clone(&asked);
    let response = streamed(Form::NdJson, "numbers", numbers(0, 3_000), async move |after| {
        counted.set(counted.get() + 1);
        Ok(numbers(after, 3_000))
    });
    let mut body = Box::pin(response.into_body());
    // However slow the threads are: what there is room for is asked for in the end, and after that nothing.
    let comes_to = async |parts| {
        while asked.get() < parts {
            web::block(|| ()).await.expect("a thread");
        }
        for _ in 0..200 {
            web::block(|| ()).await.expect("a thread");
        }
        assert_eq!(
            asked.get(),
            parts,
            "one part waits, one is made, none is read for nobody"
        );
    };
    comes_to(2).await;
    let part = std::future::poll_fn(|context| body.as_mut().poll_next(context)).await;
    assert!(part.is_some_and(|part| part.is_ok()));
    comes_to(3).await;
}

/// Goal: what is not whole can be told from what is. Method: a stream whose second page fails, read to the last byte from
/// a real connection; beside it one that is whole.
#[actix_web::test]
async fn a_stream_that_breaks_off_ends_without_the_last_chunk() {
    for form in [Form::NdJson, Form::Csv] {
        let server = HttpServer::new(move || {
            App::new()
                .route("/whole", web::get().to(move || async move { stream(form, 5) }))
                .route(
                    "/withdrawn",
                    web::get().to(move || async move {
                        streamed(form, "numbers", numbers(0, 5), async |_| {
                            Err(Failure::new(problem::NOT_ALLOWED, "withdrawn"))
                        })
                    }),
                )
        })
        .workers(1)
        .disable_signals()
        .bind(("127.0.0.1", 0))
        .expect("an address");
        let address = *server.addrs().first().expect("an address");
        let running = server.run();
        let handle = running.handle();
        rt::spawn(running);
        let read = async move |path: &'static str| {
            web::block(move || {
                let mut connection = std::net::TcpStream::connect(address).expect("a connection");
                let head = format!("GET {path} HTTP/1.1\r\nHost: here\r\nConnection: close\r\n\r\n");
                connection.write_all(head.as_bytes()).expect("sent");
                let mut answer = Vec::new();
                // A connection that is reset has ended as well.
                let _ended = connection.read_to_end(&mut answer);
                String::from_utf8_lossy(&answer).into_owned()
            })
            .await
            .expect("an answer")
        };
        let whole = read("/whole").await;
        assert!(whole.ends_with("0\r\n\r\n"), "{form:?}: {whole:?}");
        let broken = read("/withdrawn").await;
        assert!(!broken.ends_with("0\r\n\r\n"), "{form:?}: {broken:?}");
        assert!(!broken.contains("\"end\""), "{form:?}: {broken:?}");
        handle.stop(false).await;
    }
}

#[actix_web::test]
async fn a_row_that_is_not_to_be_shown_is_left_out_and_not_counted() {
    struct Even(u32);
    impl Listed for Even {
        type View = Number;
        fn view(self) -> Result<Option<Number>, Failure> {
            Ok(self.0.is_multiple_of(2).then_some(Number { number: self.0 }))
        }
    }
    let chunk = Chunk::<_, u32> {
        items: (1..=4).map(Even).collect(),
        next: None,
    };
    let response = streamed(Form::NdJson, "numbers", chunk, async |_| {
        Ok(Chunk {
            items: Vec::new(),
            next: None,
        })
    });
    assert_eq!(
        text(response).await,
        "{\"number\":2}\n{\"number\":4}\n{\"end\":true,\"items\":2}\n"
    );
}

#[test]
fn a_key_belongs_to_a_list_and_its_filters_in_whatever_order_they_are_given() {
    use actix_web::test::TestRequest;
    let of = |uri: &str| binding(&TestRequest::with_uri(uri).to_http_request());
    let first = of("/v1/clamps?maker=A&fit=true");
    assert_eq!(first, of("/v1/clamps?fit=true&maker=A&limit=7&after=x"));
    assert_eq!(of("/v1/clamps?mark=a%20b"), of("/v1/clamps?mark=a+b"));
    for other in [
        "/v1/clamps?maker=A",
        "/v1/clamps?maker=A&fit=false",
        "/v1/yards?maker=A&fit=true",
        "/v1/clamps?maker=Afit=true",
    ] {
        assert_ne!(first, of(other), "{other}");
    }
}
