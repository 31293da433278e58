//! What the figures were made of: files with their digests, segments of the archive, and what was
//! let go.
//!
//! Opens nothing. The one invariant: each file stands in exactly one of windows that follow one
//! another, as in the shift reports.

use std::collections::BTreeMap;

use reports::audit::view::{AuditFeed, AuditPack};

use super::bounded::Rows;
use super::hex;
use super::scope::Scope;
use crate::commands::{CommandError, local_minute, utc};
use crate::config::Config;
use crate::store::Reader;
use crate::store::query::FileRow;

/// The tables of files, segments and what was let go.
pub(super) fn sheets(
    view: &mut AuditPack,
    (config, reader): (&Config, &Reader),
    scope: &Scope,
) -> Result<Vec<Rows>, CommandError> {
    let mut segments = Rows::new("segments", 1, &["segment", "rows", "BLAKE3"]);
    for one in &scope.segments {
        let digest = hex(&one.digest);
        segments.push(vec![
            one.path.as_str().into(),
            one.rows.into(),
            digest.into(),
        ]);
    }
    view.segments = scope.segments.len() as u64;
    view.segment_rows = scope.segments.iter().map(|one| one.rows).sum();
    let columns = ["number", "what", "before", "how many", "when"];
    let mut let_go = Rows::new("let go", 1, &columns);
    for (number, one) in (1u64..).zip(reader.let_go_since(scope.window.0)?) {
        view.let_go.push(format!(
            "{} {} before {} were let go on {}, as the configuration asks: figures rest on what is \
             left.",
            one.count,
            one.class,
            local_minute(config, one.before),
            local_minute(config, one.at)
        ));
        let_go.push(vec![
            number.into(),
            one.class.into(),
            utc(one.before).into(),
            one.count.into(),
            utc(one.at).into(),
        ]);
    }
    Ok(vec![
        files(view, (config, reader), scope)?,
        segments,
        let_go,
    ])
}

fn files(
    view: &mut AuditPack,
    (config, reader): (&Config, &Reader),
    scope: &Scope,
) -> Result<Rows, CommandError> {
    let mut rows = Rows::new(
        "files",
        1,
        &[
            "number",
            "feed",
            "file",
            "from byte",
            "to byte",
            "BLAKE3",
            "verdict",
            "rows read",
            "rows used",
            "rows rejected",
            "rows repeated",
            "why set aside",
        ],
    );
    // A feed that the configuration does not have any more may have brought rows of the window.
    let is_wanted = |file: &FileRow| {
        let feed = config.feeds.iter().find(|feed| feed.name == file.feed);
        let has_part = feed.is_none_or(|feed| scope.stations.contains(&feed.station));
        has_part || !scope.is_one_product
    };
    let mut feeds: BTreeMap<String, (AuditFeed, blake3::Hasher)> = BTreeMap::new();
    for file in reader.files(scope.window.0, scope.window.1)? {
        if !is_wanted(&file) {
            continue;
        }
        let (sum, digest) = feeds.entry(file.feed.clone()).or_default();
        digest.update(&file.hash);
        count(sum, &file);
        let [read, used, rejected, repeated] = file.rows;
        rows.push(vec![
            u64::try_from(file.id).unwrap_or(0).into(),
            file.feed.as_str().into(),
            file.path.as_str().into(),
            file.from_byte.into(),
            file.to_byte.into(),
            hex(&file.hash).into(),
            file.verdict.as_str().into(),
            read.into(),
            used.into(),
            rejected.into(),
            repeated.into(),
            file.trouble
                .map(|(code, reason)| format!("{reason} ({code})"))
                .into(),
        ]);
    }
    let shown = feeds.into_iter().map(|(feed, (sum, digest))| AuditFeed {
        feed,
        digest: digest.finalize().to_hex().to_string(),
        ..sum
    });
    view.feeds = shown.collect();
    Ok(rows)
}

fn count(sum: &mut AuditFeed, file: &FileRow) {
    match file.verdict.as_str() {
        "accepted" => sum.accepted += 1,
        "accepted_with_rejects" => sum.with_rejects += 1,
        "duplicate" => sum.duplicate += 1,
        _ => sum.quarantined += 1,
    }
    let [read, used, rejected, repeated] = file.rows;
    sum.rows_read += read;
    sum.rows_used += used;
    sum.rows_rejected += rejected;
    sum.rows_duplicate += repeated;
}
