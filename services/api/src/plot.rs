//! The wear trend as a picture: SVG text, without script, style sheet or font of this machine.
//!
//! Nothing is told by colour alone, and whoever cannot see it reads the result in the description. This module draws
//! what the trend says and computes none of it.

mod frame;
mod ticks;

use clampward_domain::wear::{WearAxis, WearTrend};
use frame::Frame;
use plotters::coord::Shift;
use plotters::element::{Drawable, PointCollection};
use plotters::prelude::*;
use plotters::style::FontTransform;
use plotters::style::text_anchor::{HPos, Pos, VPos};
use ticks::{Axis, shown};

/// Size of the picture in CSS pixels.
const WIDTH: u32 = 900;
const HEIGHT: u32 = 540;
/// Steps of the drawing in one CSS pixel: plotters places things on whole steps only.
const FINE: u32 = 4;
const STEP: i32 = 4;
/// What plotters divides a text's size by.
const TEXT_SCALE: f64 = 1.24;

const INK: RGBColor = RGBColor(0x1c, 0x1c, 0x1c);
const FAINT: RGBColor = RGBColor(0xe3, 0xe3, 0xe3);
const EARLIER: RGBColor = RGBColor(0x6b, 0x6b, 0x6b);
const TREND: RGBColor = RGBColor(0x1d, 0x4e, 0x89);
const LIMIT: RGBColor = RGBColor(0xa8, 0x00, 0x1e);
/// How much of the band's colour covers the ground.
const BAND_COVER: f64 = 0.16;

/// Why a plot could not be drawn.
#[derive(Debug, thiserror::Error)]
#[error("the wear plot could not be drawn: {0}")]
pub struct PlotError(String);

impl<E: std::error::Error + Send + Sync> From<DrawingAreaErrorKind<E>> for PlotError {
    fn from(error: DrawingAreaErrorKind<E>) -> Self {
        Self(error.to_string())
    }
}

type Area<'a> = DrawingArea<SVGBackend<'a>, Shift>;
type Chart<'a, 'b> = ChartContext<'a, SVGBackend<'b>, Cartesian2d<Axis, Axis>>;
type Drawn = Result<(), PlotError>;

/// Draws a trend: readings, fitted line, prediction band, the limit, and the day on which it is expected.
///
/// `title` names the clamp and the wear point. The picture is a whole SVG document with title and description.
pub fn wear_svg(trend: &WearTrend, title: &str) -> Result<String, PlotError> {
    let title = one_line(title);
    let mut drawn = String::new();
    {
        let area = SVGBackend::with_string(&mut drawn, (WIDTH * FINE, HEIGHT * FINE)).into_drawing_area();
        area.fill(&WHITE)?;
        heading(&area, &title, &trend.summary)?;
        legend(&area, trend)?;
        body(&area, trend)?;
        area.present()?;
    }
    Ok(document(&drawn, trend, &title))
}

/// Puts the accessible opening in place of the one that plotters writes.
fn document(drawn: &str, trend: &WearTrend, title: &str) -> String {
    let content = drawn.split_once('>').map_or("", |(_, content)| content);
    let name: String = [trend.criterion.as_str(), trend.place.as_deref().unwrap_or("")]
        .concat()
        .chars()
        .map(|character| {
            if character.is_ascii_alphanumeric() {
                character
            } else {
                '-'
            }
        })
        .collect();
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" role=\"img\" aria-labelledby=\"wear-title-{name} wear-desc-{name}\" \
         width=\"{WIDTH}\" height=\"{HEIGHT}\" viewBox=\"0 0 {} {}\">\n\
         <title id=\"wear-title-{name}\">{}</title>\n<desc id=\"wear-desc-{name}\">{}</desc>{content}",
        WIDTH * FINE,
        HEIGHT * FINE,
        escaped(title),
        escaped(&description(trend)),
    )
}

/// The result in words, for whoever cannot see the picture.
fn description(trend: &WearTrend) -> String {
    let unit = trend.unit.sign();
    let readings: Vec<String> = trend
        .points
        .iter()
        .map(|point| {
            let part = if point.current { "" } else { " (earlier part)" };
            format!("{} {unit} on {}{part}", point.wear, shown(point.taken_on))
        })
        .collect();
    let readings = if readings.is_empty() {
        "none".to_owned()
    } else {
        readings.join(", ")
    };
    let renewals: Vec<String> = trend
        .renewals
        .iter()
        .map(|renewal| shown(renewal.renewed_on))
        .collect();
    let renewed = if renewals.is_empty() {
        String::new()
    } else {
        format!(" Part renewed: {}.", renewals.join(", "))
    };
    format!("{} Readings: {readings}.{renewed}", trend.summary)
}

