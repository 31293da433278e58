//! What a pack is about: which streams, in which window, and the segments behind them.
//!
//! Knows no figure. The one invariant: a product or a window of which there is nothing is refused,
//! with what there is.

use std::collections::BTreeSet;

use super::Request;
use crate::commands::alerts::{key_value, product};
use crate::commands::capability::wanted;
use crate::commands::{CommandError, characteristic, local_minute};
use crate::config::{Config, Key};
use crate::store::Reader;
use crate::store::query::StreamRow;
use crate::store::trail::SegmentTrail;
use crate::words::{Role, Station};

/// Products that are named where one is not known.
const NAMED_MAX: usize = 8;

/// What a pack is about.
pub(super) struct Scope {
    /// The window.
    pub(super) window: (i64, i64),
    /// Every stream of the record.
    pub(super) all: Vec<StreamRow>,
    /// The streams with points in the window, by label.
    pub(super) streams: Vec<StreamRow>,
    /// Whether only one product is asked for.
    pub(super) is_one_product: bool,
    /// The stations that they are measured at.
    pub(super) stations: BTreeSet<Station>,
    /// The segments that hold readings of them.
    pub(super) segments: Vec<SegmentTrail>,
}

impl Scope {
    /// Finds out what a request is about.
    pub(super) fn of(
        config: &Config,
        reader: &Reader,
        request: &Request,
    ) -> Result<Scope, CommandError> {
        let window = (request.from, request.to);
        if window.0 >= window.1 {
            let words = "the window is empty: it has to begin (--from) before it ends (--to)";
            return Err(CommandError::Usage(words.to_owned()));
        }
        let all = reader.streams()?;
        let mut of_product = Vec::new();
        for stream in &all {
            if is_of(config, stream, request.product.as_deref()) {
                of_product.push(stream.clone());
            }
        }
        if let (Some(wanted), true) = (&request.product, of_product.is_empty()) {
            return Err(unknown(config, &all, wanted));
        }
        let mut streams = Vec::new();
        for stream in of_product {
            if reader.point_counts(stream.id, window.0, window.1)?.points > 0 {
                streams.push(stream);
            }
        }
        if streams.is_empty() {
            return Err(nothing(config, reader, request)?);
        }
        let mut stations = BTreeSet::new();
        let mut filters = Vec::new();
        for stream in &streams {
            let what = characteristic(config, stream)?;
            stations.insert(what.station);
            filters.extend(wanted(config, what, stream, window).map(|(_, one)| one.filter));
        }
        let segments = reader.segment_trail(&filters.iter().collect::<Vec<_>>())?;
        Ok(Scope {
            window,
            all,
            streams,
            is_one_product: request.product.is_some(),
            stations,
            segments,
        })
    }

    /// Whether a stream is one of them.
    pub(super) fn has(&self, stream: i64) -> bool {
        self.streams.iter().any(|one| one.id == stream)
    }
}

/// Whether a stream is about a product and no other.
fn is_of(config: &Config, stream: &StreamRow, wanted: Option<&str>) -> bool {
    let Some(wanted) = wanted else {
        return true;
    };
    // A stream whose characteristic is gone is told where its points are asked for.
    let Ok(what) = characteristic(config, stream) else {
        return true;
    };
    let named = key_value(what, stream, Key::Role(Role::Product));
    let only = || product(config, what, stream).map(|product| product.name.clone());
    named.or_else(only).as_deref() == Some(wanted)
}

fn unknown(config: &Config, streams: &[StreamRow], wanted: &str) -> CommandError {
    let mut known: BTreeSet<String> = config.products.iter().map(|one| one.name.clone()).collect();
    for stream in streams {
        let what = characteristic(config, stream).ok();
        known.extend(what.and_then(|what| key_value(what, stream, Key::Role(Role::Product))));
    }
    known.remove("");
    let is_known = known.contains(wanted);
    let named: Vec<String> = known.into_iter().take(NAMED_MAX).collect();
    CommandError::Usage(match (is_known, named.is_empty()) {
        (true, _) => format!(
            "no stream is about the product '{wanted}' alone: name it in the group_by of a \
             characteristic, or leave --product out"
        ),
        (false, true) => format!("there is no product '{wanted}'; leave --product out"),
        (false, false) => format!(
            "there is no product '{wanted}'; there are: {}",
            named.join(", ")
        ),
    })
}

fn nothing(
    config: &Config,
    reader: &Reader,
    request: &Request,
) -> Result<CommandError, CommandError> {
    let (from, to) = (
        local_minute(config, request.from),
        local_minute(config, request.to),
    );
    let of = request
        .product
        .as_ref()
        .map_or_else(String::new, |name| format!(" of the product '{name}'"));
    let there = match reader.span()? {
        Some((first, last)) => format!(
            "the record has events from {} to {}",
            local_minute(config, first),
            local_minute(config, last)
        ),
        None => "the record has no events yet".to_owned(),
    };
    Ok(CommandError::Refused(format!(
        "there is no point{of} from {from} up to {to}; {there}"
    )))
}
