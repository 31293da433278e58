//! What every drawing begins with: size, name, description, ground.
//!
//! Must not know what is drawn. Invariant: a drawing that is open has a title and a description
//! for those who cannot see it.

use super::FONT;
use super::palette::{INK, PAPER};
use super::text;
use crate::markup::{Anchor, Drawing, px};

/// Room that a line of a title takes.
pub(super) const TITLE_LINE_PX: f64 = 18.0;

/// What the larger bold type of a title leaves of the guessed room.
pub(super) const TITLE_ROOM: f64 = text::SIZE_PX / 14.0 / text::BOLD;

/// The words that name a drawing.
pub(super) struct Names<'a> {
    /// Keeps identifiers apart inside a page.
    pub(super) id: &'a str,
    pub(super) title: &'a str,
    pub(super) description: &'a str,
}

/// Opens a drawing of a size in pixels.
pub(super) fn open(drawing: &mut Drawing, (width, height): (f64, f64), names: &Names<'_>) {
    let view_box = format!("0 0 {} {}", px(width), px(height));
    let (title, description) = (format!("{}-title", names.id), format!("{}-desc", names.id));
    drawing.open(
        "svg",
        &[
            ("xmlns", "http://www.w3.org/2000/svg"),
            ("viewBox", &view_box),
            ("width", &px(width)),
            ("height", &px(height)),
            ("role", "img"),
            ("aria-labelledby", &format!("{title} {description}")),
            ("font-family", FONT),
            ("font-size", "12"),
            ("fill", INK),
        ],
    );
    drawing.said("title", &title, names.title);
    drawing.said("desc", &description, names.description);
    drawing.rectangle((0.0, 0.0), (width, height), PAPER);
}

/// Writes a title in lines.
pub(super) fn title(drawing: &mut Drawing, lines: &[String]) {
    drawing.open("g", &[("font-size", "14"), ("font-weight", "600")]);
    for (line, text) in lines.iter().enumerate() {
        drawing.text(4.0, 16.0 + line as f64 * TITLE_LINE_PX, Anchor::Start, text);
    }
    drawing.close("g");
}

/// The lines of a title in a drawing of that width.
pub(super) fn title_lines(text: &str, width: f64) -> Vec<String> {
    text::wrapped(text, (width - 8.0) * TITLE_ROOM, 3)
}
