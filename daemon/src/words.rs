//! The closed vocabularies that configuration, feeds, engine and store share.
//!
//! Knows no file, no database and no chart: only the names and their spelling.

/// What a column, a constant, a file name or a preamble entry can stand for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
#[repr(u8)]
pub enum Role {
    /// The assembly being built.
    Product,
    /// The program of the inspection or test station, with its revision.
    Recipe,
    /// The stencil that printed the panel.
    Stencil,
    /// The panel that carries the boards.
    Panel,
    /// The place of a board in its panel.
    Position,
    /// The serial number of a board.
    Board,
    /// The component of a location.
    Component,
    /// The pin of a location.
    Pin,
    /// A group of deposits or locations that behave alike.
    Family,
    /// The direction of the print stroke.
    Stroke,
    /// The fixture or nest that held the board.
    Fixture,
    /// The count of the try: 1 is the first.
    Attempt,
    /// The machine's verdict on a location.
    Call,
    /// The kind of defect that a call names.
    Defect,
    /// The human verdict on a call.
    Review,
    /// How many things were inspected.
    Opportunities,
}

impl Role {
    /// How many roles there are: the size of a table indexed by role.
    pub const COUNT: usize = 16;

    /// Every role, in the order of its number.
    pub const ALL: [Role; Role::COUNT] = [
        Role::Product,
        Role::Recipe,
        Role::Stencil,
        Role::Panel,
        Role::Position,
        Role::Board,
        Role::Component,
        Role::Pin,
        Role::Family,
        Role::Stroke,
        Role::Fixture,
        Role::Attempt,
        Role::Call,
        Role::Defect,
        Role::Review,
        Role::Opportunities,
    ];

    /// Whether the role is a text; the others have typed columns of their own.
    #[must_use]
    pub fn is_text(self) -> bool {
        !matches!(
            self,
            Role::Attempt | Role::Call | Role::Review | Role::Opportunities
        )
    }

    /// The name in configuration, output and the archive.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Role::Product => "product",
            Role::Recipe => "recipe",
            Role::Stencil => "stencil",
            Role::Panel => "panel",
            Role::Position => "position",
            Role::Board => "board",
            Role::Component => "component",
            Role::Pin => "pin",
            Role::Family => "family",
            Role::Stroke => "stroke",
            Role::Fixture => "fixture",
            Role::Attempt => "attempt",
            Role::Call => "call",
            Role::Defect => "defect",
            Role::Review => "review",
            Role::Opportunities => "opportunities",
        }
    }

    /// The role of that name, if there is one.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Role> {
        Role::ALL.into_iter().find(|role| role.name() == name)
    }

    /// The place in a table indexed by role.
    #[must_use]
    pub fn index(self) -> usize {
        usize::from(self as u8)
    }
}

/// The three kinds of station.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Station {
    /// Paste inspection.
    Paste,
    /// Optical inspection.
    Optical,
    /// Functional test.
    Function,
}

impl Station {
    /// Every kind.
    pub const ALL: [Station; 3] = [Station::Paste, Station::Optical, Station::Function];

    /// The name in configuration and output.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Station::Paste => "paste",
            Station::Optical => "optical",
            Station::Function => "function",
        }
    }

    /// The kind of that name, if there is one.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Station> {
        Station::ALL
            .into_iter()
            .find(|station| station.name() == name)
    }
}

/// A machine's verdict on a location, in the program's own words.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
#[repr(u8)]
pub enum Call {
    /// The feed gives no verdict.
    Absent,
    /// The machine found nothing wrong.
    Good,
    /// The machine called a defect, or a test step failed.
    Defect,
    /// The verdict is recorded already: the row only brings the review that was given later.
    Recorded,
}

/// The human verdict on a call.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
#[repr(u8)]
pub enum Review {
    /// The feed gives no review, or nobody has looked yet.
    Pending,
    /// The defect is real.
    Confirmed,
    /// The location is good: the machine was wrong.
    FalseCall,
}

/// How much a notice matters.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Severity {
    /// Look when there is time.
    Low,
    /// Look in this shift.
    Medium,
    /// Look now.
    High,
}

impl Severity {
    /// All of them with their names, from the lowest on.
    pub const ALL: [(&str, Severity); 3] = [
        ("low", Severity::Low),
        ("medium", Severity::Medium),
        ("high", Severity::High),
    ];

    /// The name in configuration, record and output.
    #[must_use]
    pub fn name(self) -> &'static str {
        Severity::ALL[self as usize].0
    }

    /// The severity of that name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Severity> {
        let found = Severity::ALL.iter().find(|(known, _)| *known == name);
        found.map(|&(_, severity)| severity)
    }
}
