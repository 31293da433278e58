//! What the words of a header may mean: general words of the trade, in English and German.
//!
//! Knows no file. The invariant: a word points to one meaning; what it points to is a guess that
//! the contents of the column and a person have to confirm.

use crate::words::Role;

/// A header as words: lower case, cut where letters, digits and marks meet capitals.
pub(super) fn tokens(header: &str) -> Vec<String> {
    let mut found: Vec<String> = vec![String::new()];
    let mut last = ' ';
    for letter in header.chars() {
        let starts = letter.is_uppercase() && last.is_lowercase();
        if starts || !letter.is_alphanumeric() {
            found.push(String::new());
        }
        if letter.is_alphanumeric()
            && let Some(word) = found.last_mut()
        {
            word.extend(letter.to_lowercase());
        }
        last = letter;
    }
    found.retain(|word| !word.is_empty());
    found
}

/// The words of each role.
const ROLES: [(Role, &[&str]); 16] = [
    (
        Role::Product,
        &[
            "product",
            "assembly",
            "article",
            "model",
            "produkt",
            "baugruppe",
            "artikel",
        ],
    ),
    (
        Role::Recipe,
        &[
            "recipe",
            "program",
            "programme",
            "rezept",
            "programm",
            "prüfprogramm",
        ],
    ),
    (Role::Stencil, &["stencil", "schablone"]),
    (Role::Panel, &["panel", "nutzen", "panelid"]),
    (
        Role::Position,
        &[
            "position",
            "place",
            "image",
            "platz",
            "boardnumber",
            "boardno",
            "boardindex",
        ],
    ),
    (
        Role::Board,
        &[
            "serial",
            "board",
            "barcode",
            "serialnumber",
            "seriennummer",
            "leiterplatte",
            "boardid",
        ],
    ),
    (
        Role::Component,
        &[
            "component",
            "refdes",
            "designator",
            "reference",
            "bauteil",
            "part",
        ],
    ),
    (Role::Pin, &["pin", "pad", "lead", "terminal", "anschluss"]),
    (Role::Family, &["family", "familie", "package", "gehäuse"]),
    (
        Role::Stroke,
        &["stroke", "squeegee", "blade", "rakelrichtung", "rakel"],
    ),
    (
        Role::Fixture,
        &[
            "fixture",
            "nest",
            "adapter",
            "socket",
            "vorrichtung",
            "prüfadapter",
        ],
    ),
    (
        Role::Attempt,
        &["attempt", "try", "retry", "retest", "run", "versuch"],
    ),
    (
        Role::Call,
        &[
            "result",
            "verdict",
            "call",
            "judgement",
            "judgment",
            "status",
            "outcome",
            "ergebnis",
            "urteil",
            "bewertung",
        ],
    ),
    (
        Role::Defect,
        &[
            "defect",
            "fault",
            "failure",
            "reason",
            "error",
            "fehler",
            "fehlerart",
        ],
    ),
    (
        Role::Review,
        &[
            "review",
            "reviewed",
            "confirmation",
            "nachprüfung",
            "sichtprüfung",
        ],
    ),
    (
        Role::Opportunities,
        &["opportunities", "locations", "prüfstellen"],
    ),
];

/// How well a header fits a role: 3 the whole header, 2 its first or last word, 1 a word within.
pub(super) fn role_rank(header: &str, role: Role) -> u8 {
    let tokens = tokens(header);
    let words = ROLES
        .iter()
        .find(|(one, _)| *one == role)
        .map_or(&[][..], |(_, words)| words);
    let known = |word: &str| words.contains(&word);
    match &tokens[..] {
        _ if known(&tokens.concat()) => 3,
        [first, .., last] if known(first) || known(last) => 2,
        _ if tokens.iter().any(|word| known(word)) => 1,
        _ => 0,
    }
}

/// How likely a header names the time of an inspection or test; 0 where it names none.
pub(super) fn time_rank(header: &str) -> u8 {
    let tokens = tokens(header);
    let has = |words: &[&str]| {
        tokens.iter().any(|token| {
            words
                .iter()
                .any(|word| token == word || token.starts_with(word))
        })
    };
    let is_time = has(&[
        "time",
        "date",
        "stamp",
        "day",
        "at",
        "zeit",
        "datum",
        "uhrzeit",
        "prüfzeit",
        "inspected",
        "tested",
        "ended",
        "measured",
        "clock",
    ]);
    match is_time {
        false => 0,
        true if has(&["start", "begin", "load", "print"]) => 1,
        true if has(&["inspected", "tested", "end", "measured", "prüf", "test"]) => 3,
        true => 2,
    }
}

