//! Pixels as a PNG (W3C Recommendation, third edition): eight bits for each of three colours.

use std::io::Write;

use flate2::write::ZlibEncoder;
use flate2::{Compression, Crc};

use super::canvas::Canvas;

/// The filter that takes each byte from the one above: charts have many rows alike.
const UP: u8 = 2;

/// How hard it is packed: more takes longer and hardly makes it smaller.
const LEVEL: u32 = 4;

/// Writes a picture; nothing where it could not be packed.
pub(super) fn encode(canvas: &Canvas) -> Option<Vec<u8>> {
    let length = canvas.width * 3;
    let mut packed = ZlibEncoder::new(Vec::new(), Compression::new(LEVEL));
    let first = vec![0; length];
    let mut above = first.as_slice();
    for row in canvas.bytes.chunks(length) {
        let mut line = vec![UP];
        line.extend(
            row.iter()
                .zip(above)
                .map(|(own, other)| own.wrapping_sub(*other)),
        );
        packed.write_all(&line).ok()?;
        above = row;
    }
    let packed = packed.finish().ok()?;
    let mut png = b"\x89PNG\r\n\x1a\n".to_vec();
    let mut head = Vec::new();
    for side in [canvas.width, canvas.height] {
        head.extend(u32::try_from(side).ok()?.to_be_bytes());
    }
    // Eight bits, colours, and the only kinds of packing, filters and order that are needed.
    head.extend([8, 2, 0, 0, 0]);
    chunk(&mut png, *b"IHDR", &head)?;
    chunk(&mut png, *b"IDAT", &packed)?;
    chunk(&mut png, *b"IEND", &[])?;
    Some(png)
}

fn chunk(to: &mut Vec<u8>, kind: [u8; 4], content: &[u8]) -> Option<()> {
    to.extend(u32::try_from(content.len()).ok()?.to_be_bytes());
    to.extend(kind);
    to.extend(content);
    let mut sum = Crc::new();
    sum.update(&kind);
    sum.update(content);
    to.extend(sum.sum().to_be_bytes());
    Some(())
}
