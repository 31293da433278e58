//! The smallest piece of a stream: what one unit (a panel, a board, a stretch of time) contributed.
//!
//! Merging is exact and does not depend on order, so a unit whose rows come in several pieces ends
//! up the same as one whose rows came at once.

use std::collections::BTreeMap;
use std::sync::Arc;

use spc::moments::Moments;

use super::pads::PadReadings;

/// Where a unit stands in its stream: by time, then by name.
pub type AtomKey = (i64, Arc<str>);

/// One unit's contribution.
#[derive(Clone, Debug, PartialEq)]
pub struct Atom {
    /// The earliest event time among its rows, in microseconds.
    pub at: i64,
    /// The panel, board or stretch of time.
    pub unit: Arc<str>,
    /// The values of the characteristic's restart keys.
    pub setup: Vec<Arc<str>>,
    /// What was measured or counted.
    pub content: Content,
    /// Its single pads, where these are watched.
    pub pads: Option<Arc<PadReadings>>,
}

/// What was measured or counted.
#[derive(Clone, Debug, PartialEq)]
pub enum Content {
    /// Values of a measure.
    Measured(Moments),
    /// Values of several measures that are charted together, in the order of the characteristic.
    Several(Vec<Moments>),
    /// Defects a board, boards without any included.
    Counted(BTreeMap<Arc<str>, u32>),
}

impl Content {
    /// Adds what another piece of the same unit brings.
    pub fn merge(&mut self, other: Content) {
        match (self, other) {
            (Content::Measured(mine), Content::Measured(theirs)) => mine.merge(&theirs),
            (Content::Several(mine), Content::Several(theirs)) => {
                for (mine, theirs) in mine.iter_mut().zip(&theirs) {
                    mine.merge(theirs);
                }
            }
            (Content::Counted(mine), Content::Counted(theirs)) => {
                for (board, defects) in theirs {
                    *mine.entry(board).or_insert(0) += defects;
                }
            }
            // One characteristic makes one kind of content.
            (Content::Measured(_) | Content::Several(_) | Content::Counted(_), _) => {}
        }
    }

    /// The mean of each measure that is charted together with others; nothing for other content
    /// and where a measure has no reading.
    #[must_use]
    pub fn means(&self) -> Option<Vec<f64>> {
        match self {
            Content::Several(measures) => measures.iter().map(Moments::mean).collect(),
            Content::Measured(_) | Content::Counted(_) => None,
        }
    }

    /// Whether a defect was counted.
    #[must_use]
    pub fn has_event(&self) -> bool {
        match self {
            Content::Measured(_) | Content::Several(_) => false,
            Content::Counted(boards) => boards.values().any(|defects| *defects > 0),
        }
    }
}

impl Atom {
    /// Where it stands.
    #[must_use]
    pub fn key(&self) -> AtomKey {
        (self.at, Arc::clone(&self.unit))
    }

    /// Adds another piece of the same unit. Where both begin at the same time with different
    /// setups, as pieces of a stretch of time can, the lesser one stands, whichever came first.
    pub fn merge(&mut self, other: Atom) {
        if (other.at, &other.setup) < (self.at, &self.setup) {
            self.at = other.at;
            self.setup = other.setup;
        }
        self.content.merge(other.content);
        self.pads = match (self.pads.take(), other.pads) {
            (Some(mut mine), Some(theirs)) => {
                Arc::make_mut(&mut mine).merge(&theirs);
                Some(mine)
            }
            (one, None) | (None, one) => one,
        };
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pieces_of_a_window_merge_alike_in_any_order() {
        let piece = |stencil: &str, reading: f64| {
            let mut moments = Moments::new();
            moments.push(reading);
            Atom {
                at: 300_000_000,
                unit: Arc::from("1970-01-01T00:05:00Z"),
                setup: vec![Arc::from(stencil)],
                content: Content::Measured(moments),
                pads: None,
            }
        };
        let pieces = [
            piece("ST-02", 1.0),
            piece("ST-01", 2.0),
            piece("ST-03", 4.0),
        ];
        let merged = |order: [usize; 3]| {
            let mut all = pieces[order[0]].clone();
            all.merge(pieces[order[1]].clone());
            all.merge(pieces[order[2]].clone());
            all
        };
        let expected = merged([0, 1, 2]);
        for order in [[0, 2, 1], [1, 0, 2], [1, 2, 0], [2, 0, 1], [2, 1, 0]] {
            assert_eq!(merged(order), expected);
        }
    }
}
