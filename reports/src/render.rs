//! Templates and views to a page.
//!
//! Must not know where override templates come from. Invariant: a broken override never costs the
//! report: the caller gets either an error that names template, line and reason, or the built-in
//! page with that reason in it.

use minijinja::syntax::SyntaxConfig;
use minijinja::value::{Serde, ValueKind};
use minijinja::{AutoEscape, Environment, UndefinedBehavior, Value, context};
use std::collections::BTreeMap;

use crate::figures::{Figure, PadFigure, ParetoFigure};
use crate::speech::{Language, Speech};
use crate::view::ShiftReport;
use crate::words::{self, Findings};
use crate::{filters, markup, spoken};

/// Bytes all figures of a report may take, so that the page stays below 2 MB.
const FIGURES_BYTES_MAX: usize = 1_200_000;
/// Alerts shown in full.
const ALERTS_MAX: usize = 60;
/// Rows of any table of a report.
const ROWS_MAX: usize = 200;
/// Bytes of a report.
const PAGE_BYTES_MAX: usize = 2_000_000;
/// Charts that are drawn without finding room, before no more are tried.
const TRIES_MAX: usize = 3;
/// The smallest part of what may be listed, where texts are so long that all would be too much.
const PARTS_MAX: usize = 16;

/// The file of a plant's own wording, among its templates.
pub const WORDING: &str = "words.txt";

/// The page a shift report starts from.
const SHIFT_PAGE: &str = "shift.html";

/// The built-in templates by name.
pub(crate) const BUILT_IN: [(&str, &str); 14] = [
    (SHIFT_PAGE, include_str!("../templates/shift.html")),
    ("style.css", include_str!("../templates/style.css")),
    ("summary.html", include_str!("../templates/summary.html")),
    ("handover.html", include_str!("../templates/handover.html")),
    (
        "differences.html",
        include_str!("../templates/differences.html"),
    ),
    ("yield.html", include_str!("../templates/yield.html")),
    ("counted.html", include_str!("../templates/counted.html")),
    ("changes.html", include_str!("../templates/changes.html")),
    (
        "change_list.html",
        include_str!("../templates/change_list.html"),
    ),
    (
        "completeness.html",
        include_str!("../templates/completeness.html"),
    ),
    ("refused.html", include_str!("../templates/refused.html")),
    ("alerts.html", include_str!("../templates/alerts.html")),
    ("health.html", include_str!("../templates/health.html")),
    (
        "capability.html",
        include_str!("../templates/capability.html"),
    ),
];

/// Templates of the plant by name; one named like a built-in takes its place.
///
/// A template sees `report` (the view), `findings` (`open`, `control`, `data`, each with
/// `verdict`, `details`, `needs_attention`), `figures` (one per alert: `page`, `phone`, `rows`,
/// `rows_note`, `has_spread`, `unit`, `limits`, or none), `pareto` (`page`, `phone`, `cumulative`,
/// or none), `pad_maps` (each with `title`, `unit`, `page`, `phone`, `rows`, `pads`),
/// `rows_add_up` (one per feed) and `notices`. Numbers pass through the filters `count`,
/// `num(digits)`, `signed(digits)`, `fixed(decimals)`, `percent`, `percent_to(upper)` and `ppm`;
/// each writes a dash for none. `say` says a sentence of the books in the report's language.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Overrides {
    templates: BTreeMap<String, String>,
    wording: Option<String>,
    /// What can not be used, in sentences.
    unread: Vec<String>,
}

impl Overrides {
    /// No override.
    pub fn none() -> Self {
        Self::default()
    }

    /// Adds a template; a second one of the same name replaces the first.
    #[must_use]
    pub fn with(mut self, name: &str, text: &str) -> Self {
        if name == WORDING {
            self.wording = Some(text.to_owned());
        } else {
            self.templates.insert(name.to_owned(), text.to_owned());
        }
        self
    }

    /// Has a report say in a sentence what can not be used.
    #[must_use]
    pub fn unread(mut self, sentence: String) -> Self {
        self.unread.push(sentence);
        self
    }

    /// Without what an error is about; `None` where that is not among them.
    fn without(&self, error: &RenderError) -> Option<Self> {
        let RenderError::Template { template, .. } = error;
        if template == WORDING && self.wording.is_some() {
            return Some(Self {
                wording: None,
                ..self.clone()
            });
        }
        (!self.templates.is_empty()).then(|| Self {
            templates: BTreeMap::new(),
            ..self.clone()
        })
    }

