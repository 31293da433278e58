//! Letters as outlines of the font that the pictures bring along.

use ttf_parser::{Face, OutlineBuilder};
use zeno::{Command, PathBuilder};

/// DejaVu Sans, cut down; its licence is beside it.
const FONT: &[u8] = include_bytes!("font.ttf");

/// Letters of one line.
const LETTERS_MAX: usize = 500;

/// The font.
pub(super) struct Type<'a> {
    face: Face<'a>,
    /// Units of the font for the size of its letters.
    pub(super) units: f32,
}

/// A line of text in units of the font.
pub(super) struct Line {
    pub(super) outline: Vec<Command>,
    pub(super) width: f32,
}

impl Type<'_> {
    /// The font of the pictures.
    pub(super) fn own() -> Option<Type<'static>> {
        let face = Face::parse(FONT, 0).ok()?;
        let units = f32::from(face.units_per_em());
        Some(Type { face, units })
    }

    /// The outlines of a line. What the font does not have is shown as a replacement.
    pub(super) fn line(&self, text: &str) -> Line {
        let mut outline = Outline {
            path: Vec::new(),
            left: 0.0,
        };
        for letter in text.chars().take(LETTERS_MAX) {
            let glyph = self.face.glyph_index(letter);
            let Some(glyph) = glyph.or_else(|| self.face.glyph_index('\u{fffd}')) else {
                continue;
            };
            self.face.outline_glyph(glyph, &mut outline);
            outline.left += f32::from(self.face.glyph_hor_advance(glyph).unwrap_or(0));
        }
        Line {
            outline: outline.path,
            width: outline.left,
        }
    }
}

/// Outlines one after another.
struct Outline {
    path: Vec<Command>,
    /// Where the next letter begins.
    left: f32,
}

impl OutlineBuilder for Outline {
    fn move_to(&mut self, x: f32, y: f32) {
        self.path.move_to([x + self.left, y]);
    }

    fn line_to(&mut self, x: f32, y: f32) {
        self.path.line_to([x + self.left, y]);
    }

    fn quad_to(&mut self, x1: f32, y1: f32, x: f32, y: f32) {
        self.path.quad_to([x1 + self.left, y1], [x + self.left, y]);
    }

    fn curve_to(&mut self, x1: f32, y1: f32, x2: f32, y2: f32, x: f32, y: f32) {
        let own = self.left;
        self.path
            .curve_to([x1 + own, y1], [x2 + own, y2], [x + own, y]);
    }

    fn close(&mut self) {
        self.path.close();
    }
}

/// A text as it was before `markup` escaped it.
pub(super) fn unescaped(text: &str) -> String {
    text.replace("&lt;", "<")
        .replace("&gt;", ">")
        .replace("&quot;", "\"")
        .replace("&#39;", "'")
        .replace("&amp;", "&")
}
