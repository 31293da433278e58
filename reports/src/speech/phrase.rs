//! A sentence with holes, and what a text has in them.
//!
//! Must not know a language. Invariant: matching ends after a bounded number of steps whatever the
//! text is, so that no name in a file can hold up a report.

use std::collections::BTreeMap;

/// Steps after which a text counts as none of a phrase's.
const STEPS_MAX: u32 = 2_000;

/// What may stand in a hole.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    /// `{#name}`: a number.
    Number,
    /// `{@name}`: a day, with or without a time of day.
    Time,
    /// `{name}`: a name, which stays as it is.
    Name,
    /// `{~name}`: a text that is said in its turn.
    Phrase,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Part {
    Literal(String),
    Hole { name: String, kind: Kind },
}

/// A sentence with holes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Phrase {
    pub(super) parts: Vec<Part>,
}

impl Phrase {
    /// Reads a phrase as it is written in a book.
    pub(super) fn parse(text: &str) -> Result<Self, String> {
        let mut parts: Vec<Part> = Vec::new();
        let mut rest = text;
        while let Some(start) = rest.find('{') {
            let (before, hole) = rest.split_at(start);
            let Some(end) = hole.find('}') else {
                return Err(format!("a hole is opened and not closed: {hole}"));
            };
            if !before.is_empty() {
                parts.push(Part::Literal(before.to_owned()));
            } else if matches!(parts.last(), Some(Part::Hole { .. })) {
                return Err("two holes need something between them".to_owned());
            }
            parts.push(hole_of(&hole[1..end])?);
            rest = &hole[end + 1..];
        }
        if !rest.is_empty() {
            parts.push(Part::Literal(rest.to_owned()));
        }
        match parts.is_empty() {
            true => Err("it is empty".to_owned()),
            false => Ok(Self { parts }),
        }
    }

    /// The phrase with its holes named only, as templates write it.
    pub(super) fn key(&self) -> String {
        let text = |part: &Part| match part {
            Part::Literal(text) => text.clone(),
            Part::Hole { name, .. } => format!("{{{name}}}"),
        };
        self.parts.iter().map(text).collect()
    }

    /// The names of its holes, with what may stand in them.
    pub(super) fn holes(&self) -> BTreeMap<&str, Kind> {
        let hole = |part| match part {
            &Part::Hole { ref name, kind } => Some((name.as_str(), kind)),
            Part::Literal(_) => None,
        };
        self.parts.iter().filter_map(hole).collect()
    }

    /// What a text has in the holes, where it is this phrase from end to end.
    pub(super) fn fit<'a>(&'a self, text: &'a str) -> Option<Vec<(&'a str, Kind, &'a str)>> {
        let literal = self.parts.iter().find_map(|part| match part {
            Part::Literal(text) => Some(text.as_str()),
            Part::Hole { .. } => None,
        });
        if literal.is_some_and(|literal| !text.contains(literal)) {
            return None;
        }
        let (mut found, mut steps) = (Vec::new(), STEPS_MAX);
        fit(&self.parts, text, &mut found, &mut steps).then_some(found)
    }
}

fn hole_of(inside: &str) -> Result<Part, String> {
    let (kind, name) = match inside.chars().next() {
        Some('#') => (Kind::Number, &inside[1..]),
        Some('@') => (Kind::Time, &inside[1..]),
        Some('~') => (Kind::Phrase, &inside[1..]),
        _ => (Kind::Name, inside),
    };
    let is_name = !name.is_empty() && name.bytes().all(|byte| byte.is_ascii_lowercase());
    if !is_name {
        return Err(format!("a hole is named by small letters, not {inside:?}"));
    }
    let name = name.to_owned();
    Ok(Part::Hole { name, kind })
}

fn fit<'a>(
    parts: &'a [Part],
    text: &'a str,
    found: &mut Vec<(&'a str, Kind, &'a str)>,
    steps: &mut u32,
) -> bool {
    let Some(left) = steps.checked_sub(1) else {
        return false;
    };
    *steps = left;
    let Some((part, rest)) = parts.split_first() else {
        return text.is_empty();
    };
    let mut with = |end: usize, name: &'a str, kind: Kind, steps: &mut u32| {
        let inside = &text[..end];
        // A name is no row of sentences, nor is what has more of the phrase behind it.
        let is_one = kind != Kind::Phrase || !rest.is_empty();
        let is_row = inside.ends_with('.') && kind == Kind::Name
            || is_one && [". ", "; "].iter().any(|gap| inside.contains(gap));
        found.push((name, kind, inside));
        let fits = end > 0 && !is_row && fit(rest, &text[end..], found, steps);
        if !fits {
            found.pop();
        }
        fits
    };
    match part {
        Part::Literal(literal) => text
            .strip_prefix(literal.as_str())
            .is_some_and(|text| fit(rest, text, found, steps)),
        Part::Hole { name, kind } => match (kind, rest.first()) {
            (Kind::Number, _) => with(number_length(text), name, *kind, steps),
            (Kind::Time, _) => with(time_length(text), name, *kind, steps),
            (_, Some(Part::Literal(next))) => text
                .match_indices(next.as_str())
                .any(|(end, _)| with(end, name, *kind, steps)),
            _ => with(text.len(), name, *kind, steps),
        },
    }
}

