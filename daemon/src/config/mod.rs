//! The configuration, validated: what the rest of the program may rely on.
//!
//! Built only by [`read::read`], which reports every problem at once. Knows no file format of a
//! station and no statistics beyond the names of charts and rules.

use std::net::SocketAddr;
use std::path::PathBuf;

use jiff::civil::{Date, Time};
use jiff::tz::TimeZone;
use reports::speech::Language;

use crate::feeds::study::StudyFile;
use crate::words::{Role, Severity, Station};

pub mod channel;
pub mod read;

/// The longest in-control run length that thresholds are made for, in points.
pub const RUN_LENGTH_MAX: u32 = 500_000;

/// A whole configuration.
#[derive(Clone, Debug)]
pub struct Config {
    /// The plant's name in reports.
    pub plant: String,
    /// The plant's time zone: shifts and reports follow it.
    pub zone: TimeZone,
    /// The language of reports, and how they write numbers and dates.
    pub locale: Language,
    /// How long after the newest event a stream still takes earlier ones, in microseconds.
    pub lateness_us: i64,
    /// The shifts, in the order of their start within a day. At least one.
    pub shifts: Vec<Shift>,
    /// The products.
    pub products: Vec<Product>,
    /// The feeds. At least one.
    pub feeds: Vec<Feed>,
    /// What is charted.
    pub characteristics: Vec<Characteristic>,
    /// Gauge studies of what stations measure.
    pub gauges: Vec<Gauge>,
    /// Where run state lives; absolute.
    pub data_folder: PathBuf,
    /// How long data are kept.
    pub keep: Keep,
    /// Where shift reports go; absolute.
    pub report_folder: PathBuf,
    /// Templates that replace built-in ones; absolute.
    pub template_folder: Option<PathBuf>,
    /// The channels by which notices leave; the first is the JSON Lines file of every record.
    pub channels: Vec<channel::Channel>,
    /// False alerts that are allowed on a line in a shift, on average; above 0.
    pub false_alerts_per_shift: f64,
    /// What becomes of signals.
    pub alerts: Alerting,
    /// Whether a change of limits holds only once someone other than its author approved it.
    pub limits_need_approval: bool,
    /// The live page; off where absent.
    pub serve: Option<Serve>,
}

/// What becomes of signals.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Alerting {
    /// Sets of measures that one cause moves together.
    pub linked: Vec<Vec<String>>,
    /// How long after one another signals at one place still have one cause, in microseconds.
    pub near_us: i64,
    /// How long after a change of product a station's signals call nobody, in microseconds.
    pub changeover_us: i64,
    /// The hours for which an alert can be shelved at most.
    pub shelve_hours_max: u32,
    /// How long an alert may go unacknowledged before it escalates, in microseconds; 0 for ever.
    pub escalate_us: i64,
    /// How long an active alert may go untold before it is told again, in microseconds; 0 for ever.
    pub remind_us: i64,
    /// The causes with which an alert can be closed. At least one.
    pub causes: Vec<String>,
    /// Points in control that verify what was done.
    pub verify_points: u32,
}

/// How long data are kept after the newest event, in microseconds; for good where absent.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Keep {
    /// Archived readings, by whole days.
    pub readings_us: Option<i64>,
    /// Points.
    pub points_us: Option<i64>,
    /// Points around alerts; at least as long as points.
    pub evidence_us: Option<i64>,
}

/// Where the live page listens, and for whom.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Serve {
    /// The address and port.
    pub listen: SocketAddr,
    /// The file with the hashes of tokens; absolute. Without it everyone who can reach the page
    /// may look, and nobody may change anything.
    pub tokens: Option<PathBuf>,
    /// Names by which browsers may reach the page, beside those of the loopback address.
    pub allowed_hosts: Vec<String>,
}

/// A shift: it lasts until the next one starts.
#[derive(Clone, Debug)]
pub struct Shift {
    /// Its name.
    pub name: String,
    /// When it starts, by the clock on the wall.
    pub starts: Time,
}

/// A product and what is specified for it.
#[derive(Clone, Debug)]
pub struct Product {
    /// The name as the feeds write it.
    pub name: String,
    /// Boards in a panel.
    pub boards: u32,
    /// Opportunities a board, a station.
    pub opportunities: Vec<(Station, u32)>,
    /// Rows that a visit of a board must have, a station.
    pub rows: Vec<(Station, u32)>,
    /// Families by component name, first match wins.
    pub families: Vec<Family>,
    /// The specifications.
    pub specifications: Vec<Specification>,
}

/// Locations alike, told by their component's name.
#[derive(Clone, Debug)]
pub struct Family {
    /// Its name.
    pub name: String,
    /// Patterns of component names: `*` stands for any text.
    pub components: Vec<String>,
    /// Area ratio of its apertures: opening over wall; above 0.
    pub area_ratio: Option<f64>,
}