fn one_line(text: &str) -> String {
    text.chars()
        .map(|character| if character.is_control() { ' ' } else { character })
        .collect()
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
}

fn text(size: u32, colour: RGBColor, anchor: (HPos, VPos)) -> TextStyle<'static> {
    ("sans-serif", f64::from(size * FINE) * TEXT_SCALE)
        .into_font()
        .color(&colour)
        .pos(Pos::new(anchor.0, anchor.1))
}

fn heading(area: &Area<'_>, title: &str, summary: &str) -> Drawn {
    let style = ("sans-serif", f64::from(18 * FINE) * TEXT_SCALE, FontStyle::Bold).into_font();
    let style = style.color(&INK).pos(Pos::new(HPos::Left, VPos::Top));
    area.draw(&Text::new(title.to_owned(), (20 * STEP, 14 * STEP), style))?;
    let style = text(14, INK, (HPos::Left, VPos::Top));
    area.draw(&Text::new(summary.to_owned(), (20 * STEP, 42 * STEP), style))?;
    Ok(())
}

/// One row of samples with their names.
fn legend(area: &Area<'_>, trend: &WearTrend) -> Drawn {
    let row = 78 * STEP;
    let name = |words: &'static str, left: i32, colour: RGBColor| {
        Text::new(
            words,
            (left * STEP, row),
            text(13, colour, (HPos::Left, VPos::Center)),
        )
    };
    let sample = |left: i32| vec![(left * STEP, row), ((left + 28) * STEP, row)];
    // Samples of readings are letters, so that there is one circle for each reading and no other.
    area.draw(&name("\u{25cf} reading", 20, INK))?;
    let mut left = 100;
    if trend.points.iter().any(|point| !point.current) {
        area.draw(&name("\u{25cb} reading of an earlier part", left, EARLIER))?;
        left += 190;
    }
    if !trend.curve.is_empty() {
        area.draw(&PathElement::new(sample(left), TREND.stroke_width(2 * FINE)))?;
        area.draw(&name("fitted line", left + 36, INK))?;
        left += 118;
        let corners = [
            (left * STEP, row - 7 * STEP),
            ((left + 28) * STEP, row + 7 * STEP),
        ];
        area.draw(&Rectangle::new(corners, TREND.mix(BAND_COVER).filled()))?;
        let edge = vec![
            (left * STEP, row - 7 * STEP),
            ((left + 28) * STEP, row - 7 * STEP),
        ];
        area.draw(&PathElement::new(edge, TREND.stroke_width(FINE)))?;
        area.draw(&name(
            "prediction band; upper edge: one-sided 95 % bound",
            left + 36,
            INK,
        ))?;
    }
    Ok(())
}

fn body(area: &Area<'_>, trend: &WearTrend) -> Drawn {
    let frame = Frame::of(trend);
    let (x_from, x_to) = frame.x;
    let (y_from, y_to) = frame.y;
    let across = if frame.dots.is_empty() {
        Vec::new()
    } else {
        ticks::across(trend, x_from, x_to)
    };
    let mut chart = ChartBuilder::on(area)
        .margin_top(100 * FINE)
        .margin_right(28 * FINE)
        .margin_left(10 * FINE)
        .margin_bottom(8 * FINE)
        .x_label_area_size(52 * FINE)
        .y_label_area_size(62 * FINE)
        .build_cartesian_2d(
            Axis::new(x_from, x_to, across),
            Axis::new(y_from, y_to, ticks::up(y_from, y_to)),
        )?;
    chart
        .configure_mesh()
        .light_line_style(TRANSPARENT)
        .bold_line_style(FAINT.stroke_width(FINE))
        .axis_style(INK.stroke_width(FINE))
        .set_all_tick_mark_size(5 * FINE)
        .label_style(text(13, INK, (HPos::Center, VPos::Center)))
        .axis_desc_style(text(14, INK, (HPos::Center, VPos::Center)))
        .x_desc(match trend.against {
            WearAxis::Lifts => "Lifts of the clamp",
            WearAxis::Days => "Day of reading",
        })
        .y_desc(format!("Wear, {}", trend.unit_text))
        .draw()?;
    renewals(&mut chart, &frame)?;
    band(&mut chart, &frame)?;
    limit(&mut chart, trend, &frame)?;
    dots(&mut chart, &frame)?;
    expected(&mut chart, &frame)?;
    if frame.dots.is_empty() {
        let middle = ((x_from + x_to) / 2.0, (y_from + y_to) / 2.0);
        put(
            &mut chart,
            Text::new(
                "no readings yet",
                middle,
                text(16, EARLIER, (HPos::Center, VPos::Bottom)),
            ),
        )?;
    }
    Ok(())
}