    fn speech(&self, language: Language) -> Result<Speech, RenderError> {
        let speech = Speech::new(language);
        let Some(wording) = &self.wording else {
            return Ok(speech);
        };
        speech
            .with_wording(wording)
            .map_err(|error| RenderError::Template {
                template: WORDING.to_owned(),
                line: error.line,
                reason: error.reason,
            })
    }
}

impl FromIterator<(String, String)> for Overrides {
    fn from_iter<I: IntoIterator<Item = (String, String)>>(templates: I) -> Self {
        let with = |all: Self, (name, text): (String, String)| all.with(&name, &text);
        templates.into_iter().fold(Self::none(), with)
    }
}

/// The names of the built-in templates, each of which an override may replace.
pub fn template_names() -> impl Iterator<Item = &'static str> {
    BUILT_IN.iter().map(|(name, _)| *name)
}

/// A page, and what the reader of the log should know about it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Rendered {
    /// The page.
    pub html: String,
    /// Problems that did not stop the page; they are also said in it.
    pub notices: Vec<String>,
}

/// Why a page could not be made.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum RenderError {
    /// A template is broken, or uses something a report does not have.
    #[error("template {template}, line {line}: {reason}; mend it or take it away")]
    Template {
        /// Name of the template.
        template: String,
        /// Line, from 1; 0 where it is not known.
        line: usize,
        /// What is wrong.
        reason: String,
    },
}

/// Renders a shift report in a language; the plant's own templates and wording take the place of
/// built-in ones.
///
/// # Errors
///
/// When a template or a line of the wording is broken, with its name, the line and the reason. See
/// [`shift_report_or_built_in`] for a report that is made all the same.
pub fn shift_report(
    view: &ShiftReport,
    overrides: &Overrides,
    language: Language,
) -> Result<Rendered, RenderError> {
    page(view, overrides, language, Vec::new())
}

/// Renders a shift report; where an override is broken the built-in ones are used, and the
/// reason stands in the page and in [`Rendered::notices`].
///
/// # Errors
///
/// Only when a built-in template is broken, which is a defect of this program.
pub fn shift_report_or_built_in(
    view: &ShiftReport,
    overrides: &Overrides,
    language: Language,
) -> Result<Rendered, RenderError> {
    let (mut left, mut notices) = (overrides.clone(), overrides.unread.clone());
    loop {
        let error = match page(view, &left, language, notices.clone()) {
            Ok(rendered) => return Ok(rendered),
            Err(error) => error,
        };
        let Some(fewer) = left.without(&error) else {
            return Err(error);
        };
        left = fewer;
        notices.push(match &error {
            RenderError::Template { template, .. } if template == WORDING => {
                format!("The plant's own wording was not used. {error}.")
            }
            RenderError::Template { .. } => {
                format!("The plant's own templates were not used. {error}.")
            }
        });
    }
}

/// The page, thinned out further as long as it is larger than a report may be.
fn page(
    view: &ShiftReport,
    overrides: &Overrides,
    language: Language,
    notices: Vec<String>,
) -> Result<Rendered, RenderError> {
    let speech = overrides.speech(language)?;
    let mut part = 1;
    loop {
        let rendered = page_within(view, overrides, &speech, (part, notices.clone()))?;
        if rendered.html.len() <= PAGE_BYTES_MAX || part >= PARTS_MAX {
            return Ok(rendered);
        }
        part *= 2;
    }
}

/// The page with at most a part of what a report may list: all, half, a quarter, ...
fn page_within(
    view: &ShiftReport,
    overrides: &Overrides,
    speech: &Speech,
    (part, mut notices): (usize, Vec<String>),
) -> Result<Rendered, RenderError> {
    let environment = environment(overrides, speech)?;
    notices.extend(unused(overrides));
    let mut bounded = bounded(view, part, &mut notices);
    spoken::shift(&mut bounded, speech);
    let room = FIGURES_BYTES_MAX / part;
    let (pad_maps, used) = pad_figures(&bounded, speech, room, &mut notices);
    let figures = figures(&bounded, speech, room.saturating_sub(used), &mut notices);
    let pareto = ParetoFigure::new(&bounded, speech);
    let pareto = pareto.map_or(Value::from(()), |one| Value::from(Serde(&one)));
    let feeds = &bounded.completeness.feeds;
    let sums: Vec<bool> = feeds.iter().map(words::adds_up).collect();
    let mut plain = bounded;
    plain.pad_maps.clear();
    for alert in &mut plain.alerts {
        // A template draws from `figures`; the points again as values would only cost time.
        alert.chart = None;
    }
    let notices: Vec<String> = notices.iter().map(|notice| speech.say(notice)).collect();
    let html = environment
        .get_template(SHIFT_PAGE)
        .and_then(|template| {
            template.render(context! {
                report => Value::from(Serde(&plain)),
                findings => Value::from(Serde(Findings::new(view, speech))),
                figures => figures,
                pareto => pareto,
                pad_maps => pad_maps,
                rows_add_up => sums,
                notices => &notices,
                language => speech.language().code(),
            })
        })
        .map_err(|error| describe(&error))?;
    Ok(Rendered { html, notices })
}

