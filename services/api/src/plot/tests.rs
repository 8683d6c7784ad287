//! What the picture must hold, whatever it looks like.

use super::*;
use clampward_domain::calendar::Zone;
use clampward_domain::wear::{WearHistory, WearReading, WearUnit, wear_trend};
use roxmltree::Document;

fn reading(day: &str, wear: &str, lifts: Option<u64>) -> WearReading {
    WearReading {
        entry_id: None,
        taken_at: format!("{day}T12:00:00Z").parse().unwrap(),
        measured: None,
        wear: wear.parse().unwrap(),
        lifts,
    }
}

fn trend(limit: &str, readings: &[WearReading], renewed: &[&str]) -> WearTrend {
    let renewed_at: Vec<_> = renewed
        .iter()
        .map(|day| format!("{day}T06:00:00Z").parse().unwrap())
        .collect();
    wear_trend(&WearHistory {
        criterion: "shackle_eye_worn",
        place: Some("left"),
        unit: WearUnit::PercentOfNominal,
        limit: limit.parse().unwrap(),
        readings,
        renewed_at: &renewed_at,
        zone: &Zone::utc(),
    })
}

fn rising() -> Vec<WearReading> {
    vec![
        reading("2025-01-15", "1.0", None),
        reading("2025-04-14", "2.4", None),
        reading("2025-07-16", "4.1", None),
        reading("2025-10-15", "5.2", None),
        reading("2026-01-14", "7.0", None),
    ]
}

fn with_an_earlier_part() -> Vec<WearReading> {
    let mut readings = vec![
        reading("2024-02-10", "2.0", None),
        reading("2024-06-10", "5.6", None),
        reading("2024-11-20", "9.1", None),
    ];
    readings.extend(rising());
    readings
}

/// The kinds of trend that a page can meet, by name.
fn cases() -> Vec<(&'static str, WearTrend)> {
    let lifts = [
        ("2025-01-15", "0.8", 900),
        ("2025-03-14", "2.1", 5_200),
        ("2025-05-16", "3.0", 9_900),
        ("2025-06-20", "4.4", 14_100),
    ];
    let lifts: Vec<_> = lifts
        .map(|(day, wear, lifts)| reading(day, wear, Some(lifts)))
        .into();
    let falling = vec![
        reading("2025-01-15", "3", None),
        reading("2025-03-14", "2.5", None),
        reading("2025-05-16", "2", None),
    ];
    let mut worn = rising();
    worn.push(reading("2026-04-15", "13.1", None));
    let slow: Vec<_> = rising()
        .into_iter()
        .map(|one| WearReading {
            wear: one.wear / rust_decimal::Decimal::TEN,
            ..one
        })
        .collect();
    vec![
        ("rising", trend("10", &rising(), &[])),
        ("renewed", trend("10", &with_an_earlier_part(), &["2024-12-05"])),
        ("lifts", trend("7.5", &lifts, &[])),
        ("falling", trend("10", &falling, &[])),
        ("worn", trend("10", &worn, &[])),
        ("slow", trend("10", &slow, &[])),
        ("one", trend("10", &rising()[..1], &[])),
        ("none", trend("10", &[], &[])),
    ]
}

fn texts(picture: &Document<'_>) -> Vec<String> {
    let texts = picture
        .descendants()
        .filter(|node| node.has_tag_name(("http://www.w3.org/2000/svg", "text")));
    texts
        .map(|node| node.text().unwrap_or("").trim().to_owned())
        .collect()
}

fn circles(picture: &Document<'_>) -> usize {
    picture
        .descendants()
        .filter(|node| node.tag_name().name() == "circle")
        .count()
}

#[test]
fn every_picture_is_xml_and_shows_each_reading_as_one_circle_and_the_limit_by_name() {
    for (name, trend) in cases() {
        let svg = wear_svg(&trend, "KC-0417: shackle eye worn").unwrap();
        let picture = Document::parse(&svg).unwrap_or_else(|error| panic!("{name}: {error}\n{svg}"));
        assert_eq!(circles(&picture), trend.points.len(), "{name}");
        let texts = texts(&picture);
        let label = format!("reject at {} %", trend.limit);
        assert!(texts.contains(&label), "{name}: {texts:?}");
        assert!(
            texts.contains(&"Wear, % of nominal".to_owned()),
            "{name}: {texts:?}"
        );
        assert!(texts.contains(&trend.summary), "{name}: {texts:?}");
    }
}

#[test]
fn the_picture_reads_aloud_as_title_result_and_readings() {
    let trend = trend("10", &with_an_earlier_part(), &["2024-12-05"]);
    let svg = wear_svg(&trend, "KC-0417: shackle eye worn").unwrap();
    let picture = Document::parse(&svg).unwrap();
    let root = picture.root_element();
    assert_eq!(root.attribute("role"), Some("img"));
    let labels: Vec<&str> = root
        .attribute("aria-labelledby")
        .unwrap()
        .split(' ')
        .map(|id| {
            picture
                .descendants()
                .find(|node| node.attribute("id") == Some(id))
                .unwrap()
                .text()
                .unwrap()
        })
        .collect();
    assert_eq!(labels[0], "KC-0417: shackle eye worn");
    assert!(labels[1].starts_with(&trend.summary), "{}", labels[1]);
    assert!(
        labels[1].contains("9.1 % on 20 Nov 2024 (earlier part), 1 % on 15 Jan 2025,"),
        "{}",
        labels[1]
    );
    assert!(labels[1].ends_with("Part renewed: 5 Dec 2024."), "{}", labels[1]);
}

