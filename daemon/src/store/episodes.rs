//! Episodes as the engine tells them, and the alerts that gather those with one cause.
//!
//! Knows how episodes are kept, not when two have one cause: the engine says that. The one
//! invariant: after every batch each episode that stands belongs to the alert that it would belong
//! to if all episodes had become known at once.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use rusqlite::{OptionalExtension, Row, Transaction, params};

use super::commit::AlertNews;
use super::form::side_name;
use super::life::{self, Suppression};
use super::ready::stream_id;
use crate::config::Config;
use crate::engine::{
    AlertFacts, CauseGroup, Effects, GROUP_US_MAX, Kin, StreamName, Trace, grouped,
};

/// How much farther an alert has to be out than when it was last told, to be told again: by half,
/// and by this many sigma.
const WORSE_SIGMA: f64 = 1.0;

/// What a batch has changed so far.
#[derive(Debug)]
pub(super) struct Changed {
    /// The time from which on episodes may belong elsewhere.
    since: i64,
    /// Episodes that are new or changed.
    episodes: BTreeSet<i64>,
}

impl Changed {
    pub(super) fn nothing() -> Changed {
        Changed {
            since: i64::MAX,
            episodes: BTreeSet::new(),
        }
    }

    fn note(&mut self, episode: i64, since: i64) {
        self.episodes.insert(episode);
        self.since = self.since.min(since);
    }
}

/// Writes the episodes that are new, changed or withdrawn.
pub(super) fn write(
    to: &Transaction,
    effects: &Effects,
    changed: &mut Changed,
) -> rusqlite::Result<()> {
    for (stream, at, unit) in &effects.withdrawn {
        let id: i64 = to
            .prepare_cached(
                "UPDATE episode SET revised = 1 WHERE stream = ?1 AND first_at = ?2
                     AND first_unit = ?3 RETURNING id",
            )?
            .query_row(params![stream_id(*stream), at, unit.as_ref()], |row| {
                row.get(0)
            })?;
        changed.note(id, *at);
    }
    for facts in &effects.alerts {
        write_one(to, facts, changed)?;
    }
    Ok(())
}

fn write_one(to: &Transaction, facts: &AlertFacts, changed: &mut Changed) -> rusqlite::Result<()> {
    let key = params![
        stream_id(facts.stream),
        facts.first_at,
        facts.first_unit.as_ref()
    ];
    let known: Option<(Option<i64>, bool)> = to
        .prepare_cached(
            "SELECT returned_at, revised FROM episode
             WHERE stream = ?1 AND first_at = ?2 AND first_unit = ?3",
        )?
        .query_row(key, |row| Ok((row.get(0)?, row.get(1)?)))
        .optional()?;
    let id: i64 = to
        .prepare_cached(
            "INSERT INTO episode (stream, first_at, first_unit, last_at, signals, rules, side,
                 size_sigma, size_value, returned_at)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)
             ON CONFLICT (stream, first_at, first_unit) DO UPDATE SET last_at = excluded.last_at,
                 signals = excluded.signals, rules = excluded.rules, side = excluded.side,
                 size_sigma = excluded.size_sigma, size_value = excluded.size_value,
                 returned_at = excluded.returned_at, revised = 0
             RETURNING id",
        )?
        .query_row(
            params![
                stream_id(facts.stream),
                facts.first_at,
                facts.first_unit.as_ref(),
                facts.last_at,
                facts.signals,
                facts.rules,
                side_name(facts.side),
                facts.size_sigma,
                facts.size_value,
                facts.returned_at,
            ],
            |row| row.get(0),
        )?;
    if let Some(since) = facts.since {
        to.prepare_cached("INSERT OR REPLACE INTO episode_since VALUES (?1, ?2)")?
            .execute([id, since])?;
    } else {
        to.prepare_cached("DELETE FROM episode_since WHERE episode = ?1")?
            .execute([id])?;
    }
    let end = |at: Option<i64>| at.unwrap_or(i64::MAX);
    let since = match known {
        Some((before, false)) if before == facts.returned_at => i64::MAX,
        // Who began before both ends was judged beside an active episode then as now.
        Some((before, false)) => end(before).min(end(facts.returned_at)),
        _ => facts.first_at,
    };
    changed.note(id, since);
    Ok(())
}