/// What every page of the program is rendered with: strict about what is missing, escaped by the
/// one function that does so, with the filters for numbers.
///
/// # Errors
///
/// Only when this program is broken.
pub fn page_environment() -> Result<Environment<'static>, RenderError> {
    environment_in(&Speech::new(Language::English))
}

fn environment_in(speech: &Speech) -> Result<Environment<'static>, RenderError> {
    let mut environment = Environment::new();
    environment.set_undefined_behavior(UndefinedBehavior::Strict);
    let syntax = SyntaxConfig::builder()
        .trim_blocks(true)
        .lstrip_blocks(true)
        .build();
    environment.set_syntax(syntax.map_err(|error| describe(&error))?);
    environment.set_auto_escape_callback(|name| {
        if name.ends_with(".css") {
            AutoEscape::None
        } else {
            AutoEscape::Html
        }
    });
    environment.set_formatter(|out, state, value| {
        let is_text = value.kind() == ValueKind::String && !value.is_safe();
        match (value.as_str(), state.auto_escape()) {
            (Some(text), AutoEscape::Html) if is_text => out
                .write_str(&markup::escape(text))
                .map_err(minijinja::Error::from),
            _ => minijinja::escape_formatter(out, state, value),
        }
    });
    filters::register(&mut environment, speech);
    Ok(environment)
}

fn environment<'a>(
    overrides: &'a Overrides,
    speech: &Speech,
) -> Result<Environment<'a>, RenderError> {
    let mut environment: Environment<'a> = environment_in(speech)?;
    let built_in = BUILT_IN
        .iter()
        .filter(|(name, _)| !overrides.templates.contains_key(*name));
    for (name, text) in built_in {
        environment
            .add_template(name, text)
            .map_err(|error| describe(&error))?;
    }
    for (name, text) in &overrides.templates {
        environment
            .add_template(name, text)
            .map_err(|error| describe(&error))?;
    }
    Ok(environment)
}

/// Overrides no template asks for: most likely a slip in the name.
fn unused(overrides: &Overrides) -> Vec<String> {
    let is_built_in = |name: &str| template_names().any(|built_in| built_in == name);
    let is_mentioned = |name: &str| overrides.templates.values().any(|text| text.contains(name));
    overrides
        .templates
        .keys()
        .filter(|name| !is_built_in(name) && !is_mentioned(name))
        .map(|name| {
            let known: Vec<&str> = template_names().collect();
            format!(
                "Template {name} is not used: it replaces none of {}, and none of the plant's \
                 templates includes it.",
                known.join(", ")
            )
        })
        .collect()
}

/// The view with its longest lists cut; every cut is a notice.
fn bounded(view: &ShiftReport, part: usize, notices: &mut Vec<String>) -> ShiftReport {
    let mut view = view.clone();
    let (rows, alerts) = (ROWS_MAX / part, ALERTS_MAX / part);
    let mut cuts = Cuts { notices };
    // Nothing that is open may vanish: that list is cut last and least.
    cuts.cut(
        &mut view.open,
        ROWS_MAX,
        "open alerts",
        "driftvane alerts list",
    );
    cuts.cut(
        &mut view.taken_over,
        rows,
        "alerts taken over",
        "driftvane alerts list",
    );
    cuts.cut(&mut view.differences, rows, "differences", "");
    cuts.cut(&mut view.yields, rows, "yield rows", "");
    cuts.cut(&mut view.top_defects, 20, "kinds of defect", "");
    cuts.cut(&mut view.alerts, alerts, "alerts", "driftvane alerts list");
    cuts.cut(
        &mut view.health_remarks,
        rows,
        "remarks",
        "driftvane alerts health",
    );
    cuts.cut(
        &mut view.capability,
        rows,
        "capability rows",
        "driftvane capability",
    );
    cuts.cut(
        &mut view.completeness.feeds,
        rows,
        "feeds",
        "driftvane feeds",
    );
    for feed in &mut view.completeness.feeds {
        let what = format!("notes on feed {}", feed.feed);
        cuts.cut(&mut feed.notes, 20, &what, "driftvane feeds");
    }
    cuts.cut(
        &mut view.completeness.rejects,
        50,
        "reject reasons",
        "driftvane quarantine list",
    );
    cuts.cut(&mut view.changes, rows, "changes", "driftvane limits list");
    let mut room = rows;
    for change in &mut view.changes {
        cuts.cut(
            &mut change.items,
            room,
            "changes of one kind",
            "driftvane limits list",
        );
        room -= change.items.len();
    }
    for alert in &mut view.alerts {
        let what = format!("history lines of alert {}", alert.id);
        cuts.cut(&mut alert.history, 40, &what, "driftvane alerts list");
        let what = format!("steps of the reaction plan of alert {}", alert.id);
        cuts.cut(&mut alert.reaction_plan, 40, &what, "");
    }
    cuts.cut(&mut view.cautions, rows, "cautions", "");
    view
}

