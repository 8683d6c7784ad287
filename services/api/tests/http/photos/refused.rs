//! What is no photo, or too much of one: refused, thrown away, and nothing of it decoded or shown.

use super::files::{jpeg_of, noisy, photo_of, picture, png_of};
use super::{PIECE, name, nothing};
use crate::support::Reply;
use crate::trade::fleet::Fleet;
use image::{DynamicImage, ImageBuffer, ImageFormat, Rgba};
use serde_json::json;
use std::io::Cursor;

async fn sent(fleet: &Fleet, bytes: &[u8]) -> Reply {
    let photo = name(bytes);
    let reply = fleet.send_as(&fleet.operator, &photo, bytes, PIECE).await;
    assert_eq!(
        fleet.offset(&fleet.operator, &photo).await,
        nothing(),
        "what is refused is thrown away"
    );
    reply
}

#[actix_web::test]
async fn bytes_that_are_not_those_of_the_name_are_thrown_away() {
    let fleet = Fleet::start().await;
    let (good, other) = (photo_of(1), photo_of(2));
    let reply = fleet.send_as(&fleet.operator, &name(&good), &other, PIECE).await;
    reply.refused(422, "photo-mismatch");
    assert_eq!(fleet.offset(&fleet.operator, &name(&good)).await, nothing());
    assert_eq!(fleet.files(""), Vec::<String>::new());
    fleet.sent_photo(&fleet.operator, &good).await;
    fleet.stop().await;
}

#[actix_web::test]
async fn fifty_thousand_by_fifty_thousand_pixels_are_refused_before_any_is_decoded() {
    let fleet = Fleet::start().await;
    for bytes in [
        png_of(50_000, 50_000),
        jpeg_of(50_000, 50_000),
        png_of(10_000, 5_001),
    ] {
        let reply = sent(&fleet, &bytes).await;
        reply.refused(422, "photo-unreadable");
        assert!(reply.text("/detail").contains("pixels"), "{}", reply.body);
    }
    fleet.stop().await;
}

#[actix_web::test]
async fn a_photo_that_takes_too_much_memory_is_refused_before_any_is_decoded() {
    let fleet = Fleet::start().await;
    // 16 bits for each of four colours: within the pixels, and more than twice the bytes.
    let deep = ImageBuffer::from_pixel(6_400, 6_400, Rgba([1_u16, 2, 3, 4]));
    let mut bytes = Cursor::new(Vec::new());
    DynamicImage::ImageRgba16(deep)
        .write_to(&mut bytes, ImageFormat::Png)
        .expect("encoded");
    let reply = sent(&fleet, &bytes.into_inner()).await;
    reply.refused(422, "photo-unreadable");
    assert!(reply.text("/detail").contains("8 bits"), "{}", reply.body);
    fleet.stop().await;
}

#[actix_web::test]
async fn html_behind_a_jpegs_first_bytes_is_no_photo() {
    let fleet = Fleet::start().await;
    let page = b"<html><script>alert(document.domain)</script></html>";
    let start = [
        &[0xFF, 0xD8, 0xFF, 0xE0, 0, 16][..],
        b"JFIF\0\x01\x01\0\0\x01\0\x01\0\0",
    ]
    .concat();
    let comment = [&[0xFF, 0xFE, 0, 54][..], page].concat();
    for bytes in [
        [&start[..], page].concat(),
        // With an end, and with the page as a comment: there is no picture all the same.
        [&start[..], page, &[0xFF, 0xD9]].concat(),
        [&start[..], &comment, &[0xFF, 0xD9]].concat(),
    ] {
        sent(&fleet, &bytes).await.refused(422, "photo-unreadable");
    }
    // A good photo with a page behind it: what is shown has pixels only.
    let good = [&photo_of(1)[..], page].concat();
    let clamp = fleet.fit_clamp("1").await;
    let photo = fleet.sent_photo(&fleet.operator, &good).await;
    let cites = json!({"reason": "dropped", "photos": [photo]});
    fleet.tag_out(&fleet.operator, &clamp, cites).await.succeeded(201);
    let shown = fleet.photo(&fleet.lead, &photo).await.succeeded(200);
    assert!(!shown.bytes.windows(7).any(|part| part == b"<script"));
    assert_eq!(shown.header("content-type"), Some("image/jpeg"));
    assert_eq!(shown.header("x-content-type-options"), Some("nosniff"));
    fleet.stop().await;
}