/// Sorts what has changed into alerts, and says what became of these.
pub(super) fn gather(
    to: &Transaction,
    (config, names): (&Config, &[StreamName]),
    (changed, heard): (&Changed, Heard),
    now: i64,
) -> rusqlite::Result<Vec<AlertNews>> {
    let mut gathering = Gathering {
        to,
        config,
        names,
        heard,
        now,
        kin: BTreeMap::new(),
        touched: BTreeSet::new(),
        news: Vec::new(),
    };
    if changed.since < i64::MAX {
        gathering.regroup(changed.since)?;
    }
    for episode in &changed.episodes {
        let alert: Option<i64> = to
            .prepare_cached("SELECT alert FROM episode WHERE id = ?1 AND revised = 0")?
            .query_row([episode], |row| row.get(0))
            .optional()?
            .flatten();
        gathering.touched.extend(alert);
    }
    for alert in std::mem::take(&mut gathering.touched) {
        gathering.refresh(alert)?;
    }
    life::verify(to, config.alerts.verify_points, now, &mut |alert, what| {
        gathering.tell(alert, (what, ""), Heard::ByAll)
    })?;
    Ok(gathering.news)
}

/// One batch's alerts while they are brought up to date.
struct Gathering<'a> {
    to: &'a Transaction<'a>,
    config: &'a Config,
    names: &'a [StreamName],
    heard: Heard,
    now: i64,
    kin: BTreeMap<i64, Arc<Kin>>,
    touched: BTreeSet<i64>,
    news: Vec<AlertNews>,
}

/// An episode as it is kept: its trace, and the alert it belonged to.
type Kept = (Trace, Option<i64>);

