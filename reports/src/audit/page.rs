//! The view of an audit pack to its page.
//!
//! Must not know the tables beside it. Invariant: no template of a plant takes the place of these:
//! a page that is made again has to be the same page.

use minijinja::value::Serde;
use minijinja::{Value, context};

use super::view::AuditPack;
use crate::chart::{ChartSize, pareto_svg_named};
use crate::render::{RenderError, describe, page_environment};
use crate::speech::{Language, Speech};
use crate::view::Pareto;

/// Alerts shown in full.
const ALERTS_MAX: usize = 300;

/// Rows of any other table of the page.
const ROWS_MAX: usize = 500;

/// The page that the others are included by.
const PAGE: &str = "audit.html";

/// The templates by name.
const TEMPLATES: [(&str, &str); 7] = [
    (PAGE, include_str!("../../templates/audit/audit.html")),
    ("style.css", include_str!("../../templates/style.css")),
    ("audit.css", include_str!("../../templates/audit/audit.css")),
    (
        "overview.html",
        include_str!("../../templates/audit/overview.html"),
    ),
    (
        "streams.html",
        include_str!("../../templates/audit/streams.html"),
    ),
    (
        "record.html",
        include_str!("../../templates/audit/record.html"),
    ),
    (
        "source.html",
        include_str!("../../templates/audit/source.html"),
    ),
];

/// Renders the page of an audit pack.
///
/// # Errors
///
/// Only when a template is broken, which is a defect of this program.
pub fn audit_page(view: &AuditPack) -> Result<String, RenderError> {
    let mut environment = page_environment()?;
    for (name, text) in TEMPLATES {
        environment
            .add_template(name, text)
            .map_err(|error| describe(&error))?;
    }
    let mut view = view.clone();
    bound(&mut view);
    let template = environment
        .get_template(PAGE)
        .map_err(|error| describe(&error))?;
    template
        .render(context! {
            pack => Value::from(Serde(&view)),
            causes => causes(&view),
        })
        .map_err(|error| describe(&error))
}

/// Cuts what would make the page too long to be opened, and says so.
fn bound(view: &mut AuditPack) {
    let mut cut = |has: usize, max: usize, what: &str, table: &str| {
        if has > max {
            view.notes.push(format!(
                "Only {max} of {has} {what} are on this page; tables/{table}.csv has all."
            ));
        }
        max
    };
    let alerts = cut(view.alerts.len(), ALERTS_MAX, "alerts", "alerts");
    let changes = cut(view.changes.len(), ROWS_MAX, "changes", "changes");
    view.alerts.truncate(alerts);
    view.changes.truncate(changes);
}

/// The causes as a picture for paper and for a phone; none where there are fewer than two.
fn causes(view: &AuditPack) -> Value {
    if view.causes.len() < 2 {
        return Value::from(());
    }
    let pareto = Pareto {
        title: "Causes found, and their cumulative share".to_owned(),
        description: String::new(),
        what: "closed alerts".to_owned(),
        bars: view.causes.clone(),
        total: view.causes.iter().map(|bar| bar.count).sum(),
    };
    let english = Speech::new(Language::English);
    let draw =
        |size, name: &str| Value::from_safe_string(pareto_svg_named(&pareto, size, name, &english));
    context! {
        page => draw(ChartSize::PAGE, "causes-page"),
        phone => draw(ChartSize::PHONE, "causes-phone"),
    }
}
