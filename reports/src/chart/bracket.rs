//! Brackets over runs of signalling points.
//!
//! Must not know values or limits. Invariant: every signal is under a bracket or is counted among
//! those that found no room; none disappears.

use super::text;
use super::time_axis::TimeAxis;
use crate::speech::Speech;
use crate::view::Point;

/// Runs closer than this share a bracket.
const MERGE_PX: f64 = 24.0;
/// Height of one row of brackets.
pub(super) const ROW_HEIGHT_PX: f64 = 22.0;
/// Rows of brackets above a chart.
const ROWS_MAX: usize = 4;

/// One bracket.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Bracket {
    /// The rule in words with the number of signals, cut to the width there is.
    pub(super) label: String,
    /// First point of the run.
    pub(super) first: usize,
    /// Last point of the run.
    pub(super) last: usize,
    /// Row, from the top.
    pub(super) row: usize,
    /// Where the label starts.
    pub(super) label_at: f64,
}

/// The brackets of a chart.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Brackets {
    /// Those with room, in order of time.
    pub(super) placed: Vec<Bracket>,
    /// How many found no room.
    pub(super) left_out: usize,
}

impl Brackets {
    /// Finds the runs and gives each a row; labels end before `right_edge`.
    pub(super) fn new(points: &[Point], axis: &TimeAxis, right_edge: f64, speech: &Speech) -> Self {
        let mut taken = [axis.left() - MERGE_PX; ROWS_MAX];
        let mut brackets = Self::default();
        for run in runs(points, axis) {
            let width = right_edge - axis.left();
            let label = text::cut(&speech.say(&run.label()), width / text::BOLD);
            let room = text::width(&label) * text::BOLD;
            let start = axis.at(run.first) - 3.0;
            let label_at = start.min(right_edge - room).max(axis.left());
            let row = taken
                .iter()
                .position(|end| label_at.min(start) >= end + 8.0);
            let Some(row) = row else {
                brackets.left_out += 1;
                continue;
            };
            taken[row] = (axis.at(run.last) + 3.0).max(label_at + room);
            brackets.placed.push(Bracket {
                label,
                first: run.first,
                last: run.last,
                row,
                label_at,
            });
        }
        brackets
    }

    /// Rows in use.
    pub(super) fn rows(&self) -> usize {
        self.placed
            .iter()
            .map(|bracket| bracket.row + 1)
            .max()
            .unwrap_or(0)
    }
}

struct Run<'a> {
    words: &'a str,
    first: usize,
    last: usize,
    signals: usize,
}

impl Run<'_> {
    fn label(&self) -> String {
        match self.signals {
            1 => self.words.to_owned(),
            signals => format!("{}, {signals} points", self.words),
        }
    }
}

/// Runs in order of time; neighbours with the same words become one.
fn runs<'a>(points: &'a [Point], axis: &TimeAxis) -> Vec<Run<'a>> {
    let mut found: Vec<Run<'a>> = Vec::new();
    for (index, point) in points.iter().enumerate() {
        for signal in &point.signals {
            let first = (index + 1).saturating_sub(signal.run_length.max(1));
            let near = found.iter_mut().rev().find(|run| {
                run.words == signal.rule_words && axis.at(first) - axis.at(run.last) <= MERGE_PX
            });
            match near {
                Some(run) => {
                    run.first = run.first.min(first);
                    run.last = index;
                    run.signals += 1;
                }
                None => found.push(Run {
                    words: &signal.rule_words,
                    first,
                    last: index,
                    signals: 1,
                }),
            }
        }
    }
    found.sort_by_key(|run| (run.first, run.last));
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::speech::Language;
    use crate::view::SignalView;

    fn points(count: usize, signals: &[(usize, &str, usize)]) -> Vec<Point> {
        let mut points: Vec<Point> = (0..count)
            .map(|index| Point {
                x: index as f64,
                ..Point::default()
            })
            .collect();
        for (index, words, run_length) in signals {
            points[*index].signals.push(SignalView {
                rule_words: (*words).to_owned(),
                side: "upper".to_owned(),
                run_length: *run_length,
            });
        }
        points
    }

    fn check(count: usize, signals: &[(usize, &str, usize)]) -> Brackets {
        let points = points(count, signals);
        let axis = TimeAxis::new(&points, 50.0, 650.0);
        Brackets::new(&points, &axis, 650.0, &Speech::new(Language::English))
    }

    #[test]
    fn neighbouring_signals_share_a_bracket() {
        let found = check(100, &[(50, "beyond limits", 1), (51, "beyond limits", 1)]);
        assert_eq!(found.placed.len(), 1);
        assert_eq!((found.placed[0].first, found.placed[0].last), (50, 51));
        assert_eq!(found.placed[0].label, "beyond limits, 2 points");
    }

    #[test]
    fn a_run_rule_brackets_all_the_points_it_looked_at() {
        let found = check(100, &[(50, "eight on one side", 8)]);
        assert_eq!((found.placed[0].first, found.placed[0].last), (43, 50));
    }

    #[test]
    fn signals_without_room_are_counted() {
        let words: Vec<String> = (0..40)
            .map(|i| format!("a rule with a long name {i}"))
            .collect();
        let signals: Vec<_> = words.iter().map(|word| (50, word.as_str(), 1)).collect();
        let found = check(100, &signals);
        assert_eq!(found.placed.len(), ROWS_MAX);
        assert_eq!(found.placed.len() + found.left_out, 40);
        assert_eq!(found.rows(), ROWS_MAX);
    }

    #[test]
    fn brackets_in_one_row_do_not_overlap() {
        let found = check(
            300,
            &[(20, "one", 1), (140, "two", 1), (299, "at the very end", 1)],
        );
        assert_eq!(found.rows(), 1);
        let last = &found.placed[2];
        assert!(last.label_at + text::width(&last.label) * text::BOLD <= 650.0 + 1e-9);
    }
}