/// The limits that product has to meet; at least one of lower and upper is there, and they are in
/// order.
#[derive(Clone, Debug, PartialEq)]
pub struct Specification {
    /// The measure or test step.
    pub measure: String,
    /// The family it holds for; all where absent.
    pub family: Option<String>,
    /// The lower specification limit.
    pub lower: Option<f64>,
    /// The nominal value.
    pub target: Option<f64>,
    /// Sigma of a single reading, from the history of the part; above 0.
    pub sigma: Option<f64>,
    /// The upper specification limit.
    pub upper: Option<f64>,
    /// The unit.
    pub unit: String,
    /// The document that says so.
    pub source: String,
}

/// A folder of files from one station.
#[derive(Clone, Debug)]
pub struct Feed {
    /// Its name; unique.
    pub name: String,
    /// The line.
    pub line: String,
    /// The kind of station.
    pub station: Station,
    /// The folder; absolute.
    pub folder: PathBuf,
    /// Which file names belong to it: `*` stands for any text.
    pub pattern: String,
    /// Whether rows are appended to files (only complete lines are read), or files arrive whole.
    pub grows: bool,
    /// Whether rows exist only for calls.
    pub lists_failures_only: bool,
    /// How long a whole file must stay unchanged before it is read, in milliseconds.
    pub settle_ms: u64,
    /// Whether to poll the folder (network shares) instead of listening for hints.
    pub poll: bool,
    /// How often the folder is scanned whatever the hints say, in milliseconds.
    pub scan_ms: u64,
    /// Silence longer than this is reported, in seconds.
    pub silent_after_s: Option<u64>,
    /// The shifts in which silence counts; all where there are none.
    pub silent_in: Vec<String>,
    /// How the bytes become cells.
    pub csv: Csv,
    /// The pattern of file names with `{capture}` parts.
    pub file_name: Option<String>,
    /// Where the event time comes from.
    pub time: TimeSource,
    /// Where each role comes from, in the order of [`Role::ALL`]; call and review not included.
    pub roles: Vec<(Role, Source)>,
    /// How calls are read (long layouts: the step's verdict).
    pub call: Option<CallMap>,
    /// How reviews are read.
    pub review: Option<ReviewMap>,
    /// The layout of measured values.
    pub layout: Layout,
}

impl Feed {
    /// Whether silence counts in a shift of that name.
    #[must_use]
    pub fn silence_counts_in(&self, shift: &str) -> bool {
        self.silent_in.is_empty() || self.silent_in.iter().any(|name| name == shift)
    }
}

/// The dialect.
#[derive(Clone, Debug)]
pub struct Csv {
    /// The delimiter.
    pub delimiter: u8,
    /// The quote.
    pub quote: u8,
    /// The decimal mark: `.` or `,`.
    pub decimal: u8,
    /// The encoding where no byte order mark says otherwise.
    pub encoding: &'static encoding_rs::Encoding,
    /// Where the header is.
    pub header: Header,
}

/// Where the header line is.
#[derive(Clone, Debug)]
pub enum Header {
    /// After this many preamble lines.
    AfterLines(usize),
    /// The first line that starts with this text.
    StartsWith(String),
}

/// Where a value comes from.
#[derive(Clone, Debug, PartialEq)]
pub enum Source {
    /// A column by its header name.
    Column(String),
    /// The same for all rows.
    Constant(String),
    /// A named capture of the file name.
    FileName(String),
    /// A `key: value` or `key<delimiter>value` line before the header.
    Preamble(String),
}

/// Where the event time comes from.
#[derive(Clone, Debug)]
pub struct TimeSource {
    /// One source, or two whose texts are joined by a blank.
    pub sources: Vec<Source>,
    /// How it is written.
    pub format: TimeFormat,
    /// The zone of times without an offset.
    pub zone: TimeZone,
}

/// How a time is written.
#[derive(Clone, Debug)]
pub enum TimeFormat {
    /// RFC 3339, with its offset or `Z`; without one the zone is taken.
    Rfc3339,
    /// `strptime` conversions.
    Pattern(String),
    /// Seconds since 1970, with decimals.
    UnixSeconds,
    /// Milliseconds since 1970.
    UnixMillis,
}

/// How a machine's verdict is read. `*` stands for any other text.
#[derive(Clone, Debug)]
pub struct CallMap {
    /// Where it comes from.
    pub source: Source,
    /// The texts that mean good.
    pub good: Vec<String>,
    /// The texts that mean a defect.
    pub defect: Vec<String>,
}

/// How a human verdict is read. `*` stands for any other text.
#[derive(Clone, Debug)]
pub struct ReviewMap {
    /// Where it comes from.
    pub source: Source,
    /// The texts that mean a real defect.
    pub confirmed: Vec<String>,
    /// The texts that mean a false call.
    pub false_call: Vec<String>,
    /// The texts that mean that nobody has looked yet (the empty cell always does).
    pub pending: Vec<String>,
}

/// The layout of measured values.
#[derive(Clone, Debug)]
pub enum Layout {
    /// A column a measure; none where the feed lists calls only.
    Wide(Vec<Measure>),
    /// A row a test step.
    Long(Steps),
}

