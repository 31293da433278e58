//! The ZIP archive around a workbook's parts (PKWARE's note, the plain form of it).
//!
//! Knows no workbook. Invariant: equal parts in the same order give equal bytes; every part has
//! the earliest time that the format can hold.

use std::io::{self, Write};

use flate2::write::DeflateEncoder;
use flate2::{Compression, Crc};

/// How hard parts are packed: tables are long and alike, and more takes much longer.
const LEVEL: u32 = 3;

/// 1 January 1980, midnight: time and date.
const EPOCH: [u8; 4] = [0, 0, 0x21, 0];

/// What a reader needs to know: version 2.0.
const NEEDED: u16 = 20;

/// The method: deflated.
const DEFLATED: u16 = 8;

/// An archive that is being written.
#[derive(Default)]
pub(super) struct Zip {
    bytes: Vec<u8>,
    directory: Vec<u8>,
    parts: u16,
}

/// Counts what passes on its way to be packed.
struct Counted {
    packed: DeflateEncoder<Vec<u8>>,
    sum: Crc,
    length: u64,
}

impl Write for Counted {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let taken = self.packed.write(bytes)?;
        self.sum.update(&bytes[..taken]);
        self.length += taken as u64;
        Ok(taken)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.packed.flush()
    }
}

impl Zip {
    /// Adds a part that `write` writes.
    pub(super) fn add(
        &mut self,
        name: &str,
        write: impl FnOnce(&mut dyn Write) -> io::Result<()>,
    ) -> io::Result<()> {
        let mut part = io::BufWriter::new(Counted {
            packed: DeflateEncoder::new(Vec::new(), Compression::new(LEVEL)),
            sum: Crc::new(),
            length: 0,
        });
        write(&mut part)?;
        let part = part.into_inner().map_err(io::IntoInnerError::into_error)?;
        let (sum, length) = (part.sum.sum(), short(part.length)?);
        let packed = part.packed.finish()?;
        let offset = short(self.bytes.len() as u64)?;
        let mut about = Vec::new();
        about.extend(NEEDED.to_le_bytes());
        about.extend(0u16.to_le_bytes());
        about.extend(DEFLATED.to_le_bytes());
        about.extend(EPOCH);
        about.extend(sum.to_le_bytes());
        about.extend(short(packed.len() as u64)?.to_le_bytes());
        about.extend(length.to_le_bytes());
        about.extend((u16::try_from(name.len()).map_err(io::Error::other)?).to_le_bytes());
        about.extend(0u16.to_le_bytes());
        self.bytes.extend(b"PK\x03\x04");
        self.bytes.extend(&about);
        self.bytes.extend(name.as_bytes());
        self.bytes.extend(packed);
        self.directory.extend(b"PK\x01\x02");
        self.directory.extend(NEEDED.to_le_bytes());
        self.directory.extend(&about);
        // No comment, the first disk, no attributes.
        self.directory.extend([0; 10]);
        self.directory.extend(offset.to_le_bytes());
        self.directory.extend(name.as_bytes());
        self.parts += 1;
        Ok(())
    }

    /// Ends the archive with the list of its parts.
    pub(super) fn finish(mut self) -> io::Result<Vec<u8>> {
        let offset = short(self.bytes.len() as u64)?;
        let length = short(self.directory.len() as u64)?;
        self.bytes.append(&mut self.directory);
        self.bytes.extend(b"PK\x05\x06");
        self.bytes.extend([0; 4]);
        self.bytes.extend(self.parts.to_le_bytes());
        self.bytes.extend(self.parts.to_le_bytes());
        self.bytes.extend(length.to_le_bytes());
        self.bytes.extend(offset.to_le_bytes());
        self.bytes.extend([0; 2]);
        Ok(self.bytes)
    }
}

/// A length or place as the plain form has it.
fn short(length: u64) -> io::Result<u32> {
    u32::try_from(length).map_err(|_| io::Error::other("a workbook of more than 4 GB is too large"))
}