#[actix_web::test]
async fn svg_gif_and_other_kinds_are_refused_with_their_first_piece() {
    let fleet = Fleet::start().await;
    // A GIF of 65,535 × 65,535 pixels in a few bytes.
    let gif_bomb = b"GIF89a\xFF\xFF\xFF\xFF\x80\0\0\0\0\0\xFF\xFF\xFF\x2C\0\0\0\0\xFF\xFF\xFF\xFF\0\x02\x02\x44\x01\0\x3B";
    let svg = b"<svg xmlns=\"http://www.w3.org/2000/svg\"><script>alert(1)</script></svg>";
    let with_declaration = b"<?xml version=\"1.0\"?><!DOCTYPE svg [<!ENTITY a \"aaaa\">]><svg>&a;</svg>";
    for bytes in [
        &gif_bomb[..],
        svg,
        with_declaration,
        b"%PDF-1.7 and more of it",
        b"PK\x03\x04 a workbook perhaps",
        b"short",
    ] {
        sent(&fleet, bytes).await.refused(422, "photo-unreadable");
    }
    assert_eq!(fleet.files(""), Vec::<String>::new());
    fleet.stop().await;
}

#[actix_web::test]
async fn a_photo_that_is_cut_off_or_damaged_is_refused_although_decoders_would_fill_it_in() {
    let fleet = Fleet::start().await;
    let jpeg = photo_of(3);
    let png = super::files::encoded(&picture(48, 32, 3), ImageFormat::Png);
    let web_p = super::files::encoded(&picture(48, 32, 3), ImageFormat::WebP);
    let mut damaged = png.clone();
    let middle = damaged.len() / 2;
    damaged[middle] ^= 0xFF;
    for bytes in [
        &jpeg[..jpeg.len() - 2],
        &jpeg[..jpeg.len() * 2 / 3],
        &png[..png.len() - 12],
        &web_p[..web_p.len() - 1],
        &damaged,
    ] {
        sent(&fleet, bytes).await.refused(422, "photo-unreadable");
    }
    fleet.stop().await;
}

#[actix_web::test]
async fn limits_hold_before_anything_is_taken() {
    let fleet = Fleet::start().await;
    let bytes = noisy(700, 700);
    let (photo, by) = (name(&bytes), &fleet.operator);
    let twenty = 20 << 20;
    fleet
        .piece(by, &photo, 0, twenty + 1, &bytes[..100])
        .await
        .refused(413, "photo-too-large");
    fleet
        .piece(by, &photo, 0, twenty, &vec![0xFF; PIECE + 1])
        .await
        .refused(413, "body-too-large");
    let call = |offset: &str, length: &str, media: &str| {
        fleet
            .app
            .call("PATCH", &format!("/v1/photos/{photo}"))
            .token(&fleet.token(by))
            .header("Content-Type", media)
            .header("Upload-Offset", offset)
            .header("Upload-Length", length)
            .raw(bytes[..100].to_vec())
            .send()
    };
    let octets = "application/offset+octet-stream";
    for (offset, length) in [
        ("", "100"),
        ("-1", "100"),
        ("0x0", "100"),
        ("0", "1e3"),
        ("0", "18446744073709551616"),
        ("+0", "100"),
    ] {
        call(offset, length, octets).await.refused(400, "invalid-header");
    }
    for media in ["image/jpeg", "application/json", "text/plain"] {
        call("0", "1000", media)
            .await
            .refused(415, "unsupported-media-type");
    }
    let elsewhere = fleet
        .piece(by, &photo.to_uppercase(), 0, 100, &bytes[..100])
        .await;
    elsewhere
        .refused(400, "invalid-parameters")
        .at("/sha256", "not-sha256");
    assert_eq!(fleet.files(""), Vec::<String>::new());
    fleet.stop().await;
}

#[actix_web::test]
async fn nobody_opens_uploads_without_end() {
    let fleet = Fleet::start().await;
    let start = &photo_of(1)[..64];
    for number in 0..200 {
        fleet
            .piece(&fleet.operator, &format!("{number:064x}"), 0, 4096, start)
            .await
            .succeeded(204);
    }
    let more = format!("{:064x}", 200);
    fleet
        .piece(&fleet.operator, &more, 0, 4096, start)
        .await
        .refused(409, "too-many-uploads");
    assert_eq!(fleet.files("staging").len(), 200);
    fleet
        .piece(&fleet.inspector, &more, 0, 4096, start)
        .await
        .succeeded(204);
    fleet
        .piece(&fleet.operator, &format!("{:064x}", 7), 64, 4096, start)
        .await
        .succeeded(204);
    fleet.stop().await;
}
