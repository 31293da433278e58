//! Reads the configuration file and reports every problem at once.
//!
//! Knows the keys of the file, but touches no folder and no other file. The invariant: a
//! [`Config`] comes out only where no problem was found.

use std::fmt;
use std::path::{Path, PathBuf};

use jiff::civil::Time;
use jiff::tz::TimeZone;
use reports::speech::Language;
use toml::de::DeTable;

use super::{Alerting, Config, Keep, Shift};
use crate::shifts::file_part;
pub use table::Problem;
use table::{Item, Sink, Table, Unique};

mod alerting;
mod baseline;
mod channel;
mod characteristic;
mod feed;
mod gauge;
mod product;
mod roles;
mod serve;
mod short_run;
mod subject;
mod table;
#[cfg(test)]
mod tests;
mod time;

/// All that is wrong with a configuration file, in the order of its lines.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub struct Problems {
    /// The problems; at least one.
    pub list: Vec<Problem>,
}

impl fmt::Display for Problems {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, problem) in self.list.iter().enumerate() {
            if index > 0 {
                writeln!(f)?;
            }
            write!(f, "{problem}")?;
        }
        Ok(())
    }
}

/// Reads a configuration. Relative folders start at `base_folder`, the folder of the file.
///
/// # Errors
/// Every problem at once; only what breaks TOML itself hides what else there may be.
pub fn read(text: &str, base_folder: &Path) -> Result<Config, Problems> {
    // A byte order mark is what some editors write; it is no part of the text.
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let sink = Sink::new(text);
    let document = match DeTable::parse(text) {
        Ok(document) => document,
        Err(fault) => {
            let at = fault.span().map_or(0, |span| span.start);
            let message = fault.message().replace('\n', ", ");
            sink.report(
                at,
                "",
                format!("is not TOML: {message}"),
                "correct this line".to_owned(),
            );
            return Err(Problems {
                list: sink.into_list(),
            });
        }
    };
    let top = Table::new(document.get_ref(), 0, String::new(), &sink);
    let config = read_top(&top, base_folder);
    let list = sink.into_list();
    match config {
        Some(config) if list.is_empty() => Ok(config),
        _ => Err(Problems { list }),
    }
}

fn read_top(top: &Table<'_>, base: &Path) -> Option<Config> {
    let plant = top.need("plant", "{ name = \"...\", time_zone = \"...\" }");
    let plant = plant.and_then(|item| item.table());
    let plant = plant.and_then(|table| read_plant(&table));
    let zone = plant.as_ref().map(|plant| plant.zone.clone());
    let shifts = read_shifts(top);
    let alerts = top.table("alerts");
    let places = read_places(top, base, alerts.as_ref());

    let product_tables = top.tables("product");
    let names = product::names(&product_tables);
    let context = feed::Context {
        base,
        zone,
        products: &names,
        places: &places,
        shifts: &shifts,
    };
    let (feeds, offers) = feed::read_all(top, &context);
    // A feed whose line is faulty may be of any.
    let lines = offers.iter().map(|offer| offer.line.as_deref()).collect();
    let channels = channel::read_all(alerts.as_ref(), (base, &places.alert_file), lines);
    let (products, families) = product::read_all(&product_tables, &offers);
    let known = characteristic::Known {
        offers,
        products: &products,
        names: &names,
        families,
    };
    let characteristics = characteristic::read_all(top, &known);
    let gauges = gauge::read_all(top, base, &known.offers);
    let limits = top.table("limits");
    let limits_need_approval = limits.is_some_and(|table| read_approval(&table));
    let serve = top.table("serve");
    let serve = serve.and_then(|table| serve::read(&table, base));
    for table in alerts.iter().chain([top]) {
        table.finish();
    }
    let plant = plant?;
    Some(Config {
        plant: plant.name,
        zone: plant.zone,
        locale: plant.locale,
        lateness_us: plant.lateness_us,
        shifts,
        products,
        feeds,
        characteristics,
        gauges,
        data_folder: places.data,
        keep: places.keep,
        report_folder: places.reports,
        template_folder: places.templates,
        channels,
        false_alerts_per_shift: places.false_alerts?,
        alerts: places.alerting?,
        limits_need_approval,
        serve,
    })
}

/// Whether someone else has to approve changes of limits.
fn read_approval(table: &Table<'_>) -> bool {
    let need = table.flag_or("need_approval", false);
    table.finish();
    need
}

struct Plant {
    name: String,
    zone: TimeZone,
    locale: Language,
    lateness_us: i64,
}

fn read_plant(table: &Table<'_>) -> Option<Plant> {
    let name = table.text("name", "\"Plant\"");
    let zone = table
        .need("time_zone", "\"Europe/Vienna\"")
        .and_then(|item| read_zone(&item));
    let locale = table.get("locale");
    let locale = locale.map_or(Some(Language::English), |item| read_locale(&item));
    // A week: what is later than that is no delay but another story.
    let lateness = table.whole_or("lateness_minutes", 0..=10_080, 60);
    table.finish();
    let lateness_us = i64::from(lateness) * 60_000_000;
    Some(Plant {
        name: name?,
        zone: zone?,
        locale: locale?,
        lateness_us,
    })
}

