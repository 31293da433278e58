//! `driftvane report audit`: each figure with the chain that leads to it, for a window of time.
//!
//! Knows no HTML and no SQL. The one invariant: nothing of the moment or the computer at which a
//! pack is made is in it, so that equal data give equal bytes anywhere.

use std::collections::BTreeSet;

use reports::audit::view::{AuditPack, Source};
use reports::tables::Sheet;
use serde::{Deserialize, Serialize};

use super::{CommandError, local_minute, utc};
use crate::config::Config;
use crate::store::Reader;
use crate::store::trail::{Flaw, Moment, SegmentTrail};

mod again;
mod as_of;
mod bounded;
mod changes;
mod figures;
mod files;
mod gauges;
mod pack;
mod record;
mod scope;
mod shown;
mod studies;

pub use again::reproduce;
pub use pack::{is_pack, make};

use as_of::AsOf;
use bounded::Rows;
use scope::Scope;

/// What is asked for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Request {
    /// From this event time on.
    pub from: i64,
    /// Up to this one, exclusive.
    pub to: i64,
    /// Only this product.
    pub product: Option<String>,
}

/// What a pack was made from and with: all that is needed to make it again.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct About {
    /// The plant.
    plant: String,
    /// Its time zone.
    zone: String,
    /// The window, RFC 3339 in UTC.
    from: String,
    /// Its end.
    to: String,
    /// The product.
    product: Option<String>,
    /// The program and its version.
    program: String,
    /// The newest entry of the chain.
    entry: i64,
    /// Its digest.
    entry_digest: String,
    /// The digest of what makes points of rows.
    setting: String,
}

/// A pack before it is written.
pub(super) struct Built {
    about: About,
    view: AuditPack,
    sheets: Vec<Sheet>,
}

/// The program and its version.
fn program() -> String {
    concat!("driftvane ", env!("CARGO_PKG_VERSION")).to_owned()
}

fn hex(bytes: &[u8]) -> String {
    use std::fmt::Write as _;
    let mut text = String::with_capacity(bytes.len() * 2);
    for byte in bytes {
        // Writing to a String can not fail.
        write!(text, "{byte:02x}").unwrap_or_default();
    }
    text
}

/// Segments that are not as they were written, in sentences.
fn flawed(
    reader: &Reader,
    segments: &[SegmentTrail],
) -> Result<Vec<(String, String)>, CommandError> {
    let mut found = Vec::new();
    for one in segments {
        let words = match reader.flaw(one)? {
            None => continue,
            Some(Flaw::Missing) => "is missing",
            Some(Flaw::Changed) => "is not what was written",
        };
        let sentence = format!(
            "the segment {} of the archive with {} rows {words}",
            one.path, one.rows
        );
        found.push((one.path.clone(), sentence));
    }
    Ok(found)
}

/// What a pack of a sound record is made of; one whose archive is not is refused.
fn sound(config: &Config, reader: &Reader, request: &Request) -> Result<Built, CommandError> {
    let scope = Scope::of(config, reader, request)?;
    let flawed = flawed(reader, &scope.segments)?;
    if let Some((_, first)) = flawed.first() {
        let more = match flawed.len() - 1 {
            0 => String::new(),
            more => format!(", and {more} more are not sound"),
        };
        return Err(CommandError::Refused(format!(
            "{first}{more}: the figures would not be those of the readings; restore a backup \
             (`driftvane verify` says what is damaged)"
        )));
    }
    build((config, reader), request, (&scope, None), &BTreeSet::new())
}

/// Makes everything that a pack shows, readings in the segments to be left out excepted; alerts as
/// they stood at a moment, or now.
fn build(
    (config, reader): (&Config, &Reader),
    request: &Request,
    (scope, moment): (&Scope, Option<Moment>),
    leave_out: &BTreeSet<String>,
) -> Result<Built, CommandError> {
    let head = reader.head();
    let entry = head.as_ref().map_or(0, |head| head.seq);
    let about = About {
        plant: config.plant.clone(),
        zone: config.zone.iana_name().unwrap_or("UTC").to_owned(),
        from: utc(request.from),
        to: utc(request.to),
        product: request.product.clone(),
        program: program(),
        entry,
        entry_digest: head.map_or_else(String::new, |head| hex(&head.digest)),
        setting: hex(&Reader::setting(config)),
    };
    let mut view = AuditPack {
        plant: about.plant.clone(),
        from: local_minute(config, request.from),
        to: local_minute(config, request.to),
        zone: about.zone.clone(),
        product: request.product.clone().unwrap_or_default(),
        ..AuditPack::default()
    };
    let as_of = AsOf::new((config, reader), scope.all.clone(), moment)?;
    let alerts = record::alerts(config, reader, (scope, &as_of))?;
    let studied = studies::studies((config, reader), scope, leave_out)?;
    let mut rows: Vec<Rows> = figures::sheets(config, &studied, &alerts);
    view.streams = shown::streams(config, studied, &alerts);
    rows.extend(record::sheets(&mut view, config, alerts));
    rows.extend(changes::sheets(
        &mut view,
        (config, reader),
        (scope, &as_of),
        entry,
    )?);
    rows.extend(gauges::sheets(&mut view, config, scope)?);
    rows.extend(files::sheets(&mut view, (config, reader), scope)?);
    let left_out = bounded::left_out(&rows);
    let mut sheets: Vec<Sheet> = rows.into_iter().map(Rows::into_sheet).collect();
    sheets.extend(left_out);
    view.findings = shown::findings(&view);
    Ok(Built {
        about,
        view,
        sheets,
    })
}

/// What the page says of where it comes from.
fn source(about: &About, (file, digest, figures): (&str, &str, u64)) -> Source {
    Source {
        program: about.program.clone(),
        entry: u64::try_from(about.entry).unwrap_or(0),
        entry_digest: about.entry_digest.clone(),
        setting: about.setting.clone(),
        file: file.to_owned(),
        digest: digest.to_owned(),
        figures,
        command: format!("driftvane report audit --reproduce {file}"),
    }
}
