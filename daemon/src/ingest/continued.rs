//! Finds the part of a growing file that counts already under another name.
//!
//! Stations close a growing file by renaming it, often after rows that nobody has read yet. Knows
//! no row. The one invariant: bytes are skipped only where their digest stands in the record as
//! content that counts.

use std::io::Read;

use super::{Ingest, Start, Waiting};
use crate::feeds::regular::{Links, open_regular};
use crate::store::StoreError;

impl Ingest {
    /// Where reading starts of a file whose name tells nothing about it.
    pub(super) fn continued(&self, one: &Waiting) -> Result<Start, StoreError> {
        let feed = &self.config.feeds[one.feed];
        let new = Start::of(&feed.name, &one.found.path.to_string_lossy());
        if !feed.grows {
            return Ok(new);
        }
        let beginnings = self.store.beginnings(&feed.name, one.found.len)?;
        let opened = open_regular(&one.found.path, Links::Refuse);
        let (false, Ok(Some(mut file))) = (beginnings.is_empty(), opened) else {
            // Why a file can not be opened is told by the one who reads it.
            return Ok(new);
        };
        let mut longest = new;
        let mut hasher = blake3::Hasher::new();
        for (length, hash, path) in beginnings {
            let next = file.by_ref().take(length - hasher.count());
            if hasher.update_reader(next).is_err() || hasher.count() < length {
                break;
            }
            let found = hasher.finalize();
            if found == hash && self.store.knows_content(&hash)? {
                longest = Start {
                    from: length,
                    prefix: Some(found),
                    ..Start::of(&feed.name, &path)
                };
            }
        }
        Ok(longest)
    }
}