/// What a column of a row a test step is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum StepPart {
    Name,
    Value,
    Unit,
    Lower,
    Upper,
}

/// How likely a column is a part of a test step; 0 where it is not.
pub(super) fn step_rank(header: &str, part: StepPart) -> u8 {
    let words: &[&str] = match part {
        StepPart::Name => &[
            "step",
            "teststep",
            "test",
            "testname",
            "stepname",
            "parameter",
            "measurement",
            "prüfschritt",
            "schritt",
            "name",
        ],
        StepPart::Value => &[
            "value",
            "measured",
            "reading",
            "measuredvalue",
            "wert",
            "messwert",
            "actual",
        ],
        StepPart::Unit => &["unit", "units", "einheit"],
        StepPart::Lower => &[
            "lower",
            "min",
            "low",
            "minimum",
            "lowerlimit",
            "untergrenze",
        ],
        StepPart::Upper => &[
            "upper",
            "max",
            "high",
            "maximum",
            "upperlimit",
            "obergrenze",
        ],
    };
    let tokens = tokens(header);
    let known = |word: &str| words.iter().position(|one| *one == word);
    let best = known(&tokens.concat()).or_else(|| tokens.iter().filter_map(|one| known(one)).min());
    // An earlier word of the list is a likelier one.
    best.map_or(0, |place| u8::try_from(20 - place.min(19)).unwrap_or(1))
}

/// Whether a header names a limit or a nominal value rather than something measured.
pub(super) fn is_limit(header: &str) -> bool {
    const LIMITS: [&str; 17] = [
        "lower",
        "upper",
        "min",
        "max",
        "minimum",
        "maximum",
        "limit",
        "low",
        "high",
        "nominal",
        "target",
        "tolerance",
        "expected",
        "untergrenze",
        "obergrenze",
        "soll",
        "toleranz",
    ];
    tokens(header)
        .iter()
        .any(|token| LIMITS.contains(&token.as_str()))
}

/// Whether a header names a quantity that stations measure.
pub(super) fn is_quantity(header: &str) -> bool {
    const QUANTITIES: [&str; 26] = [
        "height",
        "area",
        "volume",
        "offset",
        "thickness",
        "width",
        "length",
        "voltage",
        "current",
        "resistance",
        "temperature",
        "force",
        "pressure",
        "shift",
        "angle",
        "frequency",
        "power",
        "höhe",
        "fläche",
        "volumen",
        "versatz",
        "breite",
        "länge",
        "spannung",
        "strom",
        "dicke",
    ];
    tokens(header)
        .iter()
        .any(|token| QUANTITIES.contains(&token.as_str()))
}

/// Whether a header names a quantity of printed paste.
pub(super) fn is_paste_quantity(header: &str) -> bool {
    const PASTE: [&str; 7] = [
        "height", "area", "volume", "paste", "höhe", "fläche", "volumen",
    ];
    tokens(header)
        .iter()
        .any(|token| PASTE.contains(&token.as_str()))
}

/// Units, as they are written.
const UNITS: [&str; 47] = [
    "um", "nm", "mm", "cm", "mil", "mils", "%", "pct", "percent", "ppm", "V", "mV", "kV", "uV",
    "A", "mA", "uA", "nA", "Ohm", "ohm", "kOhm", "MOhm", "mOhm", "Hz", "kHz", "MHz", "GHz", "°C",
    "degC", "ms", "us", "ns", "deg", "°", "mm2", "mm3", "um2", "um3", "nl", "Pa", "kPa", "bar",
    "dB", "dBm", "W", "mW", "N",
];