impl Gathering<'_> {
    fn kin(&mut self, stream: i64) -> Arc<Kin> {
        let place = usize::try_from(stream - 1).unwrap_or_default();
        let fresh = || Arc::new(Kin::of(self.config, &self.names[place]));
        Arc::clone(self.kin.entry(stream).or_insert_with(fresh))
    }

    fn kept(&mut self, condition: &str, since: i64) -> rusqlite::Result<Vec<Kept>> {
        let sql = format!(
            "SELECT e.id, e.stream, e.first_at, e.first_unit, e.returned_at, s.label, e.alert
             FROM episode e JOIN stream s ON s.id = e.stream LEFT JOIN alert a ON a.id = e.alert
             WHERE e.revised = 0 AND {condition}"
        );
        let mut query = self.to.prepare_cached(&sql)?;
        let mut rows = query.query(params![since, since.saturating_sub(GROUP_US_MAX)])?;
        let mut found = Vec::new();
        while let Some(row) = rows.next()? {
            let trace = Trace {
                episode: row.get(0)?,
                first_at: row.get(2)?,
                first_unit: Arc::from(row.get::<_, String>(3)?),
                stream: Arc::from(row.get::<_, String>(5)?),
                returned_at: row.get(4)?,
                kin: self.kin(row.get(1)?),
            };
            found.push((trace, row.get(6)?));
        }
        Ok(found)
    }

    /// Sorts the episodes from a time on anew.
    fn regroup(&mut self, since: i64) -> rusqlite::Result<()> {
        let standing = self.kept(
            "e.first_at < ?1 AND e.first_at >= ?2 AND a.first_at >= ?2",
            since,
        )?;
        let later = self.kept("e.first_at >= ?1 AND ?2 IS NOT NULL", since)?;
        let both = standing.iter().chain(&later);
        let before: BTreeMap<i64, i64> = both
            .filter_map(|(trace, alert)| Some((trace.episode, (*alert)?)))
            .collect();
        let mut groups: BTreeMap<i64, CauseGroup> = BTreeMap::new();
        for (trace, alert) in standing {
            let empty = CauseGroup {
                members: Vec::new(),
            };
            let of = groups.entry(alert.unwrap_or_default()).or_insert(empty);
            of.members.push(trace);
        }
        let later = later.into_iter().map(|(trace, _)| trace).collect();
        let near = self.config.alerts.near_us;
        let groups = grouped(groups.into_values().collect(), later, near);
        let owners = self.owners(&groups, &before, since)?;
        self.leave_empty(&owners, &before, since)
    }

    /// Gives each group its alert: those that stand keep theirs, others take over that of their
    /// first member which has none yet, or a new one.
    fn owners(
        &mut self,
        groups: &[CauseGroup],
        before: &BTreeMap<i64, i64>,
        since: i64,
    ) -> rusqlite::Result<BTreeMap<i64, i64>> {
        let stands = |group: &&CauseGroup| group.members[0].first_at < since;
        let mut taken: BTreeSet<i64> = groups
            .iter()
            .filter(stands)
            .filter_map(|group| before.get(&group.members[0].episode).copied())
            .collect();
        let mut owners = BTreeMap::new();
        for group in groups {
            let mut known = group.members.iter();
            let known = known.find_map(|one| {
                let alert = before.get(&one.episode).copied()?;
                (stands(&group) || !taken.contains(&alert)).then_some(alert)
            });
            let alert = match known {
                Some(alert) => alert,
                None => self.found(&group.members[0])?,
            };
            taken.insert(alert);
            self.touched.insert(alert);
            for one in &group.members {
                owners.insert(one.episode, alert);
                if before.get(&one.episode) != Some(&alert) {
                    self.to
                        .prepare_cached("UPDATE episode SET alert = ?2 WHERE id = ?1")?
                        .execute([one.episode, alert])?;
                }
            }
        }
        Ok(owners)
    }

    /// A new alert, of which nothing has been told.
    fn found(&self, first: &Trace) -> rusqlite::Result<i64> {
        self.to
            .prepare_cached(
                "INSERT INTO alert (lead, first_at, severity, raised_at, told_sigma, told_members)
                 VALUES (?1, ?2, 0, ?3, 0, 0)",
            )?
            .execute(params![first.episode, first.first_at, self.now])?;
        Ok(self.to.last_insert_rowid())
    }

    /// Alerts that have no episode any more: late data took their ground, or joined them with
    /// another.
    fn leave_empty(
        &mut self,
        owners: &BTreeMap<i64, i64>,
        before: &BTreeMap<i64, i64>,
        since: i64,
    ) -> rusqlite::Result<()> {
        let concerned: Vec<i64> = self
            .to
            .prepare_cached(
                "SELECT DISTINCT alert FROM episode WHERE first_at >= ?1 AND alert IS NOT NULL",
            )?
            .query_map([since], |row| row.get(0))?
            .collect::<rusqlite::Result<_>>()?;
        let used: BTreeSet<i64> = owners.values().copied().collect();
        let all = before.values().copied().chain(concerned);
        let gone: BTreeSet<i64> = all.filter(|alert| !used.contains(alert)).collect();
        for alert in gone {
            let stands: bool = self
                .to
                .prepare_cached(
                    "SELECT EXISTS (SELECT 1 FROM episode WHERE alert = ?1 AND revised = 0)
                         OR (SELECT revised FROM alert WHERE id = ?1)",
                )?
                .query_row([alert], |row| row.get(0))?;
            if stands {
                continue;
            }
            let moved = before.iter().find(|(_, owner)| **owner == alert);
            let into = moved.and_then(|(episode, _)| owners.get(episode)).copied();
            self.to
                .prepare_cached("UPDATE alert SET revised = 1, merged_into = ?2 WHERE id = ?1")?
                .execute(params![alert, into])?;
            let words = into.map_or_else(String::new, |into| format!("merged into A-{into:04}"));
            self.tell(alert, ("revised", &words), Heard::ByAll)?;
        }
        Ok(())
    }

    /// Brings what is kept of an alert up to date with its episodes.
    fn refresh(&mut self, alert: i64) -> rusqlite::Result<()> {
        let members: Vec<Member> = self
            .to
            .prepare_cached(
                "SELECT e.id, e.stream, e.first_at, e.returned_at, e.size_sigma, s.label
                 FROM episode e JOIN stream s ON s.id = e.stream
                 WHERE e.alert = ?1 AND e.revised = 0",
            )?
            .query_map([alert], |row| Member::read(row, self))?
            .collect::<rusqlite::Result<_>>()?;
        let Some(now) = Summary::of(&members) else {
            return Ok(());
        };
        let before: Before = self
            .to
            .prepare_cached(
                "SELECT returned_at IS NOT NULL, revised, severity, told_sigma, told_members,
                     suppressed IS NOT NULL
                 FROM alert WHERE id = ?1",
            )?
            .query_row([alert], Before::read)?;
        let suppressed = self.suppressed(&members)?;
        let happened = happened(&before, &now, suppressed.as_deref());
        let (sigma, count) = match happened.is_empty() {
            true => (before.told_sigma, before.told_members),
            false => (now.sigma.max(before.told_sigma), now.members),
        };
        self.to
            .prepare_cached(
                "UPDATE alert SET lead = ?2, first_at = ?3, returned_at = ?4, severity = ?5,
                     revised = 0, merged_into = NULL, told_sigma = ?6, told_members = ?7,
                     suppressed = ?8, reminded_at = CASE WHEN ?9 THEN ?10 ELSE reminded_at END
                 WHERE id = ?1",
            )?
            .execute(params![
                alert,
                now.lead,
                now.first_at,
                now.returned_at,
                now.severity,
                sigma,
                count,
                suppressed,
                !happened.is_empty(),
                self.now
            ])?;
        for (what, words, heard) in &happened {
            self.tell(alert, (what, words), *heard)?;
        }
        Ok(())
    }

    /// Why nobody is called: every stream is out of service, or comes after a changeover.
    fn suppressed(&self, members: &[Member]) -> rusqlite::Result<Option<String>> {
        let suppression = Suppression::new(self.to, self.config);
        let mut why = None;
        for one in members {
            let place = usize::try_from(one.stream - 1).unwrap_or_default();
            why = suppression.why((one.stream, &self.names[place]), one.first_at)?;
            if why.is_none() {
                break;
            }
        }
        Ok(why.map(str::to_owned))
    }

    /// Nobody hears of an alert that is shelved or suppressed, nor of history; the record does.
    fn tell(
        &mut self,
        alert: i64,
        (what, words): (&'static str, &str),
        heard: Heard,
    ) -> rusqlite::Result<()> {
        self.to
            .prepare_cached(
                "INSERT INTO alert_event (alert, at, what, who, comment, quiet)
                 SELECT id, ?2, ?3, 'driftvane', ?4,
                     ?5 OR suppressed IS NOT NULL OR coalesce(shelved_until > ?2, 0)
                 FROM alert WHERE id = ?1",
            )?
            .execute(params![
                alert,
                self.now,
                what,
                words,
                heard == Heard::ByNone || self.heard == Heard::ByNone
            ])?;
        let label = self
            .to
            .prepare_cached(
                "SELECT s.label FROM alert a JOIN episode e ON e.id = a.lead
                     JOIN stream s ON s.id = e.stream WHERE a.id = ?1",
            )?
            .query_row([alert], |row| row.get(0))?;
        self.news.push(AlertNews {
            alert,
            stream: label,
            what,
        });
        Ok(())
    }
}

