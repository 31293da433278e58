//! Reads what is charted, and checks it against products and feeds.
//!
//! Knows names of charts and rules, but no statistics. The invariant: the chart fits its subject,
//! and every key comes from some feed of the station.

use std::ops::RangeInclusive;

use spc::chart::ChartKind;
use spc::rules::Rule;

use super::feed::{Offer, STATIONS};
use super::product::read_limits;
use super::table::{Item, Table, Unique};
use super::{baseline, short_run, subject};
use crate::config::{
    Characteristic, Detector, Key, Product, RUN_LENGTH_MAX, Specification, Subgroup, Subject,
};
use crate::words::{Role, Severity, Station};

/// What the rest of the file defines.
pub(super) struct Known<'k> {
    pub(super) offers: Vec<Offer>,
    pub(super) products: &'k [Product],
    pub(super) names: &'k [String],
    pub(super) families: Vec<String>,
}

/// The names of the charts, as they are written.
const CHARTS: [(&str, ChartKind); 14] = [
    ("individuals", ChartKind::Individuals),
    ("mean-range", ChartKind::MeanRange),
    ("mean-s", ChartKind::MeanS),
    ("median", ChartKind::MedianRange),
    ("three-way", ChartKind::ThreeWay),
    ("p", ChartKind::P),
    ("p-prime", ChartKind::PPrime),
    ("np", ChartKind::Np),
    ("c", ChartKind::C),
    ("u", ChartKind::U),
    ("u-prime", ChartKind::UPrime),
    ("between-events", ChartKind::G),
    ("time-between-events", ChartKind::T),
    ("t-squared", ChartKind::TSquared),
];

/// The names of what makes signals.
const DETECTORS: [(&str, Detector); 3] = [
    ("limits", Detector::Limits),
    ("cusum", Detector::Cusum),
    ("ewma", Detector::Ewma),
];

/// In-control run lengths that can be asked for, in points.
const RUN_LENGTHS: RangeInclusive<u32> = 100..=RUN_LENGTH_MAX;

/// Reads all characteristics.
pub(super) fn read_all(top: &Table<'_>, known: &Known<'_>) -> Vec<Characteristic> {
    let mut names = Unique::new("a characteristic named");
    let tables = top.tables("characteristic");
    tables
        .iter()
        .filter_map(|table| read_one(table, known, &mut names))
        .collect()
}

/// The station of a characteristic with what is known of it.
pub(super) struct Scope<'k> {
    pub(super) station: Option<Station>,
    pub(super) offers: Vec<&'k Offer>,
    known: &'k Known<'k>,
}

impl Scope<'_> {
    pub(super) fn gives(&self, role: Role) -> bool {
        let given = |role| self.offers.iter().any(|offer| offer.roles.contains(&role));
        // A product's families tell the family of a component, where the component is known.
        let by_product = !self.known.families.is_empty() && given(Role::Component);
        given(role) || (role == Role::Family && by_product)
    }

    pub(super) fn station_name(&self) -> &'static str {
        self.station.map_or("any", Station::name)
    }
}

