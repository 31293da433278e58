//! Escaped markup: the one place that turns text into HTML or SVG.
//!
//! Must not know views or charts. Invariant: no text of a view reaches the output except through
//! [`escape`], so it can neither open a tag nor leave an attribute.

use std::fmt::Write;

use crate::speech::Speech;

/// Escapes text for element content and quoted attributes of HTML and XML alike.
///
/// Control characters, which XML forbids, and the invisible marks that reorder a line on screen
/// are shown as a replacement character: a board serial must read as it is stored.
#[must_use]
pub fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for character in text.chars() {
        match character {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            '\n' | '\t' => out.push(character),
            _ if is_hidden(character) => out.push('\u{fffd}'),
            _ => out.push(character),
        }
    }
    out
}

/// Whether a character shows nothing and yet changes what a person sees: one that moves a cursor,
/// or turns the direction in which a text is read.
#[must_use]
pub fn is_hidden(character: char) -> bool {
    character.is_control()
        || matches!(character,
            '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}'
            | '\u{fffe}' | '\u{ffff}')
}

/// Where a text stands relative to its position.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Anchor {
    /// The text starts there.
    Start,
    /// The text is centred there.
    Middle,
    /// The text ends there.
    End,
}

/// Collects the elements of one drawing. Its texts are said in the language of its reader.
#[derive(Debug)]
pub(crate) struct Drawing {
    out: String,
    speech: Speech,
}

impl Drawing {
    pub(crate) fn new(speech: &Speech) -> Self {
        Self {
            out: String::new(),
            speech: speech.clone(),
        }
    }

    /// Opens an element; every attribute value is escaped.
    pub(crate) fn open(&mut self, name: &str, attributes: &[(&str, &str)]) {
        self.start(name, attributes);
        self.out.push('>');
    }

    /// Closes an element.
    pub(crate) fn close(&mut self, name: &str) {
        let _written = write!(self.out, "</{name}>");
    }

    /// An element without content.
    pub(crate) fn leaf(&mut self, name: &str, attributes: &[(&str, &str)]) {
        self.start(name, attributes);
        self.out.push_str("/>");
    }

    /// An element with text only.
    pub(crate) fn element(&mut self, name: &str, attributes: &[(&str, &str)], text: &str) {
        self.open(name, attributes);
        self.out.push_str(&escape(text));
        self.close(name);
    }

    /// A line of text.
    pub(crate) fn text(&mut self, x: f64, y: f64, anchor: Anchor, text: &str) {
        let (x, y) = (px(x), px(y));
        let mut attributes = vec![("x", x.as_str()), ("y", y.as_str())];
        match anchor {
            Anchor::Start => {}
            Anchor::Middle => attributes.push(("text-anchor", "middle")),
            Anchor::End => attributes.push(("text-anchor", "end")),
        }
        let text = self.speech.say(text);
        self.element("text", &attributes, &text);
    }

    /// A straight line.
    /// An element with an identifier and a text.
    pub(crate) fn said(&mut self, name: &str, id: &str, text: &str) {
        let text = self.speech.say(text);
        self.element(name, &[("id", id)], &text);
    }

    pub(crate) fn line(&mut self, from: (f64, f64), to: (f64, f64)) {
        let path = format!("M{} {}L{} {}", px(from.0), px(from.1), px(to.0), px(to.1));
        self.leaf("path", &[("d", &path)]);
    }

    /// A filled rectangle; nothing where it has no area.
    pub(crate) fn rectangle(&mut self, from: (f64, f64), to: (f64, f64), fill: &str) {
        let (width, height) = (to.0 - from.0, to.1 - from.1);
        if width <= 0.0 || height <= 0.0 {
            return;
        }
        let sides = [px(from.0), px(from.1), px(width), px(height)];
        self.leaf(
            "rect",
            &[
                ("x", &sides[0]),
                ("y", &sides[1]),
                ("width", &sides[2]),
                ("height", &sides[3]),
                ("fill", fill),
            ],
        );
    }

    /// The finished markup.
    pub(crate) fn finish(self) -> String {
        self.out
    }

    fn start(&mut self, name: &str, attributes: &[(&str, &str)]) {
        let _written = write!(self.out, "<{name}");
        for (key, value) in attributes {
            let _written = write!(self.out, " {key}=\"{}\"", escape(value));
        }
    }
}

/// A coordinate to a tenth of a pixel, without needless digits.
pub(crate) fn px(value: f64) -> String {
    let text = format!("{value:.1}");
    match text.strip_suffix(".0") {
        Some("-0") => "0".to_owned(),
        Some(whole) => whole.to_owned(),
        None => text,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_cannot_open_a_tag_or_leave_an_attribute() {
        assert_eq!(escape("<b a='1'>\"&"), "&lt;b a=&#39;1&#39;&gt;&quot;&amp;");
        assert_eq!(escape("a\0b\u{202e}c\u{1b}"), "a\u{fffd}b\u{fffd}c\u{fffd}");
        assert_eq!(escape("Lötpaste 120 µm"), "Lötpaste 120 µm");
    }

    #[test]
    fn coordinates_are_short() {
        for (value, expected) in [(12.0, "12"), (12.34, "12.3"), (-0.01, "0"), (-3.0, "-3")] {
            assert_eq!(px(value), expected);
        }
    }
}
