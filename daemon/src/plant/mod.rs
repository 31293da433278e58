//! An invented plant that writes result files: every name and number in it is made up.
//!
//! It feeds the demo, the system tests and the benchmarks. It must not know how results are read
//! or judged: nothing here depends on feeds, engine or store. Invariant: for one set of settings
//! and one seed the files are the same, byte for byte, on every machine and in any order of
//! writing.

use std::fmt;
use std::io::{self, Write};

use jiff::Timestamp;

mod clock;
mod function;
mod optical;
mod paste;
mod random;
mod settings;
#[cfg(test)]
mod tests;

use clock::Clock;
use settings::Settings;

const EMBEDDED: &str = include_str!("../../../sample-feeds/plant.toml");

/// Why a plant cannot be set up or asked for what it was asked.
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub enum PlantError {
    /// The settings are not TOML of the expected layout; the text says where.
    Toml(String),
    /// The settings can be read but make no plant; one text for each problem.
    Settings(Vec<String>),
    /// More rows a panel were asked for than the panel has deposits, or none.
    Rows {
        /// Rows asked for.
        asked: u32,
        /// Deposits of one panel.
        deposits: u32,
    },
}

impl fmt::Display for PlantError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Toml(text) => write!(f, "plant settings cannot be read: {text}"),
            Self::Settings(problems) => {
                write!(f, "plant settings are wrong: {}", problems.join("; "))
            }
            Self::Rows { asked, deposits } => write!(
                f,
                "{asked} rows a panel cannot be written: a panel of this plant has {deposits} \
                 deposits; ask for 1 to {deposits}"
            ),
        }
    }
}

impl std::error::Error for PlantError {}

/// A piece of a result file, as a station writes it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Delivery {
    /// When the station writes it; also the event time of its rows, to the second.
    pub at: Timestamp,
    /// The station and the folder it writes to: `paste`, `optical` or `function`.
    pub station: &'static str,
    /// The name of the file in that folder.
    pub file_name: String,
    /// What is written.
    pub content: Vec<u8>,
    /// True: add to the end of the file; false: the file is new.
    pub append: bool,
}

/// A fault the settings have planted, for telling whether it was found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Planted {
    /// Its name in the settings.
    pub name: String,
    /// The station whose results show it.
    pub station: &'static str,
    /// What happens, in words.
    pub what: String,
    /// The stratum it is confined to, like `stroke=back`.
    pub key: String,
    /// The first panel affected.
    pub from_panel: String,
    /// The event time of the first result affected.
    pub from_at: Timestamp,
    /// The event time of the last result affected; none where the fault lasts.
    pub last_at: Option<Timestamp>,
    /// What it moves: measures, test steps, or `calls` and `confirmed`.
    pub measures: Vec<String>,
    /// All strata it is confined to.
    pub strata: Vec<(&'static str, String)>,
}

/// The independent sources of randomness; the number is part of the output, so it must not change.
#[derive(Clone, Copy)]
enum Stream {
    Clock = 1,
    Pads = 2,
    Paste = 3,
    Optical = 4,
    Function = 5,
}

struct Deposit {
    component: String,
    pin: u32,
    family: usize,
    /// The component and pin fields, comma between.
    text: String,
}

/// The deposits of one board, in the order the station visits them.
struct Layout {
    deposits: Vec<Deposit>,
    /// The position field with its comma, by position from 0.
    position_texts: Vec<String>,
}

impl Layout {
    fn new(settings: &Settings) -> Self {
        let mut deposits = Vec::new();
        for group in &settings.component {
            let found = settings
                .family
                .iter()
                .position(|family| family.name == group.family);
            // The settings are checked to name an existing family.
            let family = found.unwrap_or(0);
            for (number, pin) in
                (1..=group.count).flat_map(|n| (1..=group.pins).map(move |p| (n, p)))
            {
                let component = format!("{}{number}", group.prefix);
                let text = format!("{component},{pin}");
                deposits.push(Deposit {
                    component,
                    pin,
                    family,
                    text,
                });
            }
        }
        let position_texts = (1..=settings.plant.boards)
            .map(|p| format!("{p},"))
            .collect();
        Self {
            deposits,
            position_texts,
        }
    }
}

fn panel_id(panel: u32) -> String {
    format!("P{panel:06}")
}

/// The invented plant.
pub struct Plant {
    settings: Settings,
    clock: Clock,
    layout: Layout,
}

impl fmt::Debug for Plant {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Plant")
            .field("settings", &self.settings)
            .finish_non_exhaustive()
    }
}

impl Plant {
    /// The same plant with nothing planted: production as it mostly is.
    #[must_use]
    pub fn undisturbed(mut self) -> Plant {
        self.settings.paste_drift.clear();
        self.settings.defect_burst.clear();
        self.settings.fixture_step.clear();
        self
    }