fn read_one(table: &Table<'_>, known: &Known<'_>, names: &mut Unique) -> Option<Characteristic> {
    let name = table.need("name", "\"paste height\"");
    let name = name.and_then(|item| item.text().inspect(|name| names.add(name, &item)));
    let scope = read_scope(table, known);
    let subject = subject::read_charted(table, &scope);
    let filter = table
        .table("where")
        .map(|table| read_filter(&table, &scope))
        .unwrap_or_default();
    let group_by = read_keys(table, "group_by", &scope);
    let restart_on = read_keys(table, "restart_on", &scope);
    let subgroup = table.need("subgroup", "\"panel\"");
    let subgroup = subgroup.and_then(|item| read_subgroup(&item, &scope));
    let chart_item = table.need("chart", "\"three-way\"");
    let chart = chart_item.as_ref().and_then(|item| item.choice(&CHARTS));
    if let (Some(item), Some(chart), Some(subject)) = (&chart_item, chart, &subject) {
        check_chart(item, chart, subject, subgroup);
        if chart != ChartKind::T {
            check_opportunities(item, subject, &filter, &scope);
        }
        check_units(item, chart, &scope);
    }
    let baseline = baseline::read(table);
    let watched = read_detection(table, chart);
    if let Some(watched) = &watched {
        subject::check_options(table, chart, (subgroup, &watched.detectors));
    }
    let exact_limits = table.flag_or("exact_limits", false);
    let watch_pads = read_watch_pads(table, (subject.as_ref(), subgroup, chart), &scope);
    let short_run = subject
        .as_ref()
        .and_then(|subject| short_run::read(table, (subject, &filter, &group_by), known));
    let rules = read_rules(table);
    let specification = read_specification(table, subject.as_ref(), known);
    let plan = table
        .get("reaction_plan")
        .and_then(|item| item.text_or_empty());
    let severity = table.choice_or("severity", &Severity::ALL, Severity::Medium);
    table.finish();
    let (watched, baseline) = (watched?, baseline?);
    Some(Characteristic {
        name: name?,
        station: scope.station?,
        subject: subject?,
        filter,
        group_by,
        subgroup: subgroup?,
        chart: chart?,
        baseline: baseline.subgroups,
        baseline_minimum: baseline.minimum,
        screen: baseline.screen,
        screen_share: baseline.screen_share,
        run_length: watched.run_length,
        ewma_weight: watched.ewma_weight,
        limit_width: watched.limit_width,
        detection: watched.detectors,
        widen: baseline.widen,
        exact_limits,
        watch_pads,
        short_run,
        rules,
        restart_on,
        specification,
        reaction_plan: plan.unwrap_or_default(),
        severity,
    })
}

fn read_specification(
    table: &Table<'_>,
    subject: Option<&Subject>,
    known: &Known<'_>,
) -> Option<Specification> {
    let limits = table.table("specification")?;
    let measure = match subject {
        Some(Subject::Measure(measure)) => Some(measure.as_str()),
        Some(subject) if subject.is_counted() => {
            limits.fault("does not fit a chart of verdicts", "remove it");
            None
        }
        Some(_) | None => None,
    };
    let read = read_limits(&limits, measure, &known.offers);
    limits.finish();
    read
}

/// Finds the feeds of the station. Where there are none, that is the one problem, and whatever
/// any feed offers counts.
fn read_scope<'k>(table: &Table<'_>, known: &'k Known<'k>) -> Scope<'k> {
    let item = table.need("station", "\"paste\"");
    let station = item.as_ref().and_then(|item| item.choice(&STATIONS));
    let at = |station| {
        known
            .offers
            .iter()
            .filter(|offer| offer.is_at(station))
            .collect()
    };
    let mut offers: Vec<&Offer> = at(station);
    if let (true, Some(item), Some(station)) = (offers.is_empty(), &item, station) {
        if !known.offers.is_empty() {
            let message = format!("no feed comes from a station {:?}", station.name());
            item.fault(message, "add such a feed, or correct the station");
        }
        offers = at(None);
    }
    Scope {
        station,
        offers,
        known,
    }
}

/// Reads a key that some feed of the station provides.
fn read_key(item: &Item<'_>, name: &str, scope: &Scope<'_>) -> Option<Key> {
    let Some(key) = Key::from_name(name) else {
        let roles = Role::ALL.into_iter().map(Role::name);
        item.unknown(name, std::iter::once("line").chain(roles));
        return None;
    };
    if let Key::Role(role) = key
        && !scope.gives(role)
        && !scope.offers.is_empty()
    {
        let message = format!(
            "no feed of a station {:?} gives {name}",
            scope.station_name()
        );
        let fix = match role {
            Role::Family => "add component to feed.roles and families to the product".to_owned(),
            _ => format!("add {name} to feed.roles"),
        };
        item.fault(message, format!("{fix}, or remove it here"));
    }
    Some(key)
}

fn read_keys(table: &Table<'_>, key: &'static str, scope: &Scope<'_>) -> Vec<Key> {
    let items = table
        .get(key)
        .and_then(|item| item.items())
        .unwrap_or_default();
    let mut unique = Unique::new("the key");
    let mut keys = Vec::new();
    for item in &items {
        if let Some(name) = item.text() {
            unique.add(&name, item);
            keys.extend(read_key(item, &name, scope));
        }
    }
    keys
}

