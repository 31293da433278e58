//! Pixels, and how shapes come onto them.

use zeno::{Mask, PathData, Style, Transform};

use super::Colour;

/// A picture in the making; white to begin with.
pub(super) struct Canvas {
    pub(super) width: usize,
    pub(super) height: usize,
    /// Red, green and blue of each pixel, row by row.
    pub(super) bytes: Vec<u8>,
}

impl Canvas {
    pub(super) fn new(width: usize, height: usize) -> Canvas {
        Canvas {
            width,
            height,
            bytes: vec![255; width * height * 3],
        }
    }

    /// Paints a shape in a colour; what lies outside is cut off.
    pub(super) fn paint(
        &mut self,
        shape: impl PathData + Copy,
        style: Style<'_>,
        place: Transform,
        colour: Colour,
    ) {
        let bounds = zeno::bounds(shape, style, Some(place));
        let (right, bottom) = (self.width as f32, self.height as f32);
        let is_near = bounds.min.x > -right
            && bounds.min.y > -bottom
            && bounds.max.x < 2.0 * right
            && bounds.max.y < 2.0 * bottom;
        if bounds.is_empty() || !is_near {
            return;
        }
        let (mask, found) = Mask::new(shape)
            .style(style)
            .transform(Some(place))
            .render();
        let width = found.width as usize;
        if width == 0 {
            return;
        }
        for (row, covered) in mask.chunks(width).enumerate() {
            let y = i64::from(found.top) + row as i64;
            for (column, coverage) in covered.iter().enumerate() {
                let x = i64::from(found.left) + column as i64;
                if *coverage > 0 {
                    self.blend((x, y), *coverage, colour);
                }
            }
        }
    }

    /// Fills a rectangle; what lies outside is cut off.
    pub(super) fn fill(&mut self, from: (f32, f32), to: (f32, f32), colour: Colour) {
        // A number that is none of a pixel becomes the nearest that is.
        let within = |at: f32, most: usize| (at.round().max(0.0) as usize).min(most);
        let (left, right) = (within(from.0, self.width), within(to.0, self.width));
        let (top, bottom) = (within(from.1, self.height), within(to.1, self.height));
        if left >= right {
            return;
        }
        let row: Vec<u8> = colour.repeat(right - left);
        for y in top..bottom {
            let at = 3 * (y * self.width + left);
            self.bytes[at..at + row.len()].copy_from_slice(&row);
        }
    }

    fn blend(&mut self, (x, y): (i64, i64), coverage: u8, colour: Colour) {
        let (Ok(x), Ok(y)) = (usize::try_from(x), usize::try_from(y)) else {
            return;
        };
        if x >= self.width || y >= self.height {
            return;
        }
        let at = 3 * (y * self.width + x);
        let part = u32::from(coverage);
        for (byte, ink) in self.bytes[at..at + 3].iter_mut().zip(colour) {
            let mixed = (u32::from(*byte) * (255 - part) + u32::from(ink) * part + 127) / 255;
            *byte = u8::try_from(mixed).unwrap_or(u8::MAX);
        }
    }
}
