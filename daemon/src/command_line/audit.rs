//! The arguments of an audit pack.
//!
//! Holds no logic of the command.

use std::path::PathBuf;

use clap::Args;

use super::{DONE, FAILED, Failure};
use crate::commands::{audit, parse_time};
use crate::config::Config;
use crate::output::{self, Format};

#[derive(Args)]
pub(super) struct AuditOptions {
    /// From this time on: 2026-03-02, 2026-03-02T06:00 on the plant's clock, or RFC 3339.
    #[arg(long, required_unless_present = "reproduce")]
    from: Option<String>,
    /// Up to this time, which is not within.
    #[arg(long, required_unless_present = "reproduce")]
    to: Option<String>,
    /// Only this product.
    #[arg(long)]
    product: Option<String>,
    /// Makes a pack again from its file of figures, and tells what differs.
    #[arg(long, value_name = "FILE", conflicts_with_all = ["from", "to", "product"])]
    reproduce: Option<PathBuf>,
}

/// Makes a pack, or makes one again and tells what differs.
pub(super) fn run(config: &Config, options: &AuditOptions, format: Format) -> Result<u8, Failure> {
    // One moment of the record: its figures and its newest entry belong together.
    let reader = super::reader(config)?.at_one_moment()?;
    if let Some(file) = &options.reproduce {
        let is_same = audit::reproduce(config, &reader, file, format)?;
        return Ok(if is_same { DONE } else { FAILED });
    }
    let needed = |text: &Option<String>| parse_time(config, text.as_deref().unwrap_or_default());
    let request = audit::Request {
        from: needed(&options.from)?,
        to: needed(&options.to)?,
        product: options.product.clone(),
    };
    let folder = audit::make(config, &reader, &request)?;
    output::print(&format!("{}\n", folder.display()))?;
    Ok(DONE)
}