fn read_filter(table: &Table<'_>, scope: &Scope<'_>) -> Vec<(Key, Vec<String>)> {
    let mut filter = Vec::new();
    for (name, item) in table.entries() {
        let key = read_key(&item, &name, scope);
        let values = if item.is_text() {
            item.text().map(|text| vec![text])
        } else {
            item.texts()
        };
        if let (Some(key), Some(values)) = (key, values) {
            check_values(&item, key, &values, scope);
            filter.push((key, values));
        }
    }
    filter.sort_by_key(|(key, _)| *key);
    filter
}

/// Reports values that cannot occur, because the file defines all there are.
fn check_values(item: &Item<'_>, key: Key, values: &[String], scope: &Scope<'_>) {
    if values.is_empty() {
        item.fault(
            "is empty: nothing would be charted",
            "name values, or remove it",
        );
    }
    let in_feed = |role| scope.offers.iter().any(|offer| offer.roles.contains(&role));
    let known: Vec<&str> = match key {
        Key::Line => scope
            .offers
            .iter()
            .filter_map(|offer| offer.line.as_deref())
            .collect(),
        Key::Role(Role::Product) => scope.known.names.iter().map(String::as_str).collect(),
        Key::Role(Role::Family) if !in_feed(Role::Family) => {
            scope.known.families.iter().map(String::as_str).collect()
        }
        Key::Role(_) => return,
    };
    // A line that is missing, or a family that no one gives, is already a problem elsewhere.
    let no_line = key == Key::Line && scope.offers.iter().any(|offer| offer.line.is_none());
    if no_line || (key == Key::Role(Role::Family) && known.is_empty()) {
        return;
    }
    for value in values
        .iter()
        .filter(|value| !known.contains(&value.as_str()))
    {
        item.unknown(value, known.iter().copied());
    }
}

fn read_subgroup(item: &Item<'_>, scope: &Scope<'_>) -> Option<Subgroup> {
    if item.is_table() {
        return read_window(&item.table()?);
    }
    let fits = "write \"panel\", \"board\", { consecutive = 5 } or { minutes = 30 }";
    if !item.is_text() {
        item.fault("is no subgroup", fits);
        return None;
    }
    let subgroup = item.choice(&[("panel", Subgroup::Panel), ("board", Subgroup::Board)])?;
    let panel = scope.gives(Role::Panel);
    let board = scope.gives(Role::Board) || (panel && scope.gives(Role::Position));
    let is_told = if subgroup == Subgroup::Panel {
        panel
    } else {
        board
    };
    if !is_told && !scope.offers.is_empty() {
        let message = format!("no feed of a station {:?} tells it", scope.station_name());
        item.fault(message, "add it to feed.roles, or choose another subgroup");
    }
    Some(subgroup)
}

fn read_window(table: &Table<'_>) -> Option<Subgroup> {
    let consecutive = table.get("consecutive");
    let minutes = table.get("minutes");
    table.finish();
    match (consecutive, minutes) {
        (Some(item), None) => {
            let count = item.whole(&(1..=1_000))?;
            usize::try_from(count).ok().map(Subgroup::Consecutive)
        }
        (None, Some(item)) => {
            let minutes = item.whole(&(1..=1_440))?;
            if 1_440 % minutes != 0 {
                // Else the windows of two days would not start at the same times.
                item.fault(
                    format!("a day is no multiple of {minutes} minutes"),
                    "write 30 or 60",
                );
            }
            Some(Subgroup::Minutes(minutes))
        }
        _ => {
            table.fault(
                "is no subgroup",
                "write either consecutive = 5 or minutes = 30",
            );
            None
        }
    }
}