/// Whether news leave, or are for the record only.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Heard {
    /// They leave by every channel that wants them.
    ByAll,
    /// They stand in the record and in its file of alerts.
    ByNone,
}

/// An episode of an alert, as far as it decides what the alert says.
struct Member {
    id: i64,
    stream: i64,
    /// The place of its characteristic in the configuration.
    characteristic: usize,
    severity: u8,
    first_at: i64,
    returned_at: Option<i64>,
    size: f64,
    label: String,
}

impl Member {
    fn read(row: &Row, of: &Gathering) -> rusqlite::Result<Member> {
        let stream: i64 = row.get(1)?;
        let place = usize::try_from(stream - 1).unwrap_or_default();
        let characteristic = of.names[place].characteristic;
        Ok(Member {
            id: row.get(0)?,
            stream,
            characteristic,
            severity: of.config.characteristics[characteristic].severity as u8,
            first_at: row.get(2)?,
            returned_at: row.get(3)?,
            size: row.get::<_, f64>(4)?.abs(),
            label: row.get(5)?,
        })
    }
}

/// What the episodes of an alert add up to.
struct Summary {
    lead: i64,
    first_at: i64,
    returned_at: Option<i64>,
    severity: u8,
    sigma: f64,
    members: i64,
}

impl Summary {
    /// Of those that moved at least half as far as the farthest, the first characteristic of the
    /// configuration says most: causes stand there before what follows from them.
    fn of(members: &[Member]) -> Option<Summary> {
        let sigma = members.iter().map(|one| one.size).fold(0.0, f64::max);
        let lead = members
            .iter()
            .filter(|one| one.size >= sigma / 2.0)
            .min_by(|a, b| {
                let first = a.characteristic.cmp(&b.characteristic);
                first
                    .then(b.size.total_cmp(&a.size))
                    .then(a.first_at.cmp(&b.first_at))
                    .then(a.label.cmp(&b.label))
            })?;
        let returned: Option<Vec<i64>> = members.iter().map(|one| one.returned_at).collect();
        Some(Summary {
            lead: lead.id,
            first_at: members.iter().map(|one| one.first_at).min()?,
            returned_at: returned.and_then(|all| all.into_iter().max()),
            severity: members.iter().map(|one| one.severity).max()?,
            sigma,
            members: i64::try_from(members.len()).unwrap_or(i64::MAX),
        })
    }
}

