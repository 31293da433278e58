//! The sentences a report opens with, made from counts.
//!
//! Must not know layout. Invariant: a sentence never claims more than its counts show; what could
//! not be judged is said before what was judged good.

use serde::Serialize;

use crate::number::{count, percent, significant};
use crate::speech::Speech;
use crate::view::{Completeness, ControlSummary, FeedCompleteness, ShiftReport, YieldRow};

/// Yields that the head of a report tells.
const YIELDS_TOLD_MAX: usize = 3;

/// What `compared` says of a yield that fell.
const LOWER: &str = "lower than before";

/// A finding: its verdict in a few words, and the counts behind it.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub(crate) struct Finding {
    /// The verdict.
    pub(crate) verdict: String,
    /// The counts behind it, each a sentence.
    pub(crate) details: Vec<String>,
    /// Whether a person should look.
    pub(crate) needs_attention: bool,
}

/// The findings at the head of a shift report.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub(crate) struct Findings {
    /// What is open.
    pub(crate) open: Finding,
    /// Whether the shift ran in control.
    pub(crate) control: Finding,
    /// How the yields compare with the product's runs before.
    pub(crate) yields: Finding,
    /// Whether the data is whole.
    pub(crate) data: Finding,
}

impl Findings {
    /// The findings of a shift, in a language.
    pub(crate) fn new(report: &ShiftReport, speech: &Speech) -> Self {
        Self {
            open: open(report).said(speech),
            control: control(&report.control).said(speech),
            yields: yields(report).said(speech),
            data: data(&report.completeness).said(speech),
        }
    }
}

impl Finding {
    fn said(self, speech: &Speech) -> Self {
        Self {
            verdict: speech.say(&self.verdict),
            details: self.details.iter().map(|line| speech.say(line)).collect(),
            ..self
        }
    }
}

fn open(report: &ShiftReport) -> Finding {
    let lines = report.open.len() as u64;
    let held: u64 = report
        .open
        .iter()
        .filter_map(|line| line.boards_to_hold)
        .sum();
    let verdict = match lines {
        0 => "Nothing is open.".to_owned(),
        1 => "1 alert is open and must be handed over.".to_owned(),
        lines => format!("{} alerts are open and must be handed over.", count(lines)),
    };
    let mut details = Vec::new();
    if held > 0 {
        let overlap = if lines > 1 {
            "; a board may count under more than one"
        } else {
            ""
        };
        details.push(format!("Boards to hold: {}{overlap}.", count(held)));
    }
    Finding {
        verdict,
        details,
        needs_attention: lines > 0,
    }
}

fn control(summary: &ControlSummary) -> Finding {
    let judged = summary.streams_judged;
    let signalled = summary.streams_signalled;
    let verdict = if summary.streams == 0 {
        "No stream had a point in this shift.".to_owned()
    } else if judged == 0 {
        "Control cannot be judged: no stream has limits yet.".to_owned()
    } else if signalled == 0 {
        format!(
            "In control: none of {} gave a signal.",
            plural(judged, "judged stream")
        )
    } else {
        format!(
            "Not in control: {} of {} gave a signal.",
            count(signalled),
            plural(judged, "judged stream")
        )
    };
    let mut details = Vec::new();
    if judged > 0 {
        details.push(format!(
            "{} of {} signalled.",
            count(summary.points_signalled),
            plural(summary.points, "judged point")
        ));
    }
    let unjudged = summary.streams.saturating_sub(judged);
    if unjudged > 0 && judged > 0 {
        details.push(format!(
            "{} without limits yet.",
            plural(unjudged, "stream")
        ));
    }
    if let Some(budget) = summary.false_alert_budget {
        let budget = significant(budget, 2);
        let budget = budget.trim_end_matches(".0");
        details.push(format!(
            "False alerts allowed per line and shift: {budget}."
        ));
    }
    let needs_attention = signalled > 0 || judged == 0;
    Finding {
        verdict,
        details,
        needs_attention,
    }
}

fn yields(report: &ShiftReport) -> Finding {
    let rows = || report.yields.iter().filter(|row| row.fpy.is_some());
    let is_lower = |row: &&YieldRow| row.compared == LOWER;
    let (lower, compared) = (
        rows().filter(is_lower).count(),
        rows().filter(|row| row.before.is_some()).count(),
    );
    let verdict = match (rows().count(), compared, lower) {
        (0, ..) => "No board was tested or inspected.".to_owned(),
        (_, 0, _) => "Yield: there is no earlier run to compare with.".to_owned(),
        (_, _, 0) => "Yield is not lower than in the runs before.".to_owned(),
        (.., 1) => "Yield is lower than before at 1 station.".to_owned(),
        (.., lower) => format!(
            "Yield is lower than before at {} stations.",
            count(lower as u64)
        ),
    };
    // The ones that fell come first; there is room for a few.
    let mut told: Vec<&YieldRow> = rows().collect();
    told.sort_by_key(|row| !is_lower(row));
    let line = |row: &&YieldRow| {
        let place = format!("{} {}", row.line, row.station);
        let now = percent(row.fpy.unwrap_or(f64::NAN));
        match row.before.as_ref().and_then(|before| before.fpy) {
            Some(before) => format!("{place}: {now}, before {}.", percent(before)),
            None => format!("{place}: {now}."),
        }
    };
    let details = told.iter().take(YIELDS_TOLD_MAX).map(line).collect();
    Finding {
        verdict,
        details,
        needs_attention: lower > 0,
    }
}