fn check_chart(item: &Item<'_>, chart: ChartKind, subject: &Subject, subgroup: Option<Subgroup>) {
    let counts = match chart {
        ChartKind::P | ChartKind::PPrime | ChartKind::Np => true,
        ChartKind::C | ChartKind::U | ChartKind::UPrime => true,
        ChartKind::G | ChartKind::T => true,
        ChartKind::Individuals | ChartKind::MeanRange | ChartKind::MedianRange => false,
        ChartKind::MeanS | ChartKind::ThreeWay | ChartKind::TSquared => false,
    };
    if chart == ChartKind::TSquared || matches!(subject, Subject::Measures(_)) {
        return subject::check_chart(item, chart, subject);
    }
    let measured = !subject.is_counted();
    if counts && measured {
        let fix = "write individuals, mean-range, mean-s, median or three-way, or chart calls";
        item.fault("counts verdicts, but the measure is a number", fix);
    } else if !counts && !measured {
        item.fault(
            "needs measured values, but verdicts are counted",
            "write p, p-prime, np, c, u, u-prime, between-events or time-between-events",
        );
    }
    let spreads = matches!(
        chart,
        ChartKind::MeanRange | ChartKind::MeanS | ChartKind::MedianRange | ChartKind::ThreeWay
    );
    if spreads && subgroup == Some(Subgroup::Consecutive(1)) {
        item.fault(
            "needs a spread within subgroups",
            "write individuals, or larger subgroups",
        );
    }
    let by_unit = matches!(subgroup, None | Some(Subgroup::Panel | Subgroup::Board));
    if matches!(chart, ChartKind::G | ChartKind::T) && !by_unit {
        item.fault(
            "looks for units with a defect one by one",
            "write subgroup = \"panel\" or \"board\"",
        );
    }
    let in_a_row = matches!(subgroup, None | Some(Subgroup::Consecutive(_)));
    if chart == ChartKind::MedianRange && !in_a_row {
        item.fault(
            "takes the median of several units in a row; the readings within one are not kept",
            "write subgroup = { consecutive = 5 }, or another chart",
        );
    }
}

/// Reports a chart of verdicts where nothing tells how many things were inspected: a feed that
/// lists failures only does not.
fn check_opportunities(
    item: &Item<'_>,
    subject: &Subject,
    filter: &[(Key, Vec<String>)],
    scope: &Scope<'_>,
) {
    let counted =
        |offer: &&Offer| !offer.lists_failures_only || offer.roles.contains(&Role::Opportunities);
    if !subject.is_counted() || scope.offers.iter().any(counted) {
        return;
    }
    let only = filter
        .iter()
        .find(|(key, _)| *key == Key::Role(Role::Product));
    let mut products = scope
        .known
        .products
        .iter()
        .filter(|product| only.is_none_or(|(_, names)| names.contains(&product.name)));
    let gives = |product: &Product| {
        product
            .opportunities
            .iter()
            .any(|(station, _)| Some(*station) == scope.station)
    };
    // A faulty product may have had them.
    let all_read = scope.known.products.len() == scope.known.names.len();
    if all_read && scope.station.is_some() && !products.any(gives) {
        let station = scope.station_name();
        let fix = format!("add opportunities = {{ {station} = 100 }} to the product");
        item.fault("nothing tells how many things were inspected", fix);
    }
}

/// Reports a chart of the units between events where units without any are not told.
fn check_units(item: &Item<'_>, chart: ChartKind, scope: &Scope<'_>) {
    let offers = &scope.offers;
    let none_tells = offers.iter().all(|offer| offer.lists_failures_only);
    if chart == ChartKind::G && !offers.is_empty() && none_tells {
        item.fault(
            "counts units without a defect too, and a feed that lists failures only tells none",
            "write u or time-between-events, or chart a feed that lists every unit",
        );
    }
}

/// What makes signals, and how seldom by chance.
struct Watched {
    detectors: Vec<Detector>,
    run_length: Option<u32>,
    ewma_weight: f64,
    limit_width: Option<f64>,
}

/// Pads can be watched where panels show them by name, one measure each.
fn read_watch_pads(
    table: &Table<'_>,
    (subject, subgroup, chart): (Option<&Subject>, Option<Subgroup>, Option<ChartKind>),
    scope: &Scope,
) -> bool {
    let item = table.get("watch_pads");
    let Some(item) = item.filter(|_| table.flag_or("watch_pads", false)) else {
        return false;
    };
    let is_measure = subject.is_none_or(|subject| matches!(subject, Subject::Measure(_)));
    let is_panel = subgroup.is_none_or(|subgroup| subgroup == Subgroup::Panel);
    if !is_measure || !is_panel || chart == Some(ChartKind::TSquared) {
        item.fault(
            "pads are watched against the rest of their panel",
            "use it with measure = \"..\" and subgroup = \"panel\"",
        );
    }
    if !(scope.gives(Role::Component) && scope.gives(Role::Pin)) {
        item.fault(
            "no feed of the station names pads",
            "give a feed the roles component and pin",
        );
    }
    true
}

