//! What kinds of photo are read, told by their first bytes, and whether one came whole. Decodes nothing.

/// Most scans of a progressive JPEG: each costs a pass over all pixels, however few bytes it has.
const MAX_SCANS: u32 = 100;

/// A kind of photo.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    /// ISO/IEC 10918-1.
    Jpeg,
    /// W3C PNG, third edition.
    Png,
    /// RFC 9649.
    WebP,
}

impl Format {
    /// Bytes by which a kind can be told.
    pub const TELLING: usize = 12;

    /// The kind of what begins so; none for everything else, whatever it is called.
    pub fn of(bytes: &[u8]) -> Option<Self> {
        match bytes {
            [0xFF, 0xD8, 0xFF, ..] => Some(Self::Jpeg),
            [0x89, b'P', b'N', b'G', 0x0D, 0x0A, 0x1A, 0x0A, ..] => Some(Self::Png),
            [b'R', b'I', b'F', b'F', _, _, _, _, b'W', b'E', b'B', b'P', ..] => Some(Self::WebP),
            _ => None,
        }
    }
    /// Its media type.
    pub const fn media_type(self) -> &'static str {
        match self {
            Self::Jpeg => "image/jpeg",
            Self::Png => "image/png",
            Self::WebP => "image/webp",
        }
    }
    /// Whether nothing is missing at the end. Decoders fill in what is missing, and a grey half would hide a crack.
    pub fn is_whole(self, bytes: &[u8]) -> bool {
        match self {
            Self::Jpeg => jpeg_is_whole(bytes).unwrap_or(false),
            Self::Png => png_is_whole(bytes).unwrap_or(false),
            Self::WebP => web_p_is_whole(bytes).unwrap_or(false),
        }
    }
}

/// Walks the segments up to the end of the image (ISO/IEC 10918-1, annex B); what cameras append after it is no matter.
fn jpeg_is_whole(bytes: &[u8]) -> Option<bool> {
    let mut rest = bytes.get(2..)?;
    let mut scans = 0;
    loop {
        let [0xFF, marker, after @ ..] = rest else {
            return None;
        };
        rest = match *marker {
            // Fill bytes may stand before a marker.
            0xFF => rest.get(1..)?,
            0xD9 => return Some(scans > 0),
            0x01 | 0xD0..=0xD7 => after,
            0xDA => {
                scans += 1;
                if scans > MAX_SCANS {
                    return None;
                }
                after_entropy(after_segment(after)?)?
            }
            _ => after_segment(after)?,
        };
    }
}

/// What comes after a segment that begins with its length.
fn after_segment(bytes: &[u8]) -> Option<&[u8]> {
    let [high, low, ..] = bytes else { return None };
    let length = usize::from(u16::from_be_bytes([*high, *low]));
    if length < 2 {
        return None;
    }
    bytes.get(length..)
}

/// The next marker after entropy-coded data, in which 0xFF stands before zero or a restart.
fn after_entropy(bytes: &[u8]) -> Option<&[u8]> {
    let mut rest = bytes;
    loop {
        let at = rest.iter().position(|byte| *byte == 0xFF)?;
        rest = rest.get(at..)?;
        match rest {
            [_, 0 | 0xD0..=0xD7, after @ ..] => rest = after,
            [_, _, ..] => return Some(rest),
            _ => return None,
        }
    }
}

/// Walks the chunks up to IEND.
fn png_is_whole(bytes: &[u8]) -> Option<bool> {
    let mut rest = bytes.get(8..)?;
    loop {
        let [a, b, c, d, kind @ ..] = rest else {
            return Some(false);
        };
        let length = usize::try_from(u32::from_be_bytes([*a, *b, *c, *d])).ok()?;
        // Length, kind and checksum are twelve bytes.
        let after = rest.get(length.checked_add(12)?..)?;
        if kind.starts_with(b"IEND") {
            return Some(true);
        }
        rest = after;
    }
}

/// Whether the file is as long as it says.
fn web_p_is_whole(bytes: &[u8]) -> Option<bool> {
    let [_, _, _, _, a, b, c, d, ..] = bytes else {
        return None;
    };
    let told = usize::try_from(u32::from_le_bytes([*a, *b, *c, *d])).ok()?;
    Some(bytes.len() >= told.checked_add(8)?)
}

#[cfg(test)]
mod tests {
    //! Whole files are whole, and no shorter part of one is.

    use super::*;
    use image::{DynamicImage, ImageFormat, RgbImage};
    use std::io::Cursor;

    fn file(format: ImageFormat) -> Vec<u8> {
        let image = RgbImage::from_fn(40, 30, |x, y| {
            let [x, y] = [x * 6, y * 8].map(|shade| u8::try_from(shade).unwrap());
            image::Rgb([x, y, 90])
        });
        let mut bytes = Cursor::new(Vec::new());
        DynamicImage::ImageRgb8(image)
            .write_to(&mut bytes, format)
            .unwrap();
        bytes.into_inner()
    }

    #[test]
    fn a_file_is_whole_with_its_last_byte_and_not_before() {
        for (made, format) in [
            (ImageFormat::Jpeg, Format::Jpeg),
            (ImageFormat::Png, Format::Png),
            (ImageFormat::WebP, Format::WebP),
        ] {
            let bytes = file(made);
            assert_eq!(Format::of(&bytes), Some(format));
            assert!(format.is_whole(&bytes), "{format:?}");
            for length in 0..bytes.len() {
                assert!(!format.is_whole(&bytes[..length]), "{format:?} cut at {length}");
            }
            let longer = [&bytes[..], b"<script>"].concat();
            assert!(format.is_whole(&longer), "what a camera appends is no matter");
        }
    }

    #[test]
    fn other_kinds_are_none() {
        for bytes in [
            &b"GIF89a\x01\x00\x01\x00\x00\x00"[..],
            b"<svg xmlns='http://www.w3.org/2000/svg'/>",
            b"<!DOCTYPE html><script>",
            b"RIFF\x00\x00\x00\x00WAVEfmt ",
            b"II*\x00\x08\x00\x00\x00\x00\x00\x00\x00",
            b"%PDF-1.7\n%\xE2\xE3\xCF\xD3",
            b"",
        ] {
            assert_eq!(Format::of(bytes), None, "{bytes:?}");
        }
    }
}
