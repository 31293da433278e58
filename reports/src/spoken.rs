//! A view in the words of its reader.
//!
//! Must not know layout. Invariant: the program's sentences and times are said in the language;
//! names, and what people wrote, only lose what is beyond [`TEXT_MAX`] characters.

use std::collections::BTreeMap;

use crate::speech::Speech;
use crate::view::{
    AlertDetail, AlertLine, CapabilityRow, ChangeLine, Chart, Completeness, PadMap, ShiftReport,
    YieldRow,
};

/// Characters of any text in a report.
const TEXT_MAX: usize = 1_500;

/// The view of a shift as its reader is to read it.
pub(crate) fn shift(view: &mut ShiftReport, speech: &Speech) {
    let words = Words(speech);
    words.names([&mut view.plant, &mut view.shift, &mut view.zone]);
    words.say([
        &mut view.from,
        &mut view.to,
        &mut view.data_note,
        &mut view.revision_note,
    ]);
    view.open.iter_mut().for_each(|one| words.open(one));
    for one in &mut view.taken_over {
        words.names([&mut one.id, &mut one.stream]);
        words.say([&mut one.now]);
    }
    words.say([&mut view.taken_over_from, &mut view.differences_note]);
    words.names(view.new_files.iter_mut());
    for one in &mut view.differences {
        words.say([&mut one.area, &mut one.subject, &mut one.figure]);
        words.say([&mut one.before, &mut one.now]);
    }
    view.yields.iter_mut().for_each(|one| words.yields(one));
    for one in &mut view.top_defects {
        words.say([&mut one.station, &mut one.component, &mut one.defect]);
    }
    view.pad_maps.iter_mut().for_each(|one| words.pad_map(one));
    view.alerts.iter_mut().for_each(|one| words.alert(one));
    for one in &mut view.health {
        words.say([&mut one.figure, &mut one.value, &mut one.unit]);
        words.say([&mut one.target]);
    }
    words.say(view.health_remarks.iter_mut());
    view.capability
        .iter_mut()
        .for_each(|one| words.capability(one));
    words.completeness(&mut view.completeness);
    view.changes.iter_mut().for_each(|one| words.change(one));
    words.say(view.cautions.iter_mut());
}

/// A chart as its reader is to read it.
pub(crate) fn chart(chart: &Chart, speech: &Speech) -> Chart {
    let (words, mut chart) = (Words(speech), chart.clone());
    words.list(&mut chart.title);
    words.names([&mut chart.unit]);
    words.say([&mut chart.description, &mut chart.subgroup_name]);
    // Few rules speak for many points.
    let mut rules: BTreeMap<String, String> = BTreeMap::new();
    for point in &mut chart.points {
        words.names([&mut point.board]);
        words.say([&mut point.at_label]);
        words.list(&mut point.changeover);
        for signal in &mut point.signals {
            let said = rules.entry(signal.rule_words.clone()).or_insert_with(|| {
                words.say([&mut signal.rule_words]);
                signal.rule_words.clone()
            });
            signal.rule_words.clone_from(said);
            words.say([&mut signal.side]);
        }
    }
    if let Some(strata) = &mut chart.strata {
        words.say([&mut strata.key]);
        words.names(strata.names.iter_mut());
        for point in &mut strata.beside {
            words.names([&mut point.board]);
            words.say([&mut point.at_label]);
        }
    }
    words.say(chart.onset.as_mut().map(|onset| &mut onset.label));
    words.say(chart.spread.as_mut().map(|spread| &mut spread.title));
    chart
}

struct Words<'a>(&'a Speech);

impl Words<'_> {
    fn say<'t>(&self, texts: impl IntoIterator<Item = &'t mut String>) {
        for text in texts {
            cut(text);
            *text = self.0.say(text);
        }
    }

    fn names<'t>(&self, texts: impl IntoIterator<Item = &'t mut String>) {
        texts.into_iter().for_each(cut);
    }

    /// A title: a name, and the keys that tell it from others.
    fn list(&self, text: &mut String) {
        cut(text);
        let said = text.split(", ").map(|part| self.0.say(part));
        *text = said.collect::<Vec<_>>().join(", ");
    }

    fn open(&self, line: &mut AlertLine) {
        self.names([
            &mut line.id,
            &mut line.stream,
            &mut line.unit,
            &mut line.next_step,
        ]);
        self.say([
            &mut line.state,
            &mut line.what,
            &mut line.points_to,
            &mut line.raised_at,
            &mut line.carried,
        ]);
    }

    fn yields(&self, row: &mut YieldRow) {
        self.names([&mut row.line, &mut row.product]);
        self.say([
            &mut row.station,
            &mut row.compared,
            &mut row.opportunity_basis,
            &mut row.yield_basis,
        ]);
        self.say(row.before.as_mut().map(|before| &mut before.since));
    }

    fn alert(&self, alert: &mut AlertDetail) {
        self.names([
            &mut alert.id,
            &mut alert.stream,
            &mut alert.acknowledged_by,
            &mut alert.acknowledged_comment,
            &mut alert.first_signal_board,
            &mut alert.unit,
        ]);
        self.names(alert.reaction_plan.iter_mut());
        self.list(&mut alert.characteristic);
        self.say([
            &mut alert.state,
            &mut alert.raised_at,
            &mut alert.acknowledged_at,
            &mut alert.what_happened,
            &mut alert.cause,
            &mut alert.first_signal_at,
        ]);
        self.say(alert.rules.iter_mut());
        self.say(alert.history.iter_mut());
    }

    fn pad_map(&self, map: &mut PadMap) {
        self.say([&mut map.title, &mut map.description]);
        self.names([&mut map.unit]);
        self.names(map.pads.iter_mut().map(|pad| &mut pad.label));
    }

    fn capability(&self, row: &mut CapabilityRow) {
        self.names([
            &mut row.stream,
            &mut row.unit,
            &mut row.specification_source,
        ]);
        self.say([
            &mut row.specification,
            &mut row.window,
            &mut row.model,
            &mut row.stability,
            &mut row.limits_version,
        ]);
        self.say(row.cautions.iter_mut());
    }

    fn completeness(&self, completeness: &mut Completeness) {
        for feed in &mut completeness.feeds {
            self.names([&mut feed.feed]);
            self.say([
                &mut feed.station,
                &mut feed.silent_since,
                &mut feed.last_file,
            ]);
            self.say(feed.notes.iter_mut());
        }
        for reject in &mut completeness.rejects {
            self.say([&mut reject.reason]);
            self.names([&mut reject.example, &mut reject.detail]);
        }
    }

    fn change(&self, line: &mut ChangeLine) {
        self.names([&mut line.by]);
        self.say([
            &mut line.at,
            &mut line.until,
            &mut line.what,
            &mut line.reason,
        ]);
        for item in &mut line.items {
            self.say([&mut item.at, &mut item.what]);
        }
    }
}

fn cut(text: &mut String) {
    if let Some((end, _)) = text.char_indices().nth(TEXT_MAX) {
        text.truncate(end);
        text.push('…');
    }
}