/// A measured column.
#[derive(Clone, Debug)]
pub struct Measure {
    /// The name of the measure.
    pub name: String,
    /// The header of its column.
    pub column: String,
    /// The unit after scaling.
    pub unit: String,
    /// What the written number is multiplied by.
    pub scale: f64,
    /// Numbers outside are rejected as implausible, after scaling.
    pub plausible: Option<(f64, f64)>,
}

/// The columns of a long layout.
#[derive(Clone, Debug)]
pub struct Steps {
    /// The column with the step's name.
    pub name: String,
    /// The column with the value.
    pub value: String,
    /// The column with the unit.
    pub unit: Option<String>,
    /// The column with the lower test limit.
    pub lower: Option<String>,
    /// The column with the upper test limit.
    pub upper: Option<String>,
}

/// What is controlled.
#[derive(Clone, Debug)]
pub struct Characteristic {
    /// Its name; unique.
    pub name: String,
    /// The kind of station it is measured at.
    pub station: Station,
    /// What is charted.
    pub subject: Subject,
    /// Only rows with these values, by key; a key of line is allowed.
    pub filter: Vec<(Key, Vec<String>)>,
    /// One stream for each set of these.
    pub group_by: Vec<Key>,
    /// What makes a subgroup.
    pub subgroup: Subgroup,
    /// The chart.
    pub chart: spc::chart::ChartKind,
    /// Subgroups that make the limits; at least 2.
    pub baseline: usize,
    /// Subgroups that a person needs to set limits earlier, unless they say why fewer will do.
    pub baseline_minimum: usize,
    /// Whether subgroups of the baseline that lie beyond its own limits are left out of them.
    pub screen: bool,
    /// The share of the baseline that may be left out, 0 to 0.5; where more lies beyond, all stays.
    pub screen_share: f64,
    /// Whether every pad is watched for itself, too.
    pub watch_pads: bool,
    /// What makes signals beside run rules; at least one.
    pub detection: Vec<Detector>,
    /// The mean number of points from one false alert to the next; from the budget where absent.
    pub run_length: Option<u32>,
    /// The weight of the newest point in a weighted average.
    pub ewma_weight: f64,
    /// Limits in multiples of sigma; from the run length where absent.
    pub limit_width: Option<f64>,
    /// Whether limits are widened for the few subgroups that made them, so that nine baselines of
    /// ten have at least the in-control run length that their width states.
    pub widen: bool,
    /// Whether limits of counts are exact probability limits instead of multiples of sigma.
    pub exact_limits: bool,
    /// How each product is charted against its own target; by its readings where absent.
    pub short_run: Option<spc::short_run::ShortRun>,
    /// Run rules beside beyond-limits.
    pub rules: Vec<spc::rules::Rule>,
    /// A change of one of these within a stream starts a new baseline.
    pub restart_on: Vec<Key>,
    /// The specification where the product does not give one.
    pub specification: Option<Specification>,
    /// What to do on a signal.
    pub reaction_plan: String,
    /// How much an alert matters.
    pub severity: Severity,
}

/// A gauge study that capability figures of a measure are read beside.
#[derive(Clone, Debug, PartialEq)]
pub struct Gauge {
    /// The kind of station.
    pub station: Station,
    /// The measure or test step.
    pub measure: String,
    /// The study; its path is absolute.
    pub file: StudyFile,
    /// The day of the study.
    pub studied_on: Date,
    /// The last day on which it counts; no end where absent.
    pub valid_until: Option<Date>,
}

/// A key of a stream.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Key {
    /// The line, which the feed gives.
    Line,
    /// A role.
    Role(Role),
}

impl Key {
    /// The name in configuration and output.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Key::Line => "line",
            Key::Role(role) => role.name(),
        }
    }

    /// The key of that name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Key> {
        match name {
            "line" => Some(Key::Line),
            _ => Role::from_name(name).map(Key::Role),
        }
    }
}

/// What makes signals.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Detector {
    /// Points beyond the limits of the value or of the spread within.
    Limits,
    /// A set of cumulative sums.
    Cusum,
    /// An exponentially weighted moving average.
    Ewma,
}

/// What is charted.
#[derive(Clone, Debug, PartialEq)]
pub enum Subject {
    /// The values of a measure or a test step.
    Measure(String),
    /// The values of several measures together; at least two.
    Measures(Vec<String>),
    /// Locations that the machine called.
    Calls,
    /// Locations that a person confirmed as defects.
    Confirmed,
    /// Locations that a person judged good.
    FalseCalls,
}

impl Subject {
    /// Whether verdicts are counted, and not values measured.
    #[must_use]
    pub fn is_counted(&self) -> bool {
        match self {
            Subject::Measure(_) | Subject::Measures(_) => false,
            Subject::Calls | Subject::Confirmed | Subject::FalseCalls => true,
        }
    }
}

/// What makes a subgroup.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Subgroup {
    /// All readings of a panel.
    Panel,
    /// All readings of a board.
    Board,
    /// So many boards (or single readings) in a row.
    Consecutive(usize),
    /// All readings of so many minutes by the clock.
    Minutes(u32),
}
