//! A chart as a PNG, for readers that show no SVG, as e-mail programs do.
//!
//! Knows the elements that the charts of this crate consist of, and no others. The one invariant: a
//! drawing becomes the same picture on every machine, because the font is its own.

mod canvas;
mod png;
mod text;

use canvas::Canvas;
use text::Type;
use zeno::{Join, Stroke, Transform};

/// Pixels of the picture for each of the drawing.
const SCALE: f32 = 2.0;

/// How much wider bold letters are drawn, as a share of their size.
const BOLD: f32 = 0.05;

/// Pixels of a picture.
const PIXELS_MAX: usize = 8_000_000;

/// Draws a chart of this crate as a PNG; nothing where it is no drawing, or too large.
#[must_use]
pub fn png(svg: &str) -> Option<Vec<u8>> {
    let mut canvas: Option<Canvas> = None;
    let mut styles = vec![Style::default()];
    let font = Type::own()?;
    for element in elements(svg) {
        if element.kind == Kind::Close {
            styles.pop();
            continue;
        }
        let style = styles.last()?.with(&element);
        match element.name {
            "svg" => canvas = Some(blank(&element)?),
            "rect" => fill(canvas.as_mut()?, &style, &element),
            "path" => draw(canvas.as_mut()?, &style, element.get("d")?),
            "text" => write(canvas.as_mut()?, &style, (&font, &element)),
            _ => {}
        }
        if element.kind == Kind::Open {
            styles.push(style);
        }
    }
    let canvas = canvas?;
    png::encode(&canvas)
}

/// The ground of a drawing; nothing where it has no size, or too large a one.
fn blank(svg: &Element<'_>) -> Option<Canvas> {
    let size = |key| svg.number(key).map(|length| (length * SCALE).ceil());
    let (width, height) = (size("width")?, size("height")?);
    let fits = (1.0..=PIXELS_MAX as f32).contains(&(width * height));
    fits.then(|| Canvas::new(width as usize, height as usize))
}

/// How an element stands in the markup.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    Open,
    Leaf,
    Close,
}

/// A tag with the text behind it.
struct Element<'a> {
    kind: Kind,
    name: &'a str,
    attributes: Vec<(&'a str, &'a str)>,
    content: &'a str,
}

impl Element<'_> {
    fn get(&self, key: &str) -> Option<&str> {
        let found = self.attributes.iter().find(|(known, _)| *known == key);
        found.map(|&(_, value)| value)
    }

    fn number(&self, key: &str) -> Option<f32> {
        self.get(key)?.parse().ok()
    }
}

/// The tags of a drawing, in order. Values are in double quotes and have no angle brackets, because
/// `markup` writes them so.
fn elements(svg: &str) -> impl Iterator<Item = Element<'_>> {
    svg.split('<').skip(1).filter_map(|piece| {
        let (tag, content) = piece.split_once('>')?;
        if let Some(name) = tag.strip_prefix('/') {
            return Some(Element {
                kind: Kind::Close,
                name: name.trim(),
                attributes: Vec::new(),
                content,
            });
        }
        let (kind, tag) = match tag.strip_suffix('/') {
            Some(tag) => (Kind::Leaf, tag),
            None => (Kind::Open, tag),
        };
        let (name, mut rest) = tag.split_once(' ').unwrap_or((tag, ""));
        let mut attributes = Vec::new();
        while let Some((key, after)) = rest.split_once("=\"") {
            let (value, next) = after.split_once('"')?;
            attributes.push((key.trim(), value));
            rest = next;
        }
        Some(Element {
            kind,
            name,
            attributes,
            content,
        })
    })
}

/// A colour.
type Colour = [u8; 3];

/// What an element takes over from those around it.
#[derive(Clone, Debug)]
struct Style {
    fill: Option<Colour>,
    stroke: Option<Colour>,
    stroke_width: f32,
    dashes: Vec<f32>,
    font_size: f32,
    is_bold: bool,
    /// The part of a text's width that lies before its place.
    before: f32,
}

impl Default for Style {
    fn default() -> Style {
        Style {
            fill: Some([0, 0, 0]),
            stroke: None,
            stroke_width: 1.0,
            dashes: Vec::new(),
            font_size: 12.0,
            is_bold: false,
            before: 0.0,
        }
    }
}

