//! Reading that pauses: the disk is full, or no more files can be opened.
//!
//! Knows no file that waits. The one invariant: after a pause everything goes on from the record.

use std::sync::Arc;

use super::{ROOM_EVERY_MS, Turn, is_time};
use crate::alerts::Announcer;
use crate::config::Config;
use crate::health::{Health, Kind};
use crate::ingest::Ingest;
use crate::store::StoreError;

impl Turn {
    /// Pauses: nothing of the last batch was kept, and its files wait where they are.
    pub(super) fn pause(
        &mut self,
        ingest: &mut Ingest,
        error: &StoreError,
    ) -> Result<(), StoreError> {
        let lack = match error.lacks_files() {
            true => Kind::OpenFiles,
            false => Kind::DiskFull,
        };
        self.must_go_back = true;
        self.go_back(ingest)?;
        let (config, health) = (&self.config, &self.health);
        tell(config, health, &mut self.announcer, (lack, error));
        Ok(())
    }

    /// Whether there is room again, where it is time to look.
    pub(super) fn can_go_on(&mut self, ingest: &mut Ingest) -> Result<bool, StoreError> {
        if !is_time(&mut self.room_tried_ms, ROOM_EVERY_MS, self.clock.ms()) {
            return Ok(false);
        }
        self.due.extend(0..self.config.feeds.len());
        if !ingest.store().has_room() {
            return Ok(false);
        }
        self.go_back(ingest)?;
        Ok(!self.must_go_back)
    }

    /// Goes back to the record, or leaves that for later where no file can be opened for it.
    fn go_back(&mut self, ingest: &mut Ingest) -> Result<(), StoreError> {
        if !self.must_go_back {
            return Ok(());
        }
        match ingest.go_back() {
            Err(error) if error.lacks_files() => Ok(()),
            Err(error) => Err(error),
            Ok(()) => {
                self.must_go_back = false;
                Ok(())
            }
        }
    }
}

/// Says why reading is paused, and by every channel where it was not before.
pub(super) fn tell(
    config: &Arc<Config>,
    health: &Health,
    announcer: &mut Announcer,
    (lack, error): (Kind, &StoreError),
) {
    let is_new = !health.is_paused();
    let (what, remedy) = match lack {
        Kind::OpenFiles => (
            "this program can open no more files".to_owned(),
            "let it open more (LimitNOFILE= of its unit, or `ulimit -n`), or have others open less",
        ),
        Kind::DiskFull | Kind::Report => (
            format!("the disk of {} is full", config.data_folder.display()),
            "make room",
        ),
    };
    let words = format!(
        "{what}: reading is paused and nothing is lost; {remedy}, and it goes on by itself \
         ({error})"
    );
    health.raise(lack, &words);
    let all = health.hindrances();
    let told = all.iter().filter(|one| is_new && one.kind == lack);
    told.for_each(|one| announcer.announce(config, one));
}