    /// The plant of `sample-feeds/plant.toml`, as it was when the program was built.
    ///
    /// # Errors
    /// As for [`Plant::from_toml`].
    pub fn embedded() -> Result<Self, PlantError> {
        Self::from_toml(EMBEDDED)
    }

    /// A plant with other settings; `sample-feeds/plant.toml` shows all of them.
    ///
    /// # Errors
    /// [`PlantError::Toml`] or [`PlantError::Settings`] with everything that is wrong.
    pub fn from_toml(text: &str) -> Result<Self, PlantError> {
        let settings = Settings::from_toml(text)?;
        let clock = Clock::new(&settings)?;
        let layout = Layout::new(&settings);
        Ok(Self {
            settings,
            clock,
            layout,
        })
    }

    /// The name the settings give the plant.
    pub fn name(&self) -> &str {
        &self.settings.plant.name
    }

    /// How many panels [`Plant::deliveries`] covers.
    pub fn panels(&self) -> u32 {
        self.settings.plant.panels
    }

    /// How many deposits a panel has: the most rows a paste file can have per panel.
    pub fn deposits_per_panel(&self) -> u32 {
        self.settings.plant.boards * self.layout.deposits.len() as u32
    }

    /// The planted faults, in the order of the settings. They do not depend on the seed.
    pub fn planted(&self) -> Vec<Planted> {
        let printed_at = |panel| self.clock.printed_at(panel);
        let drifts = self.settings.paste_drift.iter().map(|fault| Planted {
            name: fault.name.clone(),
            station: "paste",
            what: format!(
                "height of family {} changes by {} um with every print of the {} stroke, \
                 area by {} pct",
                fault.family,
                fault.height_um_per_print,
                fault.stroke.name(),
                fault.area_pct_per_print
            ),
            key: format!("stroke={}", fault.stroke.name()),
            from_panel: panel_id(fault.first_panel()),
            from_at: printed_at(fault.first_panel()),
            last_at: None,
            measures: ["height", "area", "volume"].map(str::to_owned).to_vec(),
            strata: vec![
                ("stroke", fault.stroke.name().to_owned()),
                ("family", fault.family.clone()),
            ],
        });
        let bursts = self.settings.defect_burst.iter().map(|fault| Planted {
            name: fault.name.clone(),
            station: "optical",
            what: format!(
                "about {} confirmed {} a panel on {} until panel {}",
                fault.per_panel,
                fault.defect,
                fault.component,
                panel_id(fault.to_panel)
            ),
            key: format!("component={}", fault.component),
            from_panel: panel_id(fault.from_panel),
            from_at: self.inspected_at(fault.from_panel),
            last_at: Some(self.inspected_at(fault.to_panel)),
            measures: ["calls", "confirmed"].map(str::to_owned).to_vec(),
            strata: vec![("component", fault.component.clone())],
        });
        let steps = self.settings.fixture_step.iter().map(|fault| Planted {
            name: fault.name.clone(),
            station: "function",
            what: format!(
                "step {} reads {} more on {}",
                fault.step, fault.size, fault.fixture
            ),
            key: format!("fixture={}", fault.fixture),
            from_panel: panel_id(fault.from_panel),
            from_at: function::first_use(
                &self.settings,
                &self.clock,
                (fault.from_panel, printed_at(fault.from_panel)),
                &fault.fixture,
            ),
            last_at: None,
            measures: vec![fault.step.clone()],
            strata: vec![("fixture", fault.fixture.clone())],
        });
        drifts.chain(bursts).chain(steps).collect()
    }