impl Style {
    /// The style of an element within one of this style.
    fn with(&self, element: &Element<'_>) -> Style {
        let mut style = self.clone();
        for (key, value) in &element.attributes {
            let number = || value.parse().ok();
            match *key {
                "fill" => style.fill = colour(value),
                "stroke" => style.stroke = colour(value),
                "stroke-width" => style.stroke_width = number().unwrap_or(1.0),
                "stroke-dasharray" => {
                    let lengths = value.split([' ', ',']).filter_map(|one| one.parse().ok());
                    style.dashes = lengths.collect();
                }
                "font-size" => style.font_size = number().unwrap_or(12.0),
                "font-weight" => style.is_bold = number().is_some_and(|weight: f32| weight > 500.0),
                "text-anchor" => {
                    style.before = match *value {
                        "middle" => 0.5,
                        "end" => 1.0,
                        _ => 0.0,
                    }
                }
                _ => {}
            }
        }
        style
    }
}

/// A colour in six digits; nothing for `none`.
fn colour(text: &str) -> Option<Colour> {
    let digits = text.strip_prefix('#').filter(|digits| digits.len() == 6)?;
    let part = |at: usize| u8::from_str_radix(digits.get(at..at + 2)?, 16).ok();
    Some([part(0)?, part(2)?, part(4)?])
}

/// Fills a rectangle, whose edges come to lie between pixels.
fn fill(canvas: &mut Canvas, style: &Style, element: &Element<'_>) {
    let side = |key| element.number(key).map(|length| length * SCALE);
    let (Some(x), Some(y)) = (side("x"), side("y")) else {
        return;
    };
    let (Some(width), Some(height)) = (side("width"), side("height")) else {
        return;
    };
    if let Some(colour) = style.fill {
        canvas.fill((x, y), (x + width, y + height), colour);
    }
}

/// Fills and strokes a path, as its style says.
fn draw(canvas: &mut Canvas, style: &Style, path: &str) {
    let scale = Transform::scale(SCALE, SCALE);
    if let Some(colour) = style.fill {
        canvas.paint(path, zeno::Fill::NonZero.into(), scale, colour);
    }
    if let Some(colour) = style.stroke.filter(|_| style.stroke_width > 0.0) {
        let mut stroke = Stroke::new(style.stroke_width);
        stroke.join(Join::Round).dash(&style.dashes, 0.0);
        canvas.paint(path, stroke.into(), scale, colour);
    }
}

/// Writes a text at its place.
fn write(canvas: &mut Canvas, style: &Style, (font, element): (&Type<'_>, &Element<'_>)) {
    let (Some(x), Some(y)) = (element.number("x"), element.number("y")) else {
        return;
    };
    let Some(colour) = style.fill else { return };
    let line = font.line(&text::unescaped(element.content));
    let size = style.font_size * SCALE / font.units;
    let left = x * SCALE - line.width * size * style.before;
    // Letters stand upright in the font, and hang down in a picture.
    let place = Transform::new(size, 0.0, 0.0, -size, left, y * SCALE);
    let outline = line.outline.as_slice();
    canvas.paint(outline, zeno::Fill::NonZero.into(), place, colour);
    if style.is_bold {
        let stroke = Stroke::new(font.units * BOLD);
        canvas.paint(outline, stroke.into(), place, colour);
    }
}

#[cfg(test)]
mod tests {
    use std::io::Read;

    use super::*;
    use crate::sample::chart;
    use crate::{ChartSize, chart_svg};

    /// The width, the height and the colours of a picture's pixels, read back.
    fn pixels(png: &[u8]) -> (usize, usize, Vec<Colour>) {
        assert_eq!(png[..8], *b"\x89PNG\r\n\x1a\n");
        let number = |at: usize| u32::from_be_bytes(png[at..at + 4].try_into().unwrap()) as usize;
        let (width, height) = (number(16), number(20));
        let (mut at, mut data) = (8, Vec::new());
        while at < png.len() {
            let length = number(at);
            if &png[at + 4..at + 8] == b"IDAT" {
                data.extend_from_slice(&png[at + 8..at + 8 + length]);
            }
            let mut sum = flate2::Crc::new();
            sum.update(&png[at + 4..at + 8 + length]);
            assert_eq!(number(at + 8 + length), sum.sum() as usize);
            at += 12 + length;
        }
        let mut rows = Vec::new();
        let mut inflate = flate2::read::ZlibDecoder::new(data.as_slice());
        inflate.read_to_end(&mut rows).unwrap();
        assert_eq!(rows.len(), height * (1 + 3 * width));
        let mut above = vec![0u8; 3 * width];
        let mut colours = Vec::new();
        for row in rows.chunks(1 + 3 * width) {
            assert_eq!(row[0], 2);
            for (value, byte) in above.iter_mut().zip(&row[1..]) {
                *value = value.wrapping_add(*byte);
            }
            colours.extend(above.chunks(3).map(|one| [one[0], one[1], one[2]]));
        }
        (width, height, colours)
    }

