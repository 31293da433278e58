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
/// Height of a line of a label.
pub(super) const LINE_PX: f64 = 14.0;
/// Height of the bracket itself, with air above and below.
const HOOK_PX: f64 = 9.0;
/// Lines of a label: on a phone few rules fit into one.
const LINES_MAX: usize = 2;
/// Rows of brackets above a chart.
const ROWS_MAX: usize = 4;

/// One bracket.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Bracket {
    /// The rule in words with the number of signals, in lines as wide as there is room.
    pub(super) label: Vec<String>,
    /// First point of the run.
    pub(super) first: usize,
    /// Last point of the run.
    pub(super) last: usize,
    /// Row, from the top.
    pub(super) row: usize,
    /// Where the label starts.
    pub(super) label_at: f64,
}

impl Bracket {
    /// The width that the label is guessed to take.
    fn label_width(lines: &[String]) -> f64 {
        let widths = lines.iter().map(|line| text::width(line) * text::BOLD);
        widths.fold(0.0, f64::max)
    }
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
    /// Finds the runs and gives each a row; labels stand between the two edges.
    pub(super) fn new(
        points: &[Point],
        axis: &TimeAxis,
        (left_edge, right_edge): (f64, f64),
        speech: &Speech,
    ) -> Self {
        let mut taken = [left_edge - 8.0; ROWS_MAX];
        let mut brackets = Self::default();
        for run in runs(points, axis) {
            let width = (right_edge - left_edge) / text::BOLD;
            let label = text::balanced(&speech.say(&run.label()), width, LINES_MAX);
            let room = Bracket::label_width(&label);
            let start = axis.at(run.first) - 3.0;
            let label_at = start.min(right_edge - room).max(left_edge);
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

    /// The upper edge of a row, from that of the first one; of the row after the last, the height.
    pub(super) fn top_of(&self, row: usize) -> f64 {
        let height = |row: usize| {
            let own = self.placed.iter().filter(|bracket| bracket.row == row);
            let lines = own.map(|bracket| bracket.label.len()).max();
            lines.map_or(0.0, |lines| lines as f64 * LINE_PX + HOOK_PX)
        };
        (0..row).map(height).sum()
    }

    /// The height of all rows.
    pub(super) fn height(&self) -> f64 {
        self.top_of(ROWS_MAX)
    }

    /// Where the foot of a label of a bracket is, and so the bracket, below the first row's edge.
    pub(super) fn hook_of(&self, bracket: &Bracket) -> f64 {
        self.top_of(bracket.row + 1) - HOOK_PX
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
    use std::collections::BTreeSet;

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
        Brackets::new(
            &points,
            &axis,
            (4.0, 650.0),
            &Speech::new(Language::English),
        )
    }

    #[test]
    fn neighbouring_signals_share_a_bracket() {
        let found = check(100, &[(50, "beyond limits", 1), (51, "beyond limits", 1)]);
        assert_eq!(found.placed.len(), 1);
        assert_eq!((found.placed[0].first, found.placed[0].last), (50, 51));
        assert_eq!(found.placed[0].label, ["beyond limits, 2 points"]);
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
        let rows: BTreeSet<usize> = found.placed.iter().map(|bracket| bracket.row).collect();
        assert_eq!(rows.len(), ROWS_MAX);
    }

    #[test]
    fn brackets_in_one_row_do_not_overlap() {
        let found = check(
            300,
            &[(20, "one", 1), (140, "two", 1), (299, "at the very end", 1)],
        );
        assert!(found.placed.iter().all(|bracket| bracket.row == 0));
        let last = &found.placed[2];
        assert!(last.label_at + Bracket::label_width(&last.label) <= 650.0 + 1e-9);
    }

    #[test]
    fn on_a_phone_a_rule_is_said_whole_in_two_lines() {
        let words = "a lasting shift, by cumulative sums";
        let points = points(150, &[(90, words, 1), (91, words, 1), (149, words, 1)]);
        let axis = TimeAxis::new(&points, 54.0, 258.0);
        let speech = Speech::new(Language::English);
        let found = Brackets::new(&points, &axis, (4.0, 200.0), &speech);
        for bracket in &found.placed {
            assert!(bracket.label.join(" ").starts_with(words), "{bracket:?}");
            let end = bracket.label_at + Bracket::label_width(&bracket.label);
            assert!(
                bracket.label_at >= 4.0 && end <= 200.0 + 1e-9,
                "{bracket:?}"
            );
        }
        assert_eq!(found.placed[0].label.len(), 2);
        // A row of two lines is that much higher, so that no bracket runs through words below.
        let next = found.top_of(1) - found.hook_of(&found.placed[0]);
        assert!((next - HOOK_PX).abs() < 1e-9);
        assert!((found.hook_of(&found.placed[0]) - 2.0 * LINE_PX).abs() < 1e-9);
    }
}
