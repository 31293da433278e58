//! From what a person types to the stream they mean.
//!
//! Knows labels only. The one invariant: a text that fits several streams chooses none of them.

use super::CommandError;
use crate::store::Reader;
use crate::store::query::StreamRow;

/// Streams named when none fits.
const NEAR_MAX: usize = 8;

/// The number in a name such as A-0001, with or without its letter.
pub(crate) fn number(name: &str, letter: char) -> Option<i64> {
    let mut rest = name.chars();
    let has_letter = rest
        .next()
        .is_some_and(|first| first.eq_ignore_ascii_case(&letter));
    let digits = if has_letter {
        rest.as_str().trim_start_matches('-')
    } else {
        name
    };
    digits.parse().ok()
}

/// The stream that a person means: by its whole label, else by the only label that starts with the
/// text, else by the only one that holds it.
///
/// # Errors
///
/// When none fits, or several do.
pub(crate) fn find_stream(reader: &Reader, wanted: &str) -> Result<StreamRow, CommandError> {
    let streams = reader.streams()?;
    let labels: Vec<&str> = streams.iter().map(|stream| stream.label.as_str()).collect();
    let place = choose(&labels, wanted).map_err(CommandError::Stream)?;
    Ok(streams[place].clone())
}

fn choose(labels: &[&str], wanted: &str) -> Result<usize, String> {
    if let Some(exact) = labels.iter().position(|label| *label == wanted) {
        return Ok(exact);
    }
    let lower = wanted.to_lowercase();
    let places = |fits: &dyn Fn(&str) -> bool| -> Vec<usize> {
        (0..labels.len())
            .filter(|&place| fits(&labels[place].to_lowercase()))
            .collect()
    };
    let starting = places(&|label| label.starts_with(&lower));
    let holding = places(&|label| label.contains(&lower));
    let several = match (starting.as_slice(), holding.as_slice()) {
        ([one], _) | (_, [one]) => return Ok(*one),
        _ => holding,
    };
    let list = |places: &[usize]| {
        let named: Vec<&str> = places
            .iter()
            .take(NEAR_MAX)
            .map(|&place| labels[place])
            .collect();
        let more = if places.len() > NEAR_MAX { ", ..." } else { "" };
        format!("{}{more}", named.join(", "))
    };
    if labels.is_empty() {
        return Err("the record holds no stream yet".to_owned());
    }
    if several.is_empty() {
        let mut near: Vec<usize> = (0..labels.len()).collect();
        near.sort_by_key(|&place| distance(&labels[place].to_lowercase(), &lower));
        let near = list(&near[..near.len().min(NEAR_MAX)]);
        return Err(format!(
            "there is no stream '{wanted}'; near are: {near}; `driftvane streams` lists all"
        ));
    }
    Err(format!(
        "'{wanted}' fits several streams: {}; name one of them",
        list(&several)
    ))
}

/// How many letters must change to make one text of the other.
fn distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, from) in a.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, to) in b.iter().enumerate() {
            let change = diagonal + usize::from(from != *to);
            diagonal = row[j + 1];
            row[j + 1] = change.min(row[j] + 1).min(diagonal + 1);
        }
    }
    row[b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stream_is_found_by_what_tells_it_from_others() {
        let labels = ["height/L1/0402", "height/L1/0603", "area/L1/0402"];
        assert_eq!(choose(&labels, "height/L1/0402"), Ok(0));
        assert_eq!(choose(&labels, "area"), Ok(2));
        assert_eq!(choose(&labels, "0603"), Ok(1));
        let several = choose(&labels, "height").unwrap_err();
        assert!(
            several.contains("height/L1/0402, height/L1/0603"),
            "{several}"
        );
        let none = choose(&labels, "hieght/L1/0603").unwrap_err();
        assert!(none.contains("near are: height/L1/0603, "), "{none}");
        assert!(choose(&[], "x").unwrap_err().contains("no stream yet"));
    }

    #[test]
    fn distance_counts_changed_letters() {
        // The usual example of Levenshtein's distance: kitten and sitting.
        assert_eq!(distance("kitten", "sitting"), 3);
        assert_eq!(distance("", "ab"), 2);
        assert_eq!(distance("same", "same"), 0);
    }
}
