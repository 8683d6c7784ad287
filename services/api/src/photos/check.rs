//! Looking at the bytes of a photo: that they are what they are called, one of the kinds that are read, whole, of a size
//! that can be decoded; and the copy for viewing, which bears nothing but pixels. Knows no store.

use super::format::Format;
use crate::limits::{PHOTO_DECODED, PHOTO_PIXELS, PHOTO_VIEW};
use clampward_domain::canonical;
use clampward_domain::photo::PhotoDigest;
use image::codecs::jpeg::JpegEncoder;
use image::{DynamicImage, ImageDecoder, ImageFormat, ImageReader, Limits};
use std::io::Cursor;

/// Most memory that a decoder may take.
const MAX_MEMORY: u64 = 400 << 20;
/// Quality of the copy, of 100.
const QUALITY: u8 = 85;

/// A photo that may be kept.
#[derive(Debug)]
pub(super) struct Checked {
    pub(super) format: Format,
    pub(super) width: u32,
    pub(super) height: u32,
    /// A JPEG of its pixels, the right way up, without anything else that was in it.
    pub(super) copy: Vec<u8>,
}

/// Why bytes are no photo that may be kept.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Refused {
    /// The bytes have another digest.
    #[error("the bytes that arrived have another SHA-256: send them again from the start")]
    OtherContent,
    /// Another kind of file.
    #[error("this is neither JPEG nor PNG nor WebP")]
    OtherKind,
    /// More pixels than are decoded.
    #[error("{width} × {height} pixels are more than {} million", PHOTO_PIXELS.value / 1_000_000)]
    TooManyPixels {
        /// Width that it tells.
        width: u32,
        /// Height that it tells.
        height: u32,
    },
    /// More bytes than are decoded.
    #[error("decoded it has {0} bytes, more than {limit}: send it with 8 bits for each colour", limit = PHOTO_DECODED.value)]
    TooManyBytes(u64),
    /// Looking at it was cut off again and again.
    #[error(
        "the service was cut off each time that it looked at it: send it as another kind of file, or smaller"
    )]
    NeverFinished,
    /// Cut off, or not what it begins as.
    #[error("the file is damaged or cut off: {0}")]
    Damaged(String),
}

impl Refused {
    /// For the log: nothing of what was sent.
    pub(super) const fn word(&self) -> &'static str {
        match self {
            Self::OtherContent => "other_content",
            Self::OtherKind => "other_kind",
            Self::TooManyPixels { .. } => "too_many_pixels",
            Self::TooManyBytes(_) => "too_many_bytes",
            Self::NeverFinished => "never_finished",
            Self::Damaged(_) => "damaged",
        }
    }
}

/// Looks at a photo. Takes as long as decoding takes: never on an async thread.
pub(super) fn check(bytes: &[u8], digest: PhotoDigest) -> Result<Checked, Refused> {
    if canonical::sha256(&[bytes]) != *digest.bytes() {
        return Err(Refused::OtherContent);
    }
    let format = Format::of(bytes).ok_or(Refused::OtherKind)?;
    if !format.is_whole(bytes) {
        return Err(Refused::Damaged("its end is missing".to_owned()));
    }
    let mut reader = ImageReader::with_format(Cursor::new(bytes), image_format(format));
    let mut limits = Limits::default();
    limits.max_alloc = Some(MAX_MEMORY);
    reader.limits(limits);
    let damaged = |error: image::ImageError| Refused::Damaged(error.to_string());
    // Up to here only headers are read.
    let mut decoder = reader.into_decoder().map_err(damaged)?;
    let (width, height) = decoder.dimensions();
    if u64::from(width) * u64::from(height) > PHOTO_PIXELS.value {
        return Err(Refused::TooManyPixels { width, height });
    }
    if decoder.total_bytes() > PHOTO_DECODED.value {
        return Err(Refused::TooManyBytes(decoder.total_bytes()));
    }
    let orientation = decoder.orientation().map_err(damaged)?;
    let mut image = DynamicImage::from_decoder(decoder).map_err(damaged)?;
    let edge = PHOTO_VIEW.number();
    if width > edge || height > edge {
        image = image.thumbnail(edge, edge);
    }
    image.apply_orientation(orientation);
    let mut copy = Vec::new();
    image
        .into_rgb8()
        .write_with_encoder(JpegEncoder::new_with_quality(&mut copy, QUALITY))
        .map_err(damaged)?;
    Ok(Checked {
        format,
        width,
        height,
        copy,
    })
}

fn image_format(format: Format) -> ImageFormat {
    match format {
        Format::Jpeg => ImageFormat::Jpeg,
        Format::Png => ImageFormat::Png,
        Format::WebP => ImageFormat::WebP,
    }
}
