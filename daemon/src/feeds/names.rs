//! Patterns of names: files of a feed, captures of a file name, components of a family.
//!
//! Knows no folder and no column. The invariant: matching is plain text with `*` for any text, so
//! that a pattern never means more than it shows.

/// Whether the name follows the pattern: `*` stands for any text, also none.
#[must_use]
pub fn matches(pattern: &str, name: &str) -> bool {
    let mut parts = pattern.split('*');
    let Some(mut rest) = parts.next().and_then(|first| name.strip_prefix(first)) else {
        return false;
    };
    let mut parts: Vec<&str> = parts.collect();
    let Some(last) = parts.pop() else {
        return rest.is_empty();
    };
    for part in parts {
        let Some(at) = rest.find(part) else {
            return false;
        };
        rest = &rest[at + part.len()..];
    }
    rest.ends_with(last)
}

/// The captures of a file name, in the order of the pattern: `{name}` stands for any text up to
/// the next literal, at least one character, `*` for any text. `None` where it does not match.
#[must_use]
pub fn captures<'a>(pattern: &'a str, name: &'a str) -> Option<Vec<(&'a str, &'a str)>> {
    let mut found = Vec::new();
    capture(pattern, name, &mut found).then_some(found)
}

fn capture<'a>(pattern: &'a str, name: &'a str, found: &mut Vec<(&'a str, &'a str)>) -> bool {
    let Some(at) = pattern.find(['{', '*']) else {
        return pattern == name;
    };
    let Some(name) = name.strip_prefix(&pattern[..at]) else {
        return false;
    };
    let (key, rest) = match pattern[at..]
        .strip_prefix('{')
        .and_then(|tail| tail.split_once('}'))
    {
        Some((key, rest)) => (Some(key), rest),
        None => (None, &pattern[at + 1..]),
    };
    // The shortest text first, so that a separator ends a capture at its first place.
    let least = usize::from(key.is_some());
    let ends = name
        .char_indices()
        .map(|(end, _)| end)
        .chain([name.len()])
        .skip(least);
    for end in ends {
        let depth = found.len();
        if let Some(key) = key {
            found.push((key, &name[..end]));
        }
        if capture(rest, &name[end..], found) {
            return true;
        }
        found.truncate(depth);
    }
    false
}

/// The known names nearest to a wanted one, best first, at most three; none that has little in
/// common with it.
#[must_use]
pub fn nearest<'a>(wanted: &str, known: &[&'a str]) -> Vec<&'a str> {
    let fold = |name: &str| -> Vec<char> {
        name.chars()
            .filter(|char| char.is_alphanumeric())
            .flat_map(char::to_lowercase)
            .collect()
    };
    let wanted = fold(wanted);
    let mut near: Vec<(usize, &str)> = known
        .iter()
        .filter(|name| !name.is_empty())
        .map(|name| {
            let folded = fold(name);
            let contained = !wanted.is_empty()
                && (folded.starts_with(&wanted) || wanted.starts_with(&folded))
                && !folded.is_empty();
            (
                if contained {
                    1
                } else {
                    distance(&wanted, &folded)
                },
                *name,
            )
        })
        .filter(|(distance, _)| *distance <= wanted.len().div_ceil(3).max(1))
        .collect();
    near.sort();
    near.truncate(3);
    near.into_iter().map(|(_, name)| name).collect()
}

/// How many characters to insert, remove or replace (Levenshtein 1966).
fn distance(left: &[char], right: &[char]) -> usize {
    let mut row: Vec<usize> = (0..=right.len()).collect();
    for (i, a) in left.iter().enumerate() {
        let mut corner = row[0];
        row[0] = i + 1;
        for (j, b) in right.iter().enumerate() {
            let replaced = corner + usize::from(a != b);
            corner = row[j + 1];
            row[j + 1] = replaced.min(corner + 1).min(row[j] + 1);
        }
    }
    row[right.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn star_stands_for_any_text() {
        for (pattern, name, expected) in [
            ("*.csv", "a.csv", true),
            ("*.csv", ".csv", true),
            ("*.csv", "a.csv.tmp", false),
            ("R*", "R12", true),
            ("R1*2", "R12", true),
            ("R12*2", "R12", false),
            ("a*b*c", "a1b2b3c", true),
            ("U1", "U1", true),
            ("U1", "U10", false),
            ("*", "", true),
            ("", "", true),
            ("a*a", "a", false),
        ] {
            assert_eq!(matches(pattern, name), expected, "{pattern} {name}");
        }
    }

    #[test]
    fn captures_end_at_the_first_separator() {
        let found = captures("{product}_{board}_*.csv", "AX-7_B0001_20260302_1.csv").unwrap();
        assert_eq!(found, [("product", "AX-7"), ("board", "B0001")]);
        assert_eq!(captures("{board}.csv", ".csv"), None);
        assert_eq!(captures("{a}-{b}.csv", "x.csv"), None);
        assert_eq!(
            captures("{a}_{b}.csv", "ä_ö.csv").unwrap(),
            [("a", "ä"), ("b", "ö")]
        );
    }

    #[test]
    fn nearest_names_share_most_letters() {
        let known = ["Height(um)", "Area", "Volume", "Heigth", "Comment"];
        assert_eq!(nearest("Height", &known), ["Height(um)", "Heigth"]);
        assert!(nearest("Torque", &known).is_empty());
    }
}