fn read_locale(item: &Item<'_>) -> Option<Language> {
    let name = item.text()?;
    let known = Language::ALL
        .into_iter()
        .find(|language| language.code() == name);
    if known.is_none() {
        let codes = Language::ALL.map(|language| format!("{:?}", language.code()));
        item.fault(
            format!("reports are not written in {name:?}"),
            format!("write one of {}", codes.join(", ")),
        );
    }
    known
}

fn read_zone(item: &Item<'_>) -> Option<TimeZone> {
    let name = item.text()?;
    let zone = TimeZone::get(&name).ok();
    if zone.is_none() {
        let fix =
            "write a name of the IANA time zone database, such as \"Europe/Vienna\" or \"UTC\"";
        item.fault(format!("no time zone is called {name:?}"), fix);
    }
    zone
}

fn read_shifts(top: &Table<'_>) -> Vec<Shift> {
    let tables = top.need_tables("shift", "add [[shift]] with name and starts");
    let mut names = Unique::new("a shift named");
    let mut files = Unique::new("a shift whose reports are called");
    let mut starts = Unique::new("a shift that starts at");
    let mut shifts: Vec<Shift> = Vec::new();
    for table in &tables {
        let name = table.need("name", "\"early\"");
        let start = table.need("starts", "\"06:00\"");
        table.finish();
        let name = name.and_then(|item| {
            let name = item.text()?;
            names.add(&name, &item);
            // The same name is a problem already.
            if !shifts.iter().any(|shift: &Shift| shift.name == name) {
                files.add(&file_part(&name), &item);
            }
            Some(name)
        });
        let start = start.and_then(|item| {
            let time = read_clock(&item)?;
            starts.add(&time.strftime("%H:%M").to_string(), &item);
            Some(time)
        });
        if let (Some(name), Some(starts)) = (name, start) {
            shifts.push(Shift { name, starts });
        }
    }
    shifts.sort_by_key(|shift| shift.starts);
    shifts
}

fn read_clock(item: &Item<'_>) -> Option<Time> {
    let text = item.text()?;
    let time = Time::strptime("%H:%M", &text).ok();
    if time.is_none() {
        item.fault(
            format!("{text:?} is no time of day"),
            "write hours and minutes: \"06:00\"",
        );
    }
    time
}

/// Where the program writes, and what it does about alerts.
struct Places {
    data: PathBuf,
    keep: Keep,
    reports: PathBuf,
    templates: Option<PathBuf>,
    alert_file: PathBuf,
    false_alerts: Option<f64>,
    alerting: Option<Alerting>,
}

fn read_places(top: &Table<'_>, base: &Path, alerts: Option<&Table<'_>>) -> Places {
    let path_in = |table: Option<&Table<'_>>, key: &'static str| {
        table
            .and_then(|table| table.text_if(key))
            .map(|text| resolve(base, &text))
    };
    let (store, reports) = (top.table("store"), top.table("reports"));
    let data = path_in(store.as_ref(), "folder").unwrap_or_else(|| resolve(base, "driftvane-data"));
    let report_folder = path_in(reports.as_ref(), "folder").unwrap_or_else(|| data.join("reports"));
    let templates = path_in(reports.as_ref(), "templates");
    let alert_file = path_in(alerts, "file").unwrap_or_else(|| data.join("alerts.jsonl"));
    let keep = store.as_ref().map(read_keep).unwrap_or_default();
    let allowed = alerts.and_then(|table| table.get("false_alerts_per_shift"));
    let false_alerts = allowed.map_or(Some(1.0), |item| read_allowed(&item));
    let alerting = alerting::read(alerts);
    for table in [store, reports].into_iter().flatten() {
        table.finish();
    }
    Places {
        data,
        keep,
        reports: report_folder,
        templates,
        alert_file,
        false_alerts,
        alerting,
    }
}

/// How long data are kept, in days.
fn read_keep(table: &Table<'_>) -> Keep {
    // A hundred years.
    let days = |key| {
        let item = table.get(key)?;
        let days = item.whole(&(1..=36_500))?;
        Some((i64::from(days) * 86_400_000_000, item))
    };
    let (readings, points) = (days("keep_readings_days"), days("keep_points_days"));
    let evidence = days("keep_evidence_days");
    if let Some((us, item)) = &evidence {
        match &points {
            None => item.fault(
                "is the time of some points where all are kept",
                "add keep_points_days, or take it out",
            ),
            Some((points_us, _)) if us < points_us => item.fault(
                "is shorter than keep_points_days",
                "write at least as many days: points around alerts are kept longer, not shorter",
            ),
            Some(_) => {}
        }
    }
    let us = |days: Option<(i64, Item<'_>)>| days.map(|(us, _)| us);
    Keep {
        readings_us: us(readings),
        points_us: us(points),
        evidence_us: us(evidence),
    }
}

fn read_allowed(item: &Item<'_>) -> Option<f64> {
    let allowed = item.number()?;
    let is_budget = (0.001..=1_000.0).contains(&allowed);
    if !is_budget {
        let fix = "write how many a line may have in a shift on average, from 0.001 to 1000";
        item.fault("is out of range", fix);
    }
    is_budget.then_some(allowed)
}

/// A path of the file, made absolute.
fn resolve(base: &Path, text: &str) -> PathBuf {
    let joined = base.join(text);
    std::path::absolute(&joined).unwrap_or(joined)
}