/// The unit that a header names, and the header without it.
pub(super) fn unit(header: &str) -> Option<(String, String)> {
    // There are two characters for micro; one spelling for both, or units would differ.
    let plain = header.replace(['µ', 'μ'], "u").replace(['Ω', 'Ω'], "Ohm");
    let plain = plain.trim().replace("²", "2").replace("³", "3");
    for (open, close) in [('(', ')'), ('[', ']'), ('{', '}')] {
        if let (Some(from), Some(to)) = (plain.rfind(open), plain.rfind(close))
            && from < to
        {
            let inside = plain[from + 1..to].trim();
            let is_short = inside.chars().count() <= 8 && !inside.contains(' ');
            let has_letter = inside
                .chars()
                .any(|c| c.is_alphabetic() || c == '%' || c == '°');
            if is_short && has_letter {
                let name = format!("{} {}", &plain[..from], &plain[to + 1..]);
                return Some((inside.to_owned(), name.trim().to_owned()));
            }
        }
    }
    let cut = plain.rfind([' ', '_', '-', '/'])?;
    let (name, last) = (&plain[..cut], &plain[cut + 1..]);
    UNITS
        .contains(&last)
        .then(|| (last.to_owned(), name.trim().to_owned()))
}

/// The name of a measure: the words of a header without its unit.
pub(super) fn measure_name(header: &str) -> String {
    let plain = unit(header).map_or_else(|| header.to_owned(), |(_, name)| name);
    tokens(&plain).join("-")
}

/// What a word of a verdict means.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Meaning {
    Good,
    Bad,
    Pending,
}

/// The meaning of a word in a column of verdicts, by the machine or by a person.
pub(super) fn verdict(word: &str) -> Option<Meaning> {
    let plain = tokens(word).join(" ");
    match plain.as_str() {
        "ok" | "good" | "pass" | "passed" | "gut" | "io" | "i o" | "false call" | "false"
        | "accept" | "accepted" | "falsch" | "fehlalarm" | "pseudo" => Some(Meaning::Good),
        "ng" | "bad" | "fail" | "failed" | "defect" | "reject" | "rejected" | "nio" | "n i o"
        | "schlecht" | "confirmed" | "real" | "true" | "fault" | "error" | "fehler" | "echt" => {
            Some(Meaning::Bad)
        }
        "open" | "pending" | "not yet" | "none" | "offen" | "unreviewed" => Some(Meaning::Pending),
        _ => None,
    }
}

/// Whether two words of a column name the directions of a print stroke.
pub(super) fn is_stroke(word: &str) -> bool {
    matches!(
        word.to_lowercase().as_str(),
        "front" | "back" | "rear" | "forward" | "backward" | "reverse" | "vor" | "zurück"
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn headers_fall_into_words() {
        assert_eq!(tokens("Offset x um"), ["offset", "x", "um"]);
        assert_eq!(tokens("InspectedAt"), ["inspected", "at"]);
        assert_eq!(tokens("Höhe_µm"), ["höhe", "µm"]);
        assert_eq!(tokens("REF DES"), ["ref", "des"]);
    }

    #[test]
    fn units_are_taken_from_brackets_or_from_the_end() {
        for (header, unit_is, name) in [
            ("Height um", "um", "height"),
            ("h (um)", "um", "h"),
            ("Höhe µm", "um", "höhe"),
            ("Offset x [mm]", "mm", "offset-x"),
            ("area_pct", "pct", "area"),
            ("Fläche %", "%", "fläche"),
            ("R (kΩ)", "kOhm", "r"),
            ("volume (mm³)", "mm3", "volume"),
        ] {
            assert_eq!(unit(header).unwrap().0, unit_is, "{header}");
            assert_eq!(measure_name(header), name);
        }
        assert_eq!(unit("Offset x"), None);
        assert_eq!(unit("Height"), None);
    }

    #[test]
    fn roles_are_known_by_general_words() {
        for (header, role) in [
            ("Panel", Role::Panel),
            ("Nutzen", Role::Panel),
            ("RefDes", Role::Component),
            ("ref des", Role::Component),
            ("Rakelrichtung", Role::Stroke),
            ("Serial number", Role::Board),
            ("Result", Role::Call),
        ] {
            assert_eq!(role_rank(header, role), 3, "{header}");
        }
        assert_eq!(role_rank("Panel ID", Role::Panel), 3);
        assert_eq!(role_rank("Height", Role::Panel), 0);
    }

    #[test]
    fn the_end_of_a_test_is_a_better_time_than_its_start() {
        assert!(time_rank("Tested") > time_rank("Date"));
        assert!(time_rank("Inspected at") > time_rank("Start time"));
        assert_eq!(time_rank("Height"), 0);
    }
}
