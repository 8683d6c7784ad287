//! Files: good photos, and what is none.

use image::{DynamicImage, ImageFormat, Rgb, RgbImage};
use std::io::Cursor;

/// What a phone writes into its photos: where it was.
pub const POSITION: &str = "59.91390 N 10.75220 E";

/// A small photo, another for each number.
pub fn photo_of(number: u8) -> Vec<u8> {
    encoded(&picture(48, 32, number), ImageFormat::Jpeg)
}

pub fn picture(width: u32, height: u32, seed: u8) -> RgbImage {
    RgbImage::from_fn(width, height, |x, y| {
        let [x, y] = [x, y].map(|at| u8::try_from(at % 251).expect("small"));
        Rgb([x.wrapping_mul(5), y.wrapping_mul(7), seed.wrapping_mul(31)])
    })
}

/// A photo that does not compress, so that it has a few megabytes.
pub fn noisy(width: u32, height: u32) -> Vec<u8> {
    let mut state = 0x9E37_79B9_u32;
    let image = RgbImage::from_fn(width, height, |_, _| {
        state ^= state << 13;
        state ^= state >> 17;
        state ^= state << 5;
        let [a, b, c, _] = state.to_le_bytes();
        Rgb([a, b, c])
    });
    encoded(&image, ImageFormat::Jpeg)
}

pub fn encoded(image: &RgbImage, format: ImageFormat) -> Vec<u8> {
    let mut bytes = Cursor::new(Vec::new());
    DynamicImage::ImageRgb8(image.clone())
        .write_to(&mut bytes, format)
        .expect("encoded");
    bytes.into_inner()
}

/// A photo that lies on its side and tells where it was taken (Exif 2.32: orientation 6, GPS directory, description).
pub fn with_position(number: u8) -> Vec<u8> {
    let jpeg = photo_of(number);
    let mut exif = b"Exif\0\0II*\0\x08\0\0\0".to_vec();
    let text = format!("{POSITION}\0");
    let entry = |tag: u16, kind: u16, count: u32, value: u32| {
        let mut entry = Vec::new();
        entry.extend(tag.to_le_bytes());
        entry.extend(kind.to_le_bytes());
        entry.extend(count.to_le_bytes());
        entry.extend(value.to_le_bytes());
        entry
    };
    // Offsets count from the byte order; the first directory has three entries, the second one.
    let second: u32 = 8 + 2 + 3 * 12 + 4;
    let description = second + 2 + 12 + 4;
    let length = u32::try_from(text.len()).expect("short");
    exif.extend(3_u16.to_le_bytes());
    exif.extend(entry(0x010E, 2, length, description));
    exif.extend(entry(0x0112, 3, 1, 6));
    exif.extend(entry(0x8825, 4, 1, second));
    exif.extend(0_u32.to_le_bytes());
    exif.extend(1_u16.to_le_bytes());
    exif.extend(entry(0x0001, 2, 2, u32::from(b'N')));
    exif.extend(0_u32.to_le_bytes());
    exif.extend(text.as_bytes());
    let length = u16::try_from(exif.len() + 2).expect("short");
    let head = [&jpeg[..2], &[0xFF, 0xE1], &length.to_be_bytes()].concat();
    [&head[..], &exif, &jpeg[2..]].concat()
}

/// A PNG that says that it has so many pixels, and has none of them.
pub fn png_of(width: u32, height: u32) -> Vec<u8> {
    let chunk = |kind: &[u8], data: &[u8]| {
        let length = u32::try_from(data.len()).expect("short").to_be_bytes();
        let named = [kind, data].concat();
        [&length[..], &named, &checksum(&named).to_be_bytes()].concat()
    };
    let header = [&width.to_be_bytes()[..], &height.to_be_bytes(), &[8, 2, 0, 0, 0]].concat();
    [
        &b"\x89PNG\r\n\x1a\n"[..],
        &chunk(b"IHDR", &header),
        &chunk(b"IDAT", &[0x78, 0x9C, 0x03, 0, 0, 0, 0, 1]),
        &chunk(b"IEND", b""),
    ]
    .concat()
}

/// A JPEG that says that it has so many pixels: the dimensions of a good one are overwritten.
pub fn jpeg_of(width: u16, height: u16) -> Vec<u8> {
    let mut jpeg = photo_of(9);
    let frame = jpeg
        .windows(2)
        .position(|pair| pair == [0xFF, 0xC0])
        .expect("a baseline frame");
    jpeg[frame + 5..frame + 7].copy_from_slice(&height.to_be_bytes());
    jpeg[frame + 7..frame + 9].copy_from_slice(&width.to_be_bytes());
    jpeg
}

/// CRC-32 (W3C PNG, annex D).
fn checksum(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(u32::MAX, |state, byte| {
        (0..8).fold(state ^ u32::from(*byte), |state, _| {
            (state >> 1) ^ if state & 1 == 1 { 0xEDB8_8320 } else { 0 }
        })
    })
}
