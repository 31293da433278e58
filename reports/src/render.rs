//! Templates and views to a page.
//!
//! Must not know where override templates come from. Invariant: a broken override never costs the
//! report: the caller gets either an error that names template, line and reason, or the built-in
//! page with that reason in it.

use std::collections::BTreeMap;

use minijinja::syntax::SyntaxConfig;
use minijinja::value::{Serde, ValueKind};
use minijinja::{AutoEscape, Environment, UndefinedBehavior, Value, context};

use crate::figures::{Figure, PadFigure, ParetoFigure};
use crate::view::ShiftReport;
use crate::words::{self, Findings};
use crate::{filters, markup};

/// Bytes all figures of a report may take, so that the page stays below 2 MB.
const FIGURES_BYTES_MAX: usize = 1_200_000;
/// Alerts shown in full.
const ALERTS_MAX: usize = 60;
/// Rows of any table of a report.
const ROWS_MAX: usize = 200;

/// The page a shift report starts from.
const SHIFT_PAGE: &str = "shift.html";

/// The built-in templates by name.
const BUILT_IN: [(&str, &str); 9] = [
    (SHIFT_PAGE, include_str!("../templates/shift.html")),
    ("style.css", include_str!("../templates/style.css")),
    ("summary.html", include_str!("../templates/summary.html")),
    ("handover.html", include_str!("../templates/handover.html")),
    ("yield.html", include_str!("../templates/yield.html")),
    (
        "completeness.html",
        include_str!("../templates/completeness.html"),
    ),
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
/// each writes a dash for none.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Overrides {
    templates: BTreeMap<String, String>,
}

impl Overrides {
    /// No override.
    pub fn none() -> Self {
        Self::default()
    }

    /// Adds a template; a second one of the same name replaces the first.
    #[must_use]
    pub fn with(mut self, name: &str, text: &str) -> Self {
        self.templates.insert(name.to_owned(), text.to_owned());
        self
    }
}

impl FromIterator<(String, String)> for Overrides {
    fn from_iter<I: IntoIterator<Item = (String, String)>>(templates: I) -> Self {
        Self {
            templates: templates.into_iter().collect(),
        }
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

/// Renders a shift report; the plant's own templates take the place of built-in ones.
///
/// # Errors
///
/// When a template is broken, with its name, the line and the reason. See
/// [`shift_report_or_built_in`] for a report that is made all the same.
pub fn shift_report(view: &ShiftReport, overrides: &Overrides) -> Result<Rendered, RenderError> {
    page(view, overrides, Vec::new())
}

/// Renders a shift report; where an override is broken the built-in templates are used, and the
/// reason stands in the page and in [`Rendered::notices`].
///
/// # Errors
///
/// Only when a built-in template is broken, which is a defect of this program.
pub fn shift_report_or_built_in(
    view: &ShiftReport,
    overrides: &Overrides,
) -> Result<Rendered, RenderError> {
    shift_report(view, overrides).or_else(|error| {
        let notice = format!("The plant's own templates were not used. {error}.");
        page(view, &Overrides::none(), vec![notice])
    })
}

fn page(
    view: &ShiftReport,
    overrides: &Overrides,
    mut notices: Vec<String>,
) -> Result<Rendered, RenderError> {
    let environment = environment(overrides)?;
    notices.extend(unused(overrides));
    let bounded = bounded(view, &mut notices);
    let (pad_maps, used) = pad_figures(&bounded, &mut notices);
    let figures = figures(&bounded, used, &mut notices);
    let pareto =
        ParetoFigure::new(&bounded).map_or(Value::from(()), |one| Value::from(Serde(&one)));
    let sums: Vec<bool> = bounded
        .completeness
        .feeds
        .iter()
        .map(words::adds_up)
        .collect();
    let mut plain = bounded;
    plain.pad_maps.clear();
    for alert in &mut plain.alerts {
        // A template draws from `figures`; the points again as values would only cost time.
        alert.chart = None;
    }
    let html = environment
        .get_template(SHIFT_PAGE)
        .and_then(|template| {
            template.render(context! {
                report => Value::from(Serde(&plain)),
                findings => Value::from(Serde(Findings::new(view))),
                figures => figures,
                pareto => pareto,
                pad_maps => pad_maps,
                rows_add_up => sums,
                notices => &notices,
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
    filters::register(&mut environment);
    Ok(environment)
}

fn environment(overrides: &Overrides) -> Result<Environment<'_>, RenderError> {
    let mut environment: Environment<'_> = page_environment()?;
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
fn bounded(view: &ShiftReport, notices: &mut Vec<String>) -> ShiftReport {
    let mut view = view.clone();
    cut(
        &mut view.open,
        ROWS_MAX,
        "open alerts",
        "driftvane alerts",
        notices,
    );
    cut(&mut view.yields, ROWS_MAX, "yield rows", "", notices);
    cut(&mut view.top_defects, 20, "kinds of defect", "", notices);
    cut(
        &mut view.alerts,
        ALERTS_MAX,
        "alerts",
        "driftvane alerts",
        notices,
    );
    cut(
        &mut view.capability,
        ROWS_MAX,
        "capability rows",
        "driftvane capability",
        notices,
    );
    cut(&mut view.completeness.feeds, ROWS_MAX, "feeds", "", notices);
    cut(
        &mut view.completeness.rejects,
        50,
        "reject reasons",
        "",
        notices,
    );
    cut(&mut view.changes, ROWS_MAX, "changes", "", notices);
    for alert in &mut view.alerts {
        let what = format!("history lines of alert {}", alert.id);
        cut(&mut alert.history, 40, &what, "driftvane alerts", notices);
    }
    view
}

fn cut<T>(list: &mut Vec<T>, max: usize, what: &str, where_all: &str, notices: &mut Vec<String>) {
    if list.len() > max {
        let rest = match where_all {
            "" => String::new(),
            command => format!("; “{command}” lists them all"),
        };
        notices.push(format!(
            "Only {max} of {} {what} are shown{rest}.",
            list.len()
        ));
        list.truncate(max);
    }
}

/// The maps of pads that find room, and the bytes they take.
fn pad_figures(view: &ShiftReport, notices: &mut Vec<String>) -> (Vec<Value>, usize) {
    let (mut used, mut maps) = (0, Vec::new());
    for (position, map) in view.pad_maps.iter().enumerate() {
        let figure = PadFigure::new(map, &format!("pads-{}", position + 1));
        // Alerts come first: maps take at most half of the room.
        if used + figure.size() > FIGURES_BYTES_MAX / 2 {
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

/// One figure per alert, `None` where there is no chart or no room for it beside what is `used`.
fn figures(view: &ShiftReport, mut used: usize, notices: &mut Vec<String>) -> Vec<Value> {
    let mut left_out = 0;
    let mut figures = Vec::with_capacity(view.alerts.len());
    for (position, alert) in view.alerts.iter().enumerate() {
        let drawn = alert
            .chart
            .as_ref()
            .map(|chart| Figure::new(chart, &format!("alert-{}", position + 1)));
        let has_room = |figure: &Figure| used + figure.size() <= FIGURES_BYTES_MAX;
        let is_drawn = drawn.is_some();
        match drawn.filter(has_room) {
            Some(figure) => {
                used += figure.size();
                figures.push(Value::from(Serde(&figure)));
            }
            None => {
                left_out += usize::from(is_drawn);
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