/// Cuts lists, and says so.
struct Cuts<'a> {
    notices: &'a mut Vec<String>,
}

impl Cuts<'_> {
    fn cut<T>(&mut self, list: &mut Vec<T>, max: usize, what: &str, where_all: &str) {
        if list.len() > max {
            let rest = match where_all {
                "" => String::new(),
                command => format!("; “{command}” lists them all"),
            };
            let all = list.len();
            self.notices
                .push(format!("Only {max} of {all} {what} are shown{rest}."));
            list.truncate(max);
        }
    }
}

/// The maps of pads that find room, and the bytes they take.
fn pad_figures(
    view: &ShiftReport,
    speech: &Speech,
    room: usize,
    notices: &mut Vec<String>,
) -> (Vec<Value>, usize) {
    let (mut used, mut maps) = (0, Vec::new());
    for (position, map) in view.pad_maps.iter().enumerate() {
        let figure = PadFigure::spoken(map, &format!("pads-{}", position + 1), speech);
        // Alerts come first: maps take at most half of the room.
        if used + figure.size() > room / 2 {
            notices.push(format!(
                "The map “{}” is left out to keep the report small.",
                map.title
            ));
            continue;
        }
        used += figure.size();
        maps.push(Value::from(Serde(&figure)));
    }
    (maps, used)
}

/// One figure per alert, `None` where there is no chart or no room for it.
fn figures(
    view: &ShiftReport,
    speech: &Speech,
    room: usize,
    notices: &mut Vec<String>,
) -> Vec<Value> {
    let (mut used, mut left_out) = (0, 0);
    let mut figures = Vec::with_capacity(view.alerts.len());
    for (position, alert) in view.alerts.iter().enumerate() {
        let name = format!("alert-{}", position + 1);
        // A report of many alerts must not take long: after a few that find no room, none is tried.
        let drawn = alert.chart.as_ref().filter(|_| left_out < TRIES_MAX);
        let drawn = drawn.map(|chart| Figure::spoken(&spoken::chart(chart, speech), &name, speech));
        match drawn.filter(|figure| used + figure.size() <= room) {
            Some(figure) => {
                used += figure.size();
                figures.push(Value::from(Serde(&figure)));
            }
            None => {
                left_out += usize::from(alert.chart.is_some());
                figures.push(Value::from(()));
            }
        }
    }
    if left_out > 0 {
        notices.push(format!(
            "{left_out} charts are left out to keep the report small; \
             “driftvane chart” with “--format svg” draws them."
        ));
    }
    figures
}

/// The innermost template error: the outer ones only say through which page it was reached.
pub(crate) fn describe(error: &minijinja::Error) -> RenderError {
    let mut innermost = error;
    let mut cause = std::error::Error::source(error);
    while let Some(inner) = cause {
        if let Some(inner) = inner.downcast_ref::<minijinja::Error>()
            && inner.name().is_some()
        {
            innermost = inner;
        }
        cause = inner.source();
    }
    let reason = match innermost.detail() {
        Some(detail) => format!("{}: {detail}", innermost.kind()),
        None => innermost.kind().to_string(),
    };
    RenderError::Template {
        template: innermost.name().unwrap_or(SHIFT_PAGE).to_owned(),
        line: innermost.line().unwrap_or(0),
        reason,
    }
}

#[cfg(test)]
mod tests;
