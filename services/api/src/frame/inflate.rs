//! Compressed bodies: read whole and inflated only so far as a body may be large, so that a few kilobytes can never
//! become gigabytes in memory.
//!
//! The framework would inflate each piece as it arrives, whatever comes out of it, before it looks at the limit.

use actix_web::dev::Payload;
use actix_web::error::PayloadError;
use actix_web::http::header::{CONTENT_ENCODING, HeaderMap};
use actix_web::web::{Bytes, BytesMut};
use futures_util::StreamExt;
use futures_util::stream;
use std::io::Read;

/// Window of a zstd frame that is still decoded: 8 MiB (RFC 8878, section 3.1.1.1.2, recommends to support that much).
const ZSTD_WINDOW_LOG: u32 = 23;

/// How a body is compressed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Coding {
    /// Not at all.
    Identity,
    /// RFC 1952.
    Gzip,
    /// RFC 8878.
    Zstd,
}

/// A coding, or several, that this service does not read.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct UnknownCoding;

/// The coding that a request names.
pub(super) fn coding(headers: &HeaderMap) -> Result<Coding, UnknownCoding> {
    let mut given = headers.get_all(CONTENT_ENCODING);
    let Some(first) = given.next() else {
        return Ok(Coding::Identity);
    };
    let name = first.to_str().map_err(|_| UnknownCoding)?.trim();
    if given.next().is_some() {
        return Err(UnknownCoding);
    }
    for (known, coding) in [
        ("gzip", Coding::Gzip),
        ("x-gzip", Coding::Gzip),
        ("zstd", Coding::Zstd),
        ("identity", Coding::Identity),
    ] {
        if name.eq_ignore_ascii_case(known) {
            return Ok(coding);
        }
    }
    Err(UnknownCoding)
}

/// The body as it was before it was compressed; nothing is read before somebody asks for it.
pub(super) fn inflated(payload: Payload, coding: Coding, most: usize) -> Payload {
    if coding == Coding::Identity {
        return payload;
    }
    let whole = async move {
        let bytes = read(payload, most).await?;
        inflate(&bytes, coding, most)
    };
    Payload::Stream {
        payload: Box::pin(stream::once(whole)),
    }
}

async fn read(mut payload: Payload, most: usize) -> Result<BytesMut, PayloadError> {
    let mut bytes = BytesMut::new();
    while let Some(piece) = payload.next().await {
        let piece = piece?;
        if bytes.len().saturating_add(piece.len()) > most {
            return Err(PayloadError::Overflow);
        }
        bytes.extend_from_slice(&piece);
    }
    Ok(bytes)
}

fn inflate(bytes: &[u8], coding: Coding, most: usize) -> Result<Bytes, PayloadError> {
    let corrupt = |_| PayloadError::EncodingCorrupted;
    let one_too_many = u64::try_from(most).unwrap_or(u64::MAX).saturating_add(1);
    let mut inflated = Vec::new();
    match coding {
        Coding::Identity => return Ok(Bytes::copy_from_slice(bytes)),
        Coding::Gzip => flate2::read::MultiGzDecoder::new(bytes)
            .take(one_too_many)
            .read_to_end(&mut inflated)
            .map_err(corrupt)?,
        Coding::Zstd => {
            let mut decoder = zstd::stream::read::Decoder::with_buffer(bytes).map_err(corrupt)?;
            decoder.window_log_max(ZSTD_WINDOW_LOG).map_err(corrupt)?;
            decoder
                .take(one_too_many)
                .read_to_end(&mut inflated)
                .map_err(corrupt)?
        }
    };
    if inflated.len() > most {
        return Err(PayloadError::Overflow);
    }
    Ok(inflated.into())
}

#[cfg(test)]
mod tests {
    //! What is compressed comes out as it was, and a bomb does not go off.

    use super::*;
    use crate::limits;
    use actix_web::http::header::HeaderValue;
    use std::io::Write;

    fn gzip(bytes: &[u8]) -> Vec<u8> {
        let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::best());
        encoder.write_all(bytes).unwrap();
        encoder.finish().unwrap()
    }

    #[test]
    fn what_was_compressed_comes_out_as_it_was() {
        let text = b"{\"note\": \"jaw worn\"}".repeat(1000);
        for (coding, compressed) in [
            (Coding::Gzip, gzip(&text)),
            (Coding::Gzip, [gzip(&text[..700]), gzip(&text[700..])].concat()),
            (Coding::Zstd, zstd::encode_all(text.as_slice(), 3).unwrap()),
        ] {
            assert_eq!(
                inflate(&compressed, coding, limits::BODY.count()).unwrap(),
                text,
                "{coding:?}"
            );
        }
    }

    #[test]
    fn as_much_as_a_body_may_have_is_let_through_and_one_byte_more_is_not() {
        let most = vec![b' '; limits::BODY.count()];
        let more = vec![b' '; limits::BODY.count() + 1];
        assert_eq!(
            inflate(&gzip(&most), Coding::Gzip, limits::BODY.count())
                .unwrap()
                .len(),
            most.len()
        );
        for (coding, bomb) in [
            (Coding::Gzip, gzip(&more)),
            (Coding::Gzip, gzip(&vec![0; 10 << 20])),
            (
                Coding::Zstd,
                zstd::encode_all(vec![0; 10 << 20].as_slice(), 19).unwrap(),
            ),
        ] {
            let refused = inflate(&bomb, coding, limits::BODY.count());
            assert!(matches!(refused, Err(PayloadError::Overflow)), "{coding:?}");
        }
    }

    #[test]
    fn what_is_cut_off_or_something_else_is_refused() {
        let good = gzip(b"{}");
        for (coding, bytes) in [
            (Coding::Gzip, &good[..good.len() - 1]),
            (Coding::Gzip, b"{}"),
            (Coding::Gzip, b""),
            (Coding::Zstd, b"{}"),
            (Coding::Zstd, &zstd::encode_all(b"{}".as_slice(), 3).unwrap()[..8]),
        ] {
            let refused = inflate(bytes, coding, limits::BODY.count());
            assert!(
                matches!(refused, Err(PayloadError::EncodingCorrupted)),
                "{coding:?}"
            );
        }
    }

    #[test]
    fn codings_that_are_not_read_are_told_apart() {
        let named = |values: &[&str]| {
            let mut headers = HeaderMap::new();
            for value in values {
                headers.append(CONTENT_ENCODING, HeaderValue::from_str(value).unwrap());
            }
            coding(&headers)
        };
        assert_eq!(named(&[]), Ok(Coding::Identity));
        assert_eq!(named(&["identity"]), Ok(Coding::Identity));
        assert_eq!(named(&["GZIP"]), Ok(Coding::Gzip));
        assert_eq!(named(&["zstd"]), Ok(Coding::Zstd));
        for unknown in [
            &["br"][..],
            &["deflate"],
            &["gzip, zstd"],
            &["gzip", "gzip"],
            &[""],
        ] {
            assert_eq!(named(unknown), Err(UnknownCoding), "{unknown:?}");
        }
    }
}