#[test]
fn the_expected_day_is_marked_where_it_lies_in_the_picture_and_pointed_at_where_it_does_not() {
    let near = trend("10", &rising(), &[]);
    let svg = wear_svg(&near, "").unwrap();
    let marked = format!("limit expected {}", shown(near.expected_limit_on.unwrap()));
    assert!(texts(&Document::parse(&svg).unwrap()).contains(&marked));

    let slow = cases().into_iter().find(|(name, _)| *name == "slow").unwrap().1;
    let svg = wear_svg(&slow, "").unwrap();
    let pointed = format!(
        "limit expected {} \u{2192}",
        shown(slow.expected_limit_on.unwrap())
    );
    assert!(texts(&Document::parse(&svg).unwrap()).contains(&pointed));

    let worn = cases().into_iter().find(|(name, _)| *name == "worn").unwrap().1;
    let svg = wear_svg(&worn, "").unwrap();
    assert!(texts(&Document::parse(&svg).unwrap()).contains(&"limit reached 15 Apr 2026".to_owned()));

    let falling = cases()
        .into_iter()
        .find(|(name, _)| *name == "falling")
        .unwrap()
        .1;
    assert!(!wear_svg(&falling, "").unwrap().contains("limit expected"));
}

#[test]
fn a_renewal_is_a_break_between_the_parts_on_both_axes() {
    let counted: Vec<_> = with_an_earlier_part()
        .into_iter()
        .zip(1u64..)
        .map(|(one, step)| WearReading {
            lifts: Some(1000 * step),
            ..one
        })
        .collect();
    for readings in [with_an_earlier_part(), counted] {
        let trend = trend("10", &readings, &["2024-12-05"]);
        let svg = wear_svg(&trend, "").unwrap();
        let picture = Document::parse(&svg).unwrap();
        assert!(
            texts(&picture).contains(&"part renewed 5 Dec 2024".to_owned()),
            "{:?}",
            trend.against
        );
        let hollow = picture
            .descendants()
            .filter(|node| node.tag_name().name() == "circle");
        assert_eq!(
            hollow
                .filter(|node| node.attribute("fill") == Some("none"))
                .count(),
            3
        );
    }
}

#[test]
fn nothing_is_drawn_outside_the_picture() {
    for (name, trend) in cases() {
        let svg = wear_svg(&trend, "").unwrap();
        let picture = Document::parse(&svg).unwrap();
        let (wide, high) = (f64::from(WIDTH * FINE), f64::from(HEIGHT * FINE));
        let mut places = Vec::new();
        for node in picture.descendants() {
            let at = |key: &str| node.attribute(key).and_then(|text| text.parse::<f64>().ok());
            places.extend(at("cx").zip(at("cy")));
            places.extend(at("x1").zip(at("y1")));
            places.extend(at("x2").zip(at("y2")));
            let path = node.attribute("points").unwrap_or("");
            places.extend(path.split_whitespace().map(|pair| {
                let (x, y) = pair.split_once(',').unwrap();
                (x.parse().unwrap(), y.parse().unwrap())
            }));
        }
        assert!(places.len() > 20, "{name}");
        for (x, y) in places {
            assert!(
                (0.0..=wide).contains(&x) && (0.0..=high).contains(&y),
                "{name}: {x} {y}"
            );
        }
    }
}

#[test]
fn a_name_cannot_break_out_of_the_picture_and_no_script_or_style_is_in_it() {
    let mut trend = trend("10", &rising(), &[]);
    trend.criterion = "\"><script>alert(1)</script>".to_owned();
    let title = "</title><script>alert(1)</script> & \u{0} \"x\"";
    let svg = wear_svg(&trend, title).unwrap();
    let picture = Document::parse(&svg).unwrap();
    for node in picture.descendants() {
        assert!(!matches!(node.tag_name().name(), "script" | "style"), "{svg}");
        assert!(
            node.attributes()
                .all(|attribute| attribute.name() != "style" && !attribute.name().starts_with("on"))
        );
    }
    assert!(texts(&picture).contains(&"</title><script>alert(1)</script> &   \"x\"".to_owned()));
}

#[test]
fn the_same_trend_gives_the_same_picture() {
    for (name, trend) in cases() {
        assert_eq!(
            wear_svg(&trend, "KC-0417").unwrap(),
            wear_svg(&trend, "KC-0417").unwrap(),
            "{name}"
        );
    }
}

#[test]
fn every_colour_that_carries_words_stands_out_from_the_ground() {
    // WCAG 2.2, "relative luminance" and "contrast ratio"; success criterion 1.4.3 asks 4.5 to 1 for text.
    let luminance = |colour: RGBColor| {
        let linear = |part: u8| {
            let part = f64::from(part) / 255.0;
            if part <= 0.04045 {
                part / 12.92
            } else {
                ((part + 0.055) / 1.055).powf(2.4)
            }
        };
        0.2126 * linear(colour.0) + 0.7152 * linear(colour.1) + 0.0722 * linear(colour.2)
    };
    let contrast = |colour: RGBColor| 1.05 / (luminance(colour) + 0.05);
    assert!((contrast(BLACK) - 21.0).abs() < 1e-9);
    for colour in [INK, EARLIER, TREND, LIMIT] {
        assert!(contrast(colour) >= 4.5, "{colour:?}: {}", contrast(colour));
    }
}