fn read_detection(table: &Table<'_>, chart: Option<ChartKind>) -> Option<Watched> {
    let detectors = table.get("detection").map_or_else(
        || Some(usual_detectors(chart)),
        |item| read_detectors(&item),
    )?;
    let width = table.get("limit_width");
    let limit_width = width.as_ref().map(read_width);
    let length = table.get("in_control_run_length");
    let run_length = length.as_ref().map(|item| item.whole(&RUN_LENGTHS));
    let weight = table.get("ewma_weight");
    let ewma_weight = weight
        .as_ref()
        .map_or(Some(0.2), |item| read_weight(item, &detectors))?;
    let stated = run_length.flatten().map_or(0.0, f64::from);
    if let (Some(item), true) = (&weight, spc::ewma::is_slow(ewma_weight, stated)) {
        let message = "is slow to find a shift at so long an in-control run length";
        item.fault(
            message,
            "write 0.1 or more, or detection = [\"limits\", \"cusum\"]",
        );
    }
    Some(Watched {
        detectors,
        run_length: flat(run_length)?,
        ewma_weight,
        limit_width: flat(limit_width)?,
    })
}

/// Nothing for a key that is there but can not be used.
fn flat<T>(read: Option<Option<T>>) -> Option<Option<T>> {
    match read {
        None => Some(None),
        Some(read) => read.map(Some),
    }
}

/// Counts get limits alone: their scores carry the error of the baseline's rate.
fn usual_detectors(chart: Option<ChartKind>) -> Vec<Detector> {
    let Some(chart) = chart else {
        return vec![Detector::Limits];
    };
    match chart {
        ChartKind::P | ChartKind::PPrime | ChartKind::Np => vec![Detector::Limits],
        ChartKind::C | ChartKind::U | ChartKind::UPrime => vec![Detector::Limits],
        ChartKind::G | ChartKind::T | ChartKind::TSquared => vec![Detector::Limits],
        _ => vec![Detector::Limits, Detector::Cusum],
    }
}

fn read_detectors(item: &Item<'_>) -> Option<Vec<Detector>> {
    let items = item.items()?;
    if items.is_empty() {
        let fix = "write [\"limits\", \"cusum\"], or remove it";
        item.fault("is empty: nothing would make a signal", fix);
        return None;
    }
    let mut unique = Unique::new("the detector");
    let mut detectors = Vec::new();
    for item in &items {
        let detector = item.choice(&DETECTORS)?;
        unique.add(&item.text()?, item);
        detectors.push(detector);
    }
    Some(detectors)
}

fn read_weight(item: &Item<'_>, detectors: &[Detector]) -> Option<f64> {
    let weight = item.number()?;
    if !(0.01..=1.0).contains(&weight) {
        item.fault(
            "is out of range",
            "write a share from 0.01 to 1, such as 0.2",
        );
        return None;
    }
    if !detectors.contains(&Detector::Ewma) {
        let fix = "add \"ewma\" to detection, or remove it";
        item.fault("belongs to a detector that is not switched on", fix);
    }
    Some(weight)
}

fn read_width(item: &Item<'_>) -> Option<f64> {
    let width = item.number()?;
    if width <= 0.0 {
        item.fault("is not above 0", "write multiples of sigma, such as 3.0");
        return None;
    }
    Some(width)
}

fn read_rules(table: &Table<'_>) -> Vec<Rule> {
    let items = table
        .get("rules")
        .and_then(|item| item.items())
        .unwrap_or_default();
    let mut unique = Unique::new("the rule");
    let mut rules = Vec::new();
    for item in &items {
        let Some(name) = item.text() else {
            continue;
        };
        unique.add(&name, item);
        match Rule::from_name(&name) {
            Some(rule) => rules.push(rule),
            None => item.unknown(&name, Rule::ALL.iter().map(|rule| rule.name())),
        }
    }
    rules
}
