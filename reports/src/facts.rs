//! The figures of a report as a list that can be kept, and what differs between two of them.
//!
//! Must not know layout or a language. Invariant: figures are named alike in every revision, so
//! that equal names can be compared and nothing that differs is left out.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::number::{count, fixed, per_million, percent, signed};
use crate::view::{Difference, Estimate, FeedCompleteness, ShiftReport, YieldRow};

/// The area of what is handed over.
pub const OPEN: &str = "Open alerts";

/// A figure of a report.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Fact {
    /// The part of the report.
    pub area: String,
    /// The alert, station, feed or stream.
    pub subject: String,
    /// The figure.
    pub figure: String,
    /// How much, in words.
    pub value: String,
}

/// Every figure of a report, in its order.
#[must_use]
pub fn facts(view: &ShiftReport) -> Vec<Fact> {
    let mut list = List::default();
    let control = &view.control;
    list.counts(
        "Points",
        "",
        [
            ("judged streams", Some(control.streams_judged)),
            ("streams with a signal", Some(control.streams_signalled)),
            ("judged points", Some(control.points)),
            ("points with a signal", Some(control.points_signalled)),
        ],
    );
    for line in &view.open {
        list.add((OPEN, &line.id, "state"), line.state.clone());
        list.counts(OPEN, &line.id, [("boards to hold", line.boards_to_hold)]);
    }
    for alert in &view.alerts {
        list.add(("Alerts", &alert.id, "state"), alert.state.clone());
        let size = alert.size_sigma.map(|size| signed(size, 2));
        list.add(
            ("Alerts", &alert.id, "size, sigma"),
            size.unwrap_or_default(),
        );
        list.counts(
            "Alerts",
            &alert.id,
            [("boards to hold", alert.boards_since)],
        );
    }
    view.yields.iter().for_each(|row| yields(&mut list, row));
    for defect in &view.top_defects {
        let subject = format!(
            "{}: {}, {}",
            defect.station, defect.defect, defect.component
        );
        list.counts("Defects", &subject, [("how often", Some(defect.count))]);
    }
    for row in &view.capability {
        for index in [&row.minimum_index, &row.spread_index] {
            capability(&mut list, &row.stream, index);
        }
    }
    view.completeness
        .feeds
        .iter()
        .for_each(|feed| delivered(&mut list, feed));
    for reject in &view.completeness.rejects {
        list.counts(
            "Refused",
            &reject.reason,
            [("how often", Some(reject.count))],
        );
    }
    changes(&mut list, view);
    list.facts
}

fn changes(list: &mut List, view: &ShiftReport) {
    for change in &view.changes {
        let own = [(&change.at, &change.what)];
        let items: Vec<_> = change
            .items
            .iter()
            .map(|item| (&item.at, &item.what))
            .collect();
        for (at, what) in if items.is_empty() {
            own.to_vec()
        } else {
            items
        } {
            list.add(("Changes", what, ""), at.clone());
        }
    }
}

fn yields(list: &mut List, row: &YieldRow) {
    let subject = format!("{} {}, {}", row.line, row.station, row.product);
    list.counts("Yields", &subject, [("boards", Some(row.units))]);
    let yields = [
        ("first-pass yield", row.fpy.map(percent)),
        ("DPMO", row.dpmo.map(per_million)),
    ];
    for (figure, value) in yields {
        list.add(("Yields", &subject, figure), value.unwrap_or_default());
    }
    list.counts(
        "Yields",
        &subject,
        [
            ("good in the end", row.final_good),
            ("machine calls", row.machine_calls),
            ("false calls", row.false_calls),
            ("confirmed defects", row.confirmed_defects),
        ],
    );
}

fn capability(list: &mut List, stream: &str, index: &Estimate) {
    let value = index.value.map(|value| fixed(value, 2));
    list.add(
        ("Capability", stream, &index.label),
        value.unwrap_or_default(),
    );
}

