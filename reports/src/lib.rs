//! The report renderer of Driftvane: view models in, HTML, SVG and tables out.
//!
//! Pure: it must not know files, clocks, the store or the engine. Invariant: equal views give
//! equal bytes, and every text of a view is escaped where it lands.

pub mod audit;
mod chart;
pub mod facts;
mod figures;
mod filters;
mod markup;
mod number;
mod picture;
mod render;
#[cfg(test)]
mod sample;
mod scale;
pub mod speech;
mod spoken;
pub mod tables;
pub mod view;
mod words;
mod workbook;

pub use chart::{ChartSize, chart_svg, histogram_svg, pad_map_svg, pareto_svg};
pub use figures::{Figure, HistogramFigure, PadFigure};
pub use markup::{escape, is_hidden};
pub use number::per_million;
pub use picture::png;
pub use render::{
    Overrides, RenderError, Rendered, WORDING, page_environment, shift_report,
    shift_report_or_built_in, template_names,
};
pub use workbook::xlsx;