/// Draws one element in the chart.
fn put<'b, E>(chart: &mut Chart<'_, 'b>, element: E) -> Drawn
where
    E: Drawable<SVGBackend<'b>>,
    for<'e> &'e E: PointCollection<'e, (f64, f64)>,
{
    chart.draw_series(std::iter::once(element))?;
    Ok(())
}

/// Where the part was renewed, the trend is broken by a dotted upright.
fn renewals(chart: &mut Chart<'_, '_>, frame: &Frame) -> Drawn {
    for (x, day) in &frame.renewals {
        let upright = [(*x, frame.y.0), (*x, frame.y.1)];
        chart.draw_series(DashedLineSeries::new(
            upright,
            2 * FINE,
            5 * FINE,
            EARLIER.stroke_width(FINE),
        ))?;
        let style = text(12, EARLIER, (HPos::Left, VPos::Bottom)).transform(FontTransform::Rotate270);
        let words = format!("part renewed {}", shown(*day));
        put(
            chart,
            EmptyElement::at((*x, frame.y.0)) + Text::new(words, (-3 * STEP, -10 * STEP), style),
        )?;
    }
    Ok(())
}

/// The prediction band with its upper edge, and the fitted line.
fn band(chart: &mut Chart<'_, '_>, frame: &Frame) -> Drawn {
    if frame.curve.is_empty() {
        return Ok(());
    }
    put(chart, Polygon::new(frame.band(), TREND.mix(BAND_COVER)))?;
    put(
        chart,
        PathElement::new(frame.visible(|place| place.upper), TREND.stroke_width(FINE)),
    )?;
    put(
        chart,
        PathElement::new(frame.visible(|place| place.line), TREND.stroke_width(2 * FINE)),
    )
}

/// The limit, dashed and labelled in place.
fn limit(chart: &mut Chart<'_, '_>, trend: &WearTrend, frame: &Frame) -> Drawn {
    let across = [(frame.x.0, frame.limit), (frame.x.1, frame.limit)];
    chart.draw_series(DashedLineSeries::new(
        across,
        9 * FINE,
        6 * FINE,
        LIMIT.stroke_width(2 * FINE),
    ))?;
    let words = format!("reject at {} {}", trend.limit, trend.unit.sign());
    let style = text(13, LIMIT, (HPos::Left, VPos::Bottom));
    put(
        chart,
        EmptyElement::at((frame.x.0, frame.limit)) + Text::new(words, (8 * STEP, -4 * STEP), style),
    )
}

/// One circle per reading: filled for the part now fitted; hollow, and joined by a thin line, for earlier ones.
fn dots(chart: &mut Chart<'_, '_>, frame: &Frame) -> Drawn {
    for part in frame.earlier_parts() {
        put(chart, PathElement::new(part, EARLIER.stroke_width(FINE)))?;
    }
    for dot in &frame.dots {
        let style: ShapeStyle = if dot.current {
            INK.filled()
        } else {
            EARLIER.stroke_width(2 * FINE)
        };
        put(chart, Circle::new((dot.x, dot.y), 5 * FINE, style))?;
    }
    Ok(())
}

/// The day on which the limit is expected: a mark where the bound reaches it, or an arrow to beyond the picture.
fn expected(chart: &mut Chart<'_, '_>, frame: &Frame) -> Drawn {
    let Some((x, day)) = frame.expected else {
        return Ok(());
    };
    let style = text(13, INK, (HPos::Right, VPos::Bottom));
    if x > frame.x.1 {
        let words = format!("limit expected {} \u{2192}", shown(day));
        return put(
            chart,
            EmptyElement::at((frame.x.1, frame.limit)) + Text::new(words, (-8 * STEP, -4 * STEP), style),
        );
    }
    let upright = [(x, frame.y.0), (x, frame.limit)];
    chart.draw_series(DashedLineSeries::new(
        upright,
        4 * FINE,
        4 * FINE,
        INK.stroke_width(FINE),
    ))?;
    let half = 7 * STEP;
    let diamond = vec![(0, -half), (half, 0), (0, half), (-half, 0)];
    put(
        chart,
        EmptyElement::at((x, frame.limit)) + Polygon::new(diamond, INK),
    )?;
    // A day still to come has the free side left of the bound; a limit reached already has readings there.
    let (words, from, offset) = if frame.limit_reached {
        ("limit reached", frame.y.0, (-8 * STEP, -6 * STEP))
    } else {
        ("limit expected", frame.limit, (-10 * STEP, -4 * STEP))
    };
    put(
        chart,
        EmptyElement::at((x, from)) + Text::new(format!("{words} {}", shown(day)), offset, style),
    )
}

#[cfg(test)]
mod tests;