fn delivered(list: &mut List, feed: &FeedCompleteness) {
    list.counts(
        "Data",
        &feed.feed,
        [
            ("files accepted", Some(feed.files_accepted)),
            ("files accepted with rejects", Some(feed.files_with_rejects)),
            ("files quarantined", Some(feed.files_quarantined)),
            ("files duplicate", Some(feed.files_duplicate)),
            ("rows used", Some(feed.rows_used)),
            ("rows rejected", Some(feed.rows_rejected)),
            ("rows duplicate", Some(feed.rows_duplicate)),
        ],
    );
    list.add(
        ("Data", &feed.feed, "silent since"),
        feed.silent_since.clone(),
    );
    list.add(("Data", &feed.feed, "Last file"), feed.last_file.clone());
    for note in &feed.notes {
        list.add(("Data", &feed.feed, note), "yes".to_owned());
    }
}

#[derive(Default)]
struct List {
    facts: Vec<Fact>,
}

impl List {
    /// What has no value is not there.
    fn add(&mut self, (area, subject, figure): (&str, &str, &str), value: String) {
        if !value.is_empty() {
            let (area, subject, figure) = (area.to_owned(), subject.to_owned(), figure.to_owned());
            self.facts.push(Fact {
                area,
                subject,
                figure,
                value,
            });
        }
    }

    fn counts<'a>(
        &mut self,
        area: &str,
        subject: &str,
        figures: impl IntoIterator<Item = (&'a str, Option<u64>)>,
    ) {
        for (figure, value) in figures {
            self.add(
                (area, subject, figure),
                value.map(count).unwrap_or_default(),
            );
        }
    }
}

/// What differs, in the order of the later report; what is gone stands last.
#[must_use]
pub fn differences(before: &[Fact], now: &[Fact]) -> Vec<Difference> {
    fn name(fact: &Fact) -> (&str, &str, &str) {
        (&fact.area, &fact.subject, &fact.figure)
    }
    fn by_name(facts: &[Fact]) -> BTreeMap<(&str, &str, &str), &str> {
        facts
            .iter()
            .map(|fact| (name(fact), fact.value.as_str()))
            .collect()
    }
    let (old, new) = (by_name(before), by_name(now));
    let line = |fact: &Fact, before: &str, now: &str| Difference {
        area: fact.area.clone(),
        subject: fact.subject.clone(),
        figure: fact.figure.clone(),
        before: before.to_owned(),
        now: now.to_owned(),
    };
    let changed = now.iter().filter_map(|fact| {
        let was = old.get(&name(fact)).copied().unwrap_or_default();
        (was != fact.value).then(|| line(fact, was, &fact.value))
    });
    let gone = before.iter().filter(|fact| !new.contains_key(&name(fact)));
    changed
        .chain(gone.map(|fact| line(fact, &fact.value, "")))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sample;

    #[test]
    fn what_changed_came_and_went_is_told_and_nothing_else() {
        let view = sample::report(&|text| text.to_owned());
        let before = facts(&view);
        assert_eq!(differences(&before, &before), []);
        let mut later = view.clone();
        later.open.clear();
        later.yields[0].units += 8;
        later.completeness.feeds[0]
            .notes
            .push("it was silent".to_owned());
        let told = differences(&before, &facts(&later));
        let said: Vec<String> = told
            .iter()
            .map(|one| format!("{}|{}|{}|{}", one.area, one.figure, one.before, one.now))
            .collect();
        assert_eq!(
            said,
            [
                "Yields|boards|412|420",
                "Data|it was silent||yes",
                "Open alerts|state|active, acknowledged|",
                "Open alerts|boards to hold|37|",
            ]
        );
    }

    #[test]
    fn every_figure_has_a_name_of_its_own() {
        let view = sample::report(&|text| text.to_owned());
        let all = facts(&view);
        let mut names: Vec<_> = all
            .iter()
            .map(|fact| (&fact.area, &fact.subject, &fact.figure))
            .collect();
        let count = names.len();
        names.sort();
        names.dedup();
        assert_eq!(names.len(), count);
    }
}
