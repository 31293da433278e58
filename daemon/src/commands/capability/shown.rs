//! Capability figures as tables: a few columns for people, all of them for programs.
//!
//! Computes nothing. The one invariant: what limits the use of a figure is printed with it.

use reports::per_million;

use super::{Capability, rows, specification_words};
use crate::commands::{CommandError, local, when};
use crate::config::Config;
use crate::output::{self, Cell, Format, Table};
use crate::store::Reader;

impl Capability {
    /// The names of the indices.
    fn labels(&self) -> &'static str {
        if self.is_stable { "Cp, Cpk" } else { "Pp, Ppk" }
    }

    fn gauge_share(&self) -> Option<f64> {
        self.gauge.as_ref().and_then(|gauge| gauge.of_variation)
    }
}

/// The columns of what programs read.
const COLUMNS: [&str; 25] = [
    "stream",
    "unit",
    "specification",
    "from",
    "to",
    "subgroups",
    "readings",
    "mean",
    "sigma within",
    "sigma overall",
    "indices",
    "spread index",
    "nearest index",
    "nearest at least",
    "nearest at most",
    "Cpm or Ppm",
    "model",
    "normality p",
    "quantile index",
    "time model",
    "ppm observed",
    "ppm expected",
    "gauge % of variation",
    "stability",
    "cautions",
];

/// Prints capabilities: for a person the figures that are quoted, and under them what they rest
/// on, a stream at a time.
///
/// # Errors
///
/// As [`rows`], and when standard output can not be written.
pub fn print(
    config: &Config,
    reader: &Reader,
    stream: Option<&str>,
    window: (Option<i64>, Option<i64>),
    format: Format,
) -> Result<(), CommandError> {
    let rows = rows(config, reader, stream, window)?;
    if format != Format::Table {
        return Ok(output::print_rows(
            format,
            &wide(config, &rows, format),
            &rows,
        )?);
    }
    output::print_rows(format, &narrow(&rows), &rows)?;
    let below: Vec<String> = rows.iter().map(|row| rests_on(config, row)).collect();
    Ok(output::print(&below.concat())?)
}

/// Everything, for programs.
fn wide(config: &Config, rows: &[Capability], format: Format) -> Table {
    let mut table = Table::new(&COLUMNS);
    for row in rows {
        let nearest = row.nearest_index.as_ref();
        table.push(vec![
            row.stream.as_str().into(),
            row.unit.as_str().into(),
            specification_words(row.lower, row.upper).into(),
            when(config, format, row.window.0).into(),
            when(config, format, row.window.1).into(),
            row.subgroups.into(),
            row.readings.into(),
            row.mean.into(),
            row.sigma_within.into(),
            row.sigma_overall.into(),
            nearest.map(|_| row.labels()).into(),
            row.spread_index.as_ref().map(|index| index.value).into(),
            nearest.map(|index| index.value).into(),
            nearest.map(|index| index.lower).into(),
            nearest.map(|index| index.upper).into(),
            row.taguchi_index.as_ref().map(|index| index.value).into(),
            row.model.into(),
            row.evidence.normality_p().into(),
            row.evidence.quantile_index().into(),
            row.evidence.time_symbol().into(),
            row.ppm_observed.into(),
            row.ppm_expected.into(),
            row.gauge_share().into(),
            row.stability.as_str().into(),
            Cell::from(row.cautions.join("; ")),
        ]);
    }
    table
}

/// What is quoted of each stream.
fn narrow(rows: &[Capability]) -> Table {
    let mut table = Table::new(&[
        "stream",
        "specification",
        "n",
        "mean",
        "indices",
        "spread",
        "nearest",
        "at least",
        "at most",
        "model",
        "ppm expected",
    ]);
    for row in rows {
        let nearest = row.nearest_index.as_ref();
        let limits = specification_words(row.lower, row.upper);
        let blank = if row.unit.is_empty() { "" } else { " " };
        table.push(vec![
            row.stream.as_str().into(),
            format!("{limits}{blank}{}", row.unit).into(),
            row.subgroups.into(),
            row.mean.into(),
            nearest.map(|_| row.labels()).into(),
            row.spread_index.as_ref().map(|index| index.value).into(),
            nearest.map(|index| index.value).into(),
            nearest.map(|index| index.lower).into(),
            nearest.map(|index| index.upper).into(),
            row.model.into(),
            row.ppm_expected.map(per_million).into(),
        ]);
    }
    table
}

/// What the figures of a stream rest on, in lines of their own.
fn rests_on(config: &Config, row: &Capability) -> String {
    let text = output::significant;
    let chance = |p_value| format!("normality p {}", output::significant_to(p_value, 2));
    let (from, to) = (local(config, row.window.0), local(config, row.window.1));
    let figure = |name: &str, value: Option<f64>| value.map(|one| format!("{name} {}", text(one)));
    let taguchi = row.taguchi_index.as_ref();
    let figures = [
        figure("sigma within", row.sigma_within),
        figure("overall", row.sigma_overall),
        taguchi.and_then(|index| figure(index.symbol, Some(index.value))),
        figure("by quantiles", row.evidence.quantile_index()),
        row.evidence.normality_p().map(chance),
        row.evidence
            .time_symbol()
            .map(|model| format!("time model {model}")),
        figure("ppm observed", row.ppm_observed),
        figure("gauge % of variation", row.gauge_share()),
    ];
    let figures: Vec<String> = figures.into_iter().flatten().collect();
    let mut lines = format!(
        "{}: {} readings of {} subgroups from {from} to {to}, specification {}\n  {}\n  {}\n",
        row.stream,
        row.readings,
        row.subgroups,
        row.specification_source,
        row.stability,
        figures.join(", ")
    );
    for caution in &row.cautions {
        lines += &format!("  caution: {caution}\n");
    }
    lines
}