/// What was kept of an alert before.
struct Before {
    is_returned: bool,
    is_revised: bool,
    is_suppressed: bool,
    severity: u8,
    told_sigma: f64,
    told_members: i64,
}

impl Before {
    fn read(row: &Row) -> rusqlite::Result<Before> {
        Ok(Before {
            is_returned: row.get(0)?,
            is_revised: row.get(1)?,
            severity: row.get(2)?,
            told_sigma: row.get(3)?,
            told_members: row.get(4)?,
            is_suppressed: row.get(5)?,
        })
    }
}

/// What has happened to an alert: an alert that grows is told again only where it is worse.
fn happened(
    before: &Before,
    now: &Summary,
    suppressed: Option<&str>,
) -> Vec<(&'static str, String, Heard)> {
    let streams = || match (suppressed, now.members) {
        (Some(why), _) => format!("suppressed: {why}"),
        (None, 1) => String::new(),
        (None, members) => format!("{members} streams"),
    };
    let mut all = Vec::new();
    let is_new = before.told_members == 0;
    let is_worse = now.sigma >= 1.5 * before.told_sigma
        && now.sigma >= before.told_sigma + WORSE_SIGMA
        || now.severity > before.severity;
    let is_active = now.returned_at.is_none();
    let speaks = before.is_suppressed && suppressed.is_none();
    if is_new || before.is_revised || speaks {
        all.push(("raised", streams(), Heard::ByAll));
    } else if before.is_returned && is_active {
        all.push(("raised again", streams(), Heard::ByAll));
    } else if is_worse && is_active {
        let words = format!(
            "up to {:.1} sigma, {:.1} when it was told last",
            now.sigma, before.told_sigma
        );
        all.push(("worsened", words, Heard::ByAll));
    } else if now.members >= 2 * before.told_members {
        all.push(("grew", streams(), Heard::ByNone));
    }
    if now.returned_at.is_some() && (is_new || before.is_revised || !before.is_returned) {
        all.push(("returned", String::new(), Heard::ByAll));
    }
    all
}