    /// Everything the three stations write, in event-time order; panels are made as they are
    /// asked for. A file that grows arrives as a new file with its header and first rows, then
    /// as pieces to append.
    pub fn deliveries(&self, seed: u64) -> impl Iterator<Item = Delivery> + '_ {
        let pads = paste::Pads::new(&self.settings, &self.layout, seed);
        let mut shift_file = String::new();
        self.events(seed).into_iter().map(move |event| match event {
            Event::Paste(panel, _) => {
                self.paste_delivery(&pads, seed, panel, self.deposits_per_panel())
            }
            Event::Optical(panel, at) => self.optical_delivery(seed, panel, at),
            Event::Function(run) => self.function_delivery(&run, &mut shift_file),
        })
    }

    fn events(&self, seed: u64) -> Vec<Event> {
        let mut events = Vec::new();
        for panel in 1..=self.panels() {
            let printed_at = self.clock.printed_at(panel);
            events.push(Event::Paste(panel, printed_at));
            events.push(Event::Optical(panel, self.inspected_at(panel)));
            let runs = function::runs(&self.settings, &self.clock, seed, (panel, printed_at));
            events.extend(runs.into_iter().map(Event::Function));
        }
        // The sort is stable: what happens in the same second stays in panel order.
        events.sort_by_key(Event::at);
        events
    }

    fn inspected_at(&self, panel: u32) -> Timestamp {
        let delay = i64::from(self.settings.optical.delay_seconds);
        self.clock.after(self.clock.printed_at(panel), delay)
    }

    fn panel(&self, number: u32) -> paste::Panel {
        let at = self.clock.printed_at(number);
        paste::Panel {
            number,
            at,
            time_text: self.clock.text(at, paste::TIME_FORMAT),
        }
    }

    fn panel_file_name(&self, panel: u32, at: Timestamp) -> String {
        format!(
            "{}_{}.csv",
            panel_id(panel),
            self.clock.text(at, "%Y%m%dT%H%M%S")
        )
    }

    fn paste_delivery(&self, pads: &paste::Pads, seed: u64, panel: u32, rows: u32) -> Delivery {
        let panel = self.panel(panel);
        let mut content = Vec::with_capacity(paste::HEADER.len() + rows as usize * 128);
        content.extend_from_slice(paste::HEADER.as_bytes());
        let station = (&self.settings, &self.layout, pads);
        paste::write_rows(&mut content, station, seed, (&panel, rows));
        Delivery {
            at: panel.at,
            station: "paste",
            file_name: self.panel_file_name(panel.number, panel.at),
            content,
            append: false,
        }
    }

    fn optical_delivery(&self, seed: u64, panel: u32, at: Timestamp) -> Delivery {
        let time_text = self.clock.text(at, optical::TIME_FORMAT);
        Delivery {
            at,
            station: "optical",
            file_name: self.panel_file_name(panel, at),
            content: optical::file(&self.settings, &self.layout, seed, (panel, &time_text)),
            append: false,
        }
    }

    fn function_delivery(&self, run: &function::Run, shift_file: &mut String) -> Delivery {
        let file_name = format!("function_{}.csv", self.clock.shift_label(run.at));
        let append = *shift_file == file_name;
        let mut text = String::new();
        if !append {
            text.push_str(function::HEADER);
            shift_file.clone_from(&file_name);
        }
        text.push_str(&function::rows(&self.settings, &self.clock, run));
        Delivery {
            at: run.at,
            station: "function",
            file_name,
            content: text.into_bytes(),
            append,
        }
    }

    /// One paste file for each of `panels` panels with `rows` rows each, for measuring speed;
    /// 400 files of 640 rows are `paste_files(seed, 400, 640)`.
    ///
    /// # Errors
    /// [`PlantError::Rows`] when a panel does not have that many deposits.
    pub fn paste_files(
        &self,
        seed: u64,
        panels: u32,
        rows: u32,
    ) -> Result<impl Iterator<Item = Delivery> + '_, PlantError> {
        self.check_rows(rows)?;
        let pads = paste::Pads::new(&self.settings, &self.layout, seed);
        Ok((1..=panels).map(move |panel| self.paste_delivery(&pads, seed, panel, rows)))
    }

    /// One paste file that holds `panels` panels of `rows` rows each, written as it is made and
    /// never held whole; 5 million rows are 5,000 panels of 1,000 rows. Gives the bytes written.
    ///
    /// # Errors
    /// Those of `out`; and [`io::ErrorKind::InvalidInput`] with [`PlantError::Rows`] inside when
    /// a panel does not have that many deposits.
    pub fn paste_file(
        &self,
        seed: u64,
        panels: u32,
        rows: u32,
        out: &mut impl Write,
    ) -> io::Result<u64> {
        self.check_rows(rows)
            .map_err(|e| io::Error::new(io::ErrorKind::InvalidInput, e))?;
        let pads = paste::Pads::new(&self.settings, &self.layout, seed);
        let mut piece = paste::HEADER.as_bytes().to_vec();
        let mut written = 0;
        for number in 1..=panels {
            let panel = self.panel(number);
            let station = (&self.settings, &self.layout, &pads);
            paste::write_rows(&mut piece, station, seed, (&panel, rows));
            out.write_all(&piece)?;
            written += piece.len() as u64;
            piece.clear();
        }
        Ok(written)
    }

    fn check_rows(&self, rows: u32) -> Result<(), PlantError> {
        let deposits = self.deposits_per_panel();
        if (1..=deposits).contains(&rows) {
            Ok(())
        } else {
            Err(PlantError::Rows {
                asked: rows,
                deposits,
            })
        }
    }
}

/// What happens at a station, with its panel and time.
enum Event {
    Paste(u32, Timestamp),
    Optical(u32, Timestamp),
    Function(function::Run),
}

impl Event {
    fn at(&self) -> Timestamp {
        match self {
            Self::Paste(_, at) | Self::Optical(_, at) => *at,
            Self::Function(run) => run.at,
        }
    }
}
