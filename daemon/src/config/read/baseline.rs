//! Reading how limits are made of a baseline.
//!
//! Knows no chart and no row. The invariant: a baseline that completes by itself is never below the
//! minimum that a person is held to.

use super::table::{Item, Table};

/// Subgroups below which a person has to say why limits are wanted now.
const MINIMUM: u32 = 20;

/// How limits are made of a baseline.
pub(super) struct Baseline {
    pub(super) subgroups: usize,
    pub(super) minimum: usize,
    pub(super) screen: bool,
    pub(super) screen_share: f64,
    pub(super) widen: bool,
}

/// Reads the keys about the baseline.
pub(super) fn read(table: &Table<'_>) -> Option<Baseline> {
    let subgroups = table.whole_or("baseline", 2..=10_000, 25);
    let minimum = match table.get("baseline_minimum") {
        None => MINIMUM.min(subgroups),
        Some(item) => {
            let minimum = item.whole(&(2..=10_000));
            if minimum.is_some_and(|minimum| minimum > subgroups) {
                let fix = format!("write at most {subgroups}, or raise baseline");
                item.fault("is more than the baseline", fix);
            }
            minimum?
        }
    };
    let share = table.get("screen_share");
    Some(Baseline {
        subgroups: usize::try_from(subgroups).ok()?,
        minimum: usize::try_from(minimum).ok()?,
        screen: table.flag_or("screen", true),
        screen_share: share.map_or(Some(spc::baseline::screening::SHARE), |item| {
            read_share(&item)
        })?,
        widen: table.flag_or("widen", true),
    })
}

fn read_share(item: &Item<'_>) -> Option<f64> {
    let share = item.number()?;
    if (0.0..=0.5).contains(&share) {
        return Some(share);
    }
    let fix = "write the share of a baseline that may be left out, such as 0.1";
    item.fault("is not between 0 and 0.5", fix);
    None
}