    #[test]
    fn shapes_lie_where_the_drawing_has_them() {
        let svg = "<svg width=\"20\" height=\"10\" fill=\"#102030\">\
                   <rect x=\"0\" y=\"0\" width=\"20\" height=\"10\" fill=\"#ffffff\"/>\
                   <g stroke=\"#aa0000\" stroke-width=\"2\">\
                   <path d=\"M0 5L20 5\" fill=\"none\"/></g>\
                   <path d=\"M4 0h2v3h-2z\"/></svg>";
        let (width, height, colours) = pixels(&png(svg).unwrap());
        assert_eq!((width, height), (40, 20));
        let at = |x: usize, y: usize| colours[y * width + x];
        assert_eq!(at(30, 2), [255, 255, 255]);
        assert_eq!(at(30, 10), [0xaa, 0, 0]);
        assert_eq!(at(30, 14), [255, 255, 255]);
        assert_eq!(at(10, 2), [0x10, 0x20, 0x30]);
        assert_eq!(at(14, 2), [255, 255, 255]);
    }

    #[test]
    fn a_text_stands_before_within_or_behind_its_place() {
        let inked = |anchor: &str| {
            let svg = format!(
                "<svg width=\"80\" height=\"20\"><rect x=\"0\" y=\"0\" width=\"80\" height=\"20\" \
                 fill=\"#ffffff\"/><text x=\"40\" y=\"15\"{anchor}>&lt;Höhe µ</text></svg>"
            );
            let (width, _, colours) = pixels(&png(&svg).unwrap());
            let dark = colours.iter().enumerate().filter(|(_, one)| one[0] < 128);
            let columns: Vec<usize> = dark.map(|(place, _)| place % width).collect();
            (
                *columns.iter().min().unwrap(),
                *columns.iter().max().unwrap(),
            )
        };
        let start = inked("");
        let middle = inked(" text-anchor=\"middle\"");
        let end = inked(" text-anchor=\"end\"");
        assert!(start.0 >= 79, "{start:?}");
        assert!(middle.0 < 70 && middle.1 > 90, "{middle:?}");
        assert!(end.1 <= 81, "{end:?}");
        assert!(start.1 - start.0 > 60, "{start:?}");
    }

    #[test]
    fn a_chart_of_the_sample_becomes_a_picture_with_ink_and_accent() {
        let chart = chart(100, 80, &|text| text.to_owned());
        let svg = chart_svg(&chart, ChartSize::PAGE);
        let (width, _, colours) = pixels(&png(&svg).unwrap());
        assert_eq!(width, 1440);
        for wanted in [[0x22, 0x30, 0x3c], [0xa8, 0x43, 0x0c], [0xff, 0xff, 0xff]] {
            let count = colours.iter().filter(|one| **one == wanted).count();
            assert!(count > 100, "{wanted:?}: {count}");
        }
        // Nothing here is drawn with an element that a picture would leave out.
        let known = ["svg", "title", "desc", "g", "rect", "path", "text"];
        let strange = elements(&svg).find(|one| !known.contains(&one.name));
        assert!(strange.is_none(), "{:?}", strange.map(|one| one.name));
    }

    #[test]
    fn what_is_no_drawing_or_too_large_gives_nothing() {
        assert_eq!(png(""), None);
        assert_eq!(png("<p>text</p>"), None);
        assert_eq!(png("<svg width=\"100000\" height=\"100000\"></svg>"), None);
        assert_eq!(png("<svg width=\"NaN\" height=\"10\"></svg>"), None);
    }
}
