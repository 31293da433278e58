//! The plant's settings: what `plant.toml` may say, and the checks it must pass.
//!
//! Must not know how files are written. Invariant: settings that came through
//! [`Settings::from_toml`] refer only to families, components, fixtures and steps that exist, so
//! the stations never meet a dangling name.

use serde::Deserialize;

use super::PlantError;

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Settings {
    pub plant: General,
    pub shift: Vec<Shift>,
    #[serde(default)]
    pub stop: Vec<Stop>,
    pub paste: Paste,
    pub family: Vec<Family>,
    pub component: Vec<Component>,
    pub optical: Optical,
    pub function: Function,
    #[serde(default)]
    pub paste_drift: Vec<PasteDrift>,
    #[serde(default)]
    pub defect_burst: Vec<DefectBurst>,
    #[serde(default)]
    pub fixture_step: Vec<FixtureStep>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct General {
    pub name: String,
    pub time_zone: String,
    pub starts: String,
    pub panels: u32,
    pub seconds_per_panel: u32,
    pub jitter_seconds: u32,
    pub boards: u32,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Shift {
    pub name: String,
    pub starts: String,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Stop {
    pub after_panel: u32,
    pub minutes: u32,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Paste {
    pub recipe: String,
    pub stencil: String,
    pub foil_um: f64,
    pub front_um: f64,
    pub back_um: f64,
    pub position_um: Vec<f64>,
    pub common_share: f64,
    pub volume_noise_pct: f64,
    pub height_lower_um: f64,
    pub height_upper_um: f64,
    pub offset_x_um: f64,
    pub offset_y_um: f64,
    pub offset_between_sd_um: f64,
    pub offset_within_sd_um: f64,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Family {
    pub name: String,
    pub height_um: f64,
    pub height_between_sd_um: f64,
    pub height_pad_sd_um: f64,
    pub height_within_sd_um: f64,
    pub area_pct: f64,
    pub area_between_sd_pct: f64,
    pub area_within_sd_pct: f64,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Component {
    pub prefix: String,
    pub family: String,
    pub count: u32,
    pub pins: u32,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Optical {
    pub recipe: String,
    pub delay_seconds: u32,
    pub opportunities_per_board: u32,
    pub false_calls_per_panel: f64,
    pub confirmed_per_panel: f64,
    pub pending_share: f64,
    pub pin_defects: Vec<String>,
    pub component_defects: Vec<String>,
    pub component_share: f64,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Function {
    pub delay_seconds: u32,
    pub seconds_per_board: u32,
    pub fixtures: [String; 2],
    pub contact_fault_share: f64,
    pub retest_recovers_share: f64,
    pub retest_delay_seconds: u32,
    pub step: Vec<Step>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Step {
    pub name: String,
    pub unit: String,
    pub mean: f64,
    pub sd: f64,
    pub lower: f64,
    pub upper: f64,
    pub decimals: u8,
    pub second_fixture: f64,
}

/// The side the squeegee comes from; it changes with every print.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub(super) enum Stroke {
    Front,
    Back,
}

impl Stroke {
    pub(super) fn of_panel(panel: u32) -> Self {
        if panel % 2 == 1 {
            Self::Front
        } else {
            Self::Back
        }
    }

    pub(super) fn name(self) -> &'static str {
        match self {
            Self::Front => "front",
            Self::Back => "back",
        }
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct PasteDrift {
    pub name: String,
    pub family: String,
    pub stroke: Stroke,
    pub from_panel: u32,
    pub height_um_per_print: f64,
    pub area_pct_per_print: f64,
}

impl PasteDrift {
    /// The first panel printed by the drifting stroke.
    pub(super) fn first_panel(&self) -> u32 {
        let is_other = Stroke::of_panel(self.from_panel) != self.stroke;
        self.from_panel.saturating_add(u32::from(is_other))
    }

    /// How many prints of the drifting stroke have been made since the start, this one included;
    /// 0 for a panel the drift does not touch.
    pub(super) fn prints_at(&self, panel: u32) -> u32 {
        if panel < self.first_panel() || Stroke::of_panel(panel) != self.stroke {
            return 0;
        }
        (panel - self.first_panel()) / 2 + 1
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct DefectBurst {
    pub name: String,
    pub component: String,
    pub defect: String,
    pub first_pin: u32,
    pub last_pin: u32,
    pub from_panel: u32,
    pub to_panel: u32,
    pub per_panel: f64,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct FixtureStep {
    pub name: String,
    pub fixture: String,
    pub step: String,
    pub from_panel: u32,
    pub size: f64,
}

/// The most deposits a board may have: far above any real board, far below what fills memory.
const DEPOSITS_MAX: u64 = 100_000;

/// The most panels one set of settings may ask for: a panel number has six digits.
const PANELS_MAX: u32 = 999_999;

impl Settings {
    /// Reads and checks the settings.
    ///
    /// # Errors
    /// [`PlantError::Toml`] when the text does not follow the layout, [`PlantError::Settings`]
    /// with every problem found when it does but its values make no plant.
    pub(super) fn from_toml(text: &str) -> Result<Self, PlantError> {
        let unreadable = |e: toml::de::Error| PlantError::Toml(e.to_string());
        let settings: Self = toml::from_str(text).map_err(unreadable)?;
        let mut problems = Vec::new();
        let table: toml::Table = toml::from_str(text).map_err(unreadable)?;
        for (key, value) in &table {
            refuse_non_finite(key, value, &mut problems);
        }
        settings.check_counts(&mut problems);
        settings.check_numbers(&mut problems);
        settings.check_names(&mut problems);
        settings.check_faults(&mut problems);
        if problems.is_empty() {
            Ok(settings)
        } else {
            Err(PlantError::Settings(problems))
        }
    }

    fn check_counts(&self, problems: &mut Vec<String>) {
        let mut require = |holds: bool, text: &str| {
            if !holds {
                problems.push(text.to_owned());
            }
        };
        let general = &self.plant;
        require(
            (1..=PANELS_MAX).contains(&general.panels),
            "plant.panels: give a number from 1 to 999999",
        );
        require(
            general.jitter_seconds.saturating_mul(2) < general.seconds_per_panel,
            "plant.jitter_seconds: give less than half of plant.seconds_per_panel, \
             or panels overtake each other",
        );
        require(
            (1..=99).contains(&general.boards),
            "plant.boards: give a number from 1 to 99",
        );
        require(
            self.paste.position_um.len() == general.boards as usize,
            "paste.position_um: give one number for each of plant.boards",
        );
        require(!self.shift.is_empty(), "shift: give at least one");
        let deposits = self.component.iter().fold(0_u64, |sum, component| {
            sum.saturating_add(u64::from(component.count) * u64::from(component.pins))
        });
        require(
            (1..=DEPOSITS_MAX).contains(&deposits),
            "component: give counts and pins that make 1 to 100000 deposits a board",
        );
        require(
            self.function.fixtures[0] != self.function.fixtures[1],
            "function.fixtures: give two different names",
        );
        require(
            !self.function.step.is_empty(),
            "function.step: give at least one",
        );
        require(
            !self.optical.pin_defects.is_empty() && !self.optical.component_defects.is_empty(),
            "optical.pin_defects, optical.component_defects: give at least one name in each",
        );
    }

    fn check_numbers(&self, problems: &mut Vec<String>) {
        let optical = &self.optical;
        let shares = [
            ("paste.common_share", self.paste.common_share),
            ("optical.pending_share", optical.pending_share),
            ("optical.component_share", optical.component_share),
            (
                "function.contact_fault_share",
                self.function.contact_fault_share,
            ),
            (
                "function.retest_recovers_share",
                self.function.retest_recovers_share,
            ),
        ];
        for (key, value) in shares {
            if !(0.0..=1.0).contains(&value) {
                problems.push(format!("{key}: {value} is not a share; give 0 to 1"));
            }
        }
        let rates = [
            (
                "optical.false_calls_per_panel",
                optical.false_calls_per_panel,
            ),
            ("optical.confirmed_per_panel", optical.confirmed_per_panel),
        ];
        let bursts = self
            .defect_burst
            .iter()
            .map(|b| ("defect_burst.per_panel", b.per_panel));
        for (key, value) in rates.into_iter().chain(bursts) {
            if !(0.0..=1000.0).contains(&value) {
                problems.push(format!("{key}: {value} is out of range; give 0 to 1000"));
            }
        }
        if !(self.paste.foil_um.is_finite() && self.paste.foil_um > 0.0) {
            problems.push("paste.foil_um: give a thickness above 0".to_owned());
        }
        self.check_spreads(problems);
    }

    fn check_spreads(&self, problems: &mut Vec<String>) {
        let families = self.family.iter().flat_map(|family| {
            [
                family.height_between_sd_um,
                family.height_pad_sd_um,
                family.height_within_sd_um,
                family.area_between_sd_pct,
                family.area_within_sd_pct,
            ]
            .map(|sd| (format!("family {:?}", family.name), sd))
        });
        let steps = self
            .function
            .step
            .iter()
            .map(|step| (format!("function.step {:?}", step.name), step.sd));
        let offsets = [
            self.paste.offset_between_sd_um,
            self.paste.offset_within_sd_um,
        ]
        .map(|sd| ("paste.offset".to_owned(), sd));
        for (key, sd) in families.chain(steps).chain(offsets) {
            if !(sd.is_finite() && sd >= 0.0) {
                problems.push(format!(
                    "{key}: {sd} is no standard deviation; give 0 or more"
                ));
            }
        }
        for step in &self.function.step {
            if step.lower.partial_cmp(&step.upper) != Some(std::cmp::Ordering::Less) {
                problems.push(format!(
                    "function.step {:?}: lower must be below upper",
                    step.name
                ));
            }
            if step.decimals > 9 {
                problems.push(format!(
                    "function.step {:?}: decimals: give 0 to 9",
                    step.name
                ));
            }
        }
    }

    /// Names go into fields as they are, so they must not contain what separates fields.
    fn check_names(&self, problems: &mut Vec<String>) {
        let optical = &self.optical;
        let names = [&self.paste.recipe, &self.paste.stencil, &optical.recipe]
            .into_iter()
            .chain(&self.function.fixtures)
            .chain(&optical.pin_defects)
            .chain(&optical.component_defects)
            .chain(self.component.iter().map(|component| &component.prefix))
            .chain(
                self.function
                    .step
                    .iter()
                    .flat_map(|step| [&step.name, &step.unit]),
            )
            .chain(self.defect_burst.iter().map(|burst| &burst.defect))
            .chain(self.shift.iter().map(|shift| &shift.name));
        for name in names {
            if name.is_empty() || name.contains([',', ';', '"', '/', '\n', '\r']) {
                problems.push(format!(
                    "{name:?}: a name must not be empty or contain , ; \" / or a line break"
                ));
            }
        }
        for component in &self.component {
            if !self
                .family
                .iter()
                .any(|family| family.name == component.family)
            {
                problems.push(format!(
                    "component {:?}: there is no family {:?}",
                    component.prefix, component.family
                ));
            }
        }
    }

    fn check_faults(&self, problems: &mut Vec<String>) {
        let last = self.plant.panels;
        let mut within = |key: &str, first: u32| {
            if first == 0 || first > last {
                problems.push(format!(
                    "{key}: from_panel {first} is not among panels 1 to {last}"
                ));
            }
        };
        for drift in &self.paste_drift {
            within("paste_drift", drift.first_panel());
        }
        for burst in &self.defect_burst {
            within("defect_burst", burst.from_panel);
        }
        for step in &self.fixture_step {
            within("fixture_step", step.from_panel);
        }
        for drift in &self.paste_drift {
            if !self.family.iter().any(|family| family.name == drift.family) {
                problems.push(format!(
                    "paste_drift: there is no family {:?}",
                    drift.family
                ));
            }
        }
        for burst in &self.defect_burst {
            self.check_burst(burst, problems);
        }
        for fault in &self.fixture_step {
            if !self.function.fixtures.contains(&fault.fixture) {
                problems.push(format!(
                    "fixture_step: there is no fixture {:?}",
                    fault.fixture
                ));
            }
            if !self
                .function
                .step
                .iter()
                .any(|step| step.name == fault.step)
            {
                problems.push(format!("fixture_step: there is no step {:?}", fault.step));
            }
        }
    }

    fn check_burst(&self, burst: &DefectBurst, problems: &mut Vec<String>) {
        let component = self.component.iter().find(|component| {
            (1..=component.count).any(|n| format!("{}{n}", component.prefix) == burst.component)
        });
        match component {
            None => problems.push(format!(
                "defect_burst: there is no component {:?}",
                burst.component
            )),
            Some(component) => {
                let pins_exist = 1 <= burst.first_pin
                    && burst.first_pin <= burst.last_pin
                    && burst.last_pin <= component.pins;
                if !pins_exist {
                    problems.push(format!(
                        "defect_burst: pins {} to {} are not among pins 1 to {}",
                        burst.first_pin, burst.last_pin, component.pins
                    ));
                }
            }
        }
        if burst.to_panel < burst.from_panel {
            problems.push("defect_burst: to_panel is before from_panel".to_owned());
        }
    }
}

/// TOML can say `nan` and `inf`; no setting means anything with them.
fn refuse_non_finite(key: &str, value: &toml::Value, problems: &mut Vec<String>) {
    match value {
        toml::Value::Float(number) if !number.is_finite() => {
            problems.push(format!(
                "{key}: {number} is not a number; give a finite one"
            ));
        }
        toml::Value::Array(values) => {
            for value in values {
                refuse_non_finite(key, value, problems);
            }
        }
        toml::Value::Table(table) => {
            for (inner, value) in table {
                refuse_non_finite(&format!("{key}.{inner}"), value, problems);
            }
        }
        _ => {}
    }
}