fn data(completeness: &Completeness) -> Finding {
    let feeds = &completeness.feeds;
    if feeds.is_empty() {
        let verdict = "No feed delivered data for this shift.".to_owned();
        return Finding {
            verdict,
            details: Vec::new(),
            needs_attention: true,
        };
    }
    let sum = |of: fn(&FeedCompleteness) -> u64| feeds.iter().map(of).sum::<u64>();
    let mut gaps = Vec::new();
    for feed in feeds.iter().filter(|feed| !feed.silent_since.is_empty()) {
        gaps.push(format!(
            "{} is silent since {}.",
            feed.feed, feed.silent_since
        ));
    }
    let quarantined = sum(|feed| feed.files_quarantined);
    if quarantined > 0 {
        gaps.push(format!("{} quarantined.", plural(quarantined, "file")));
    }
    let rejected = sum(|feed| feed.rows_rejected);
    if rejected > 0 {
        gaps.push(format!("{} rejected.", plural(rejected, "row")));
    }
    for feed in feeds {
        let note = |note: &String| format!("{}: {note}", feed.feed);
        gaps.extend(feed.notes.iter().map(note));
    }
    for feed in feeds.iter().filter(|feed| !adds_up(feed)) {
        gaps.push(format!(
            "The rows of {} do not add up: {} read, but used, rejected and duplicate make {}.",
            feed.feed,
            count(feed.rows_read),
            count(accounted(feed))
        ));
    }
    let rows = plural(sum(|feed| feed.rows_used), "row");
    let delivered = plural(feeds.len() as u64, "feed");
    let needs_attention = !gaps.is_empty();
    let verdict = if needs_attention {
        "The data has gaps."
    } else {
        "The data is whole."
    };
    let mut details = vec![format!("{rows} used from {delivered}.")];
    details.extend(gaps);
    Finding {
        verdict: verdict.to_owned(),
        details,
        needs_attention,
    }
}

/// Whether every row read is accounted for.
pub(crate) fn adds_up(feed: &FeedCompleteness) -> bool {
    feed.rows_read == accounted(feed)
}

fn accounted(feed: &FeedCompleteness) -> u64 {
    [feed.rows_used, feed.rows_rejected, feed.rows_duplicate]
        .into_iter()
        .fold(0, u64::saturating_add)
}

fn plural(number: u64, noun: &str) -> String {
    let ending = if number == 1 { "" } else { "s" };
    format!("{} {noun}{ending}", count(number))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::view::AlertLine;

    fn verdict_of(summary: ControlSummary) -> String {
        control(&summary).verdict
    }

    #[test]
    fn control_is_claimed_only_where_it_was_judged() {
        let with = |streams, streams_judged, streams_signalled| ControlSummary {
            streams,
            streams_judged,
            streams_signalled,
            ..ControlSummary::default()
        };
        let cases = [
            (with(0, 0, 0), "No stream had a point in this shift."),
            (
                with(4, 0, 0),
                "Control cannot be judged: no stream has limits yet.",
            ),
            (
                with(4, 3, 0),
                "In control: none of 3 judged streams gave a signal.",
            ),
            (
                with(4, 1, 1),
                "Not in control: 1 of 1 judged stream gave a signal.",
            ),
        ];
        for (summary, expected) in cases {
            assert_eq!(verdict_of(summary), expected);
        }
    }

    #[test]
    fn rows_that_do_not_add_up_are_said_aloud() {
        let feed = FeedCompleteness {
            feed: "paste-1".to_owned(),
            rows_read: 100,
            rows_used: 90,
            rows_rejected: 4,
            rows_duplicate: 5,
            ..FeedCompleteness::default()
        };
        let finding = data(&Completeness {
            feeds: vec![feed],
            rejects: Vec::new(),
        });
        assert_eq!(finding.verdict, "The data has gaps.");
        let last = finding.details.last().unwrap();
        assert_eq!(
            last,
            "The rows of paste-1 do not add up: 100 read, but used, rejected and duplicate make 99."
        );
    }

    #[test]
    fn held_boards_are_summed_with_a_word_of_warning() {
        let line = |hold| AlertLine {
            boards_to_hold: hold,
            ..AlertLine::default()
        };
        let report = ShiftReport {
            open: vec![line(Some(12)), line(None)],
            ..ShiftReport::default()
        };
        let finding = open(&report);
        assert_eq!(
            finding.verdict,
            "2 alerts are open and must be handed over."
        );
        assert_eq!(
            finding.details,
            ["Boards to hold: 12; a board may count under more than one."]
        );
    }
}