/// Bytes of the number that a text begins with; 0 where it begins with none.
pub(super) fn number_length(text: &str) -> usize {
    let sign = ['+', '-', '\u{2212}']
        .iter()
        .find(|sign| text.starts_with(**sign));
    let mut end = sign.map_or(0, |sign| sign.len_utf8());
    let digits = |from: usize| {
        let tail = text.get(from..).unwrap_or("");
        tail.bytes().take_while(u8::is_ascii_digit).count()
    };
    match digits(end) {
        0 => return 0,
        whole => end += whole,
    }
    let group = crate::number::GROUP_SEPARATOR;
    while text[end..].starts_with(group) && digits(end + group.len_utf8()) == 3 {
        end += group.len_utf8() + 3;
    }
    if text[end..].starts_with('.') && digits(end + 1) > 0 {
        end += 1 + digits(end + 1);
    }
    if text[end..].starts_with('e') {
        let sign = text[end + 1..].chars().next();
        let sign = sign.filter(|sign| ['+', '-', '\u{2212}'].contains(sign));
        let start = end + 1 + sign.map_or(0, char::len_utf8);
        if digits(start) > 0 {
            end = start + digits(start);
        }
    }
    end
}

/// Bytes of the day, and of the time of day and the zone after it, that a text begins with.
pub(super) fn time_length(text: &str) -> usize {
    let like = |shape: &str, from: usize| {
        let tail = text.as_bytes().get(from..from + shape.len());
        tail.is_some_and(|tail| {
            tail.iter()
                .zip(shape.bytes())
                .all(|(byte, like)| match like {
                    b'0' => byte.is_ascii_digit(),
                    like => *byte == like,
                })
        })
    };
    let day = "0000-00-00".len();
    match () {
        () if !like("0000-00-00", 0) => 0,
        () if like(" 00:00:00", day) => day + 9 + zone_length(&text[day + 9..]),
        () if like(" 00:00", day) => day + 6 + zone_length(&text[day + 6..]),
        () => day,
    }
}

/// Bytes of a zone after a time of day: letters such as CET, or an offset such as +03.
fn zone_length(text: &str) -> usize {
    let Some(zone) = text.strip_prefix(' ') else {
        return 0;
    };
    let end = zone.find(|one: char| !one.is_ascii_alphanumeric() && one != '+' && one != '-');
    let zone = &zone[..end.unwrap_or(zone.len())];
    let offset = zone.strip_prefix(['+', '-']);
    let is_zone = match offset {
        Some(digits) => !digits.is_empty() && digits.bytes().all(|byte| byte.is_ascii_digit()),
        None => zone.len() > 1 && zone.bytes().all(|byte| byte.is_ascii_uppercase()),
    };
    if is_zone { zone.len() + 1 } else { 0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn found(phrase: &str, text: &str) -> Option<Vec<String>> {
        let phrase = Phrase::parse(phrase).unwrap();
        let found = phrase.fit(text)?;
        Some(
            found
                .iter()
                .map(|(_, _, text)| (*text).to_owned())
                .collect(),
        )
    }

    #[test]
    fn a_text_is_a_phrase_from_end_to_end_or_not_at_all() {
        let cases: [(&str, &str, Option<&[&str]>); 8] = [
            ("{#n} rows", "12 rows", Some(&["12"])),
            ("{#n} rows", "12\u{202f}345 rows", Some(&["12\u{202f}345"])),
            ("{#n} rows", "twelve rows", None),
            ("{#n} rows", "12 rows more", None),
            ("{a}: {b}", "one: two: three", Some(&["one", "two: three"])),
            (
                "since {@at}.",
                "since 2026-03-02 14:04.",
                Some(&["2026-03-02 14:04"]),
            ),
            ("{#size} sigma", "-1.5e-3 sigma", Some(&["-1.5e-3"])),
            ("{a} of {b}", " of x", None),
        ];
        for (phrase, text, expected) in cases {
            let expected = expected.map(|all| all.iter().map(|one| (*one).to_owned()).collect());
            assert_eq!(found(phrase, text), expected, "{phrase}: {text}");
        }
    }

    #[test]
    fn a_text_made_to_hold_it_up_is_given_up_soon() {
        let text = "a, ".repeat(3_000);
        let phrase = Phrase::parse("{a}, {b}, {c}, {d}, {e}!").unwrap();
        assert_eq!(phrase.fit(&text), None);
        let phrase = Phrase::parse("{a}, {b}, {c}, {d}, {e} end").unwrap();
        assert_eq!(phrase.fit(&format!("{text}end.")), None);
    }

    #[test]
    fn a_hole_that_can_not_be_read_says_why() {
        for (text, words) in [
            ("{a", "not closed"),
            ("{}", "small letters"),
            ("{a}{b}", "between"),
            ("", "empty"),
        ] {
            let why = Phrase::parse(text).unwrap_err();
            assert!(why.contains(words), "{text}: {why}");
        }
    }
}
