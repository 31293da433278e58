//! How much room a line of text takes, guessed on the safe side.
//!
//! Must not know fonts: the reader's machine chooses one. Invariant: a text cut to a width is
//! never guessed wider than it.

/// Size of the text in charts.
pub(super) const SIZE_PX: f64 = 12.0;

/// The guessed width of `text`.
pub(super) fn width(text: &str) -> f64 {
    text.chars().map(advance).sum::<f64>() * SIZE_PX
}

/// What bold type adds to the width.
pub(super) const BOLD: f64 = 1.2;

/// `text`, shortened with an ellipsis where it is wider than `room`.
pub(super) fn cut(text: &str, room: f64) -> String {
    if width(text) <= room {
        return text.to_owned();
    }
    let ellipsis = advance('…') * SIZE_PX;
    let mut used = 0.0;
    let kept: String = text
        .chars()
        .take_while(|character| {
            used += advance(*character) * SIZE_PX;
            used + ellipsis <= room
        })
        .collect();
    format!("{}…", kept.trim_end())
}

/// `text` in at most `lines` lines of `room`, broken at spaces, and names that are wider than a
/// line after a slash; the last line is cut.
pub(super) fn wrapped(text: &str, room: f64, lines: usize) -> Vec<String> {
    let mut out: Vec<String> = Vec::new();
    for (gap, part) in parts(text, room) {
        let is_last = out.len() == lines;
        match out.last_mut() {
            Some(line) if is_last || width(line) + width(gap) + width(part) <= room => {
                line.push_str(gap);
                line.push_str(part);
            }
            _ => out.push(part.to_owned()),
        }
    }
    out.iter().map(|line| cut(line, room)).collect()
}

/// What may begin a line, each with what stands before it inside one.
fn parts(text: &str, room: f64) -> Vec<(&'static str, &str)> {
    let mut parts = Vec::new();
    for word in text.split_whitespace() {
        if width(word) <= room {
            parts.push((" ", word));
            continue;
        }
        let gaps = std::iter::once(" ").chain(std::iter::repeat(""));
        parts.extend(gaps.zip(word.split_inclusive('/')));
    }
    parts
}

/// As [`wrapped`], with lines about as long as each other rather than a word alone in the last.
pub(super) fn balanced(text: &str, room: f64, lines: usize) -> Vec<String> {
    let widest = wrapped(text, room, lines);
    let is_whole = |found: &Vec<String>| !found.iter().any(|line| line.ends_with('…'));
    if widest.len() < 2 || !is_whole(&widest) {
        return widest;
    }
    let narrower = (10..20).map(|share| wrapped(text, room * f64::from(share) / 20.0, lines + 1));
    let mut as_many = narrower.filter(|found| found.len() == widest.len() && is_whole(found));
    as_many.next().unwrap_or(widest)
}

fn advance(character: char) -> f64 {
    match character {
        'i' | 'j' | 'l' | '.' | ',' | ':' | ';' | '\'' | '|' | '!' => 0.32,
        ' ' | 'f' | 't' | 'r' | 'I' | '(' | ')' | '-' | '/' => 0.4,
        'm' | 'w' | 'M' | 'W' | '…' => 1.0,
        'A'..='Z' => 0.72,
        '\u{2e80}'.. => 1.1,
        _ => 0.62,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cut_text_fits_and_says_that_it_was_cut() {
        let long = "the mean of the paste height moved up and stays there";
        let short = cut(long, 120.0);
        assert!(width(&short) <= 120.0);
        assert!(short.ends_with('…'));
        assert_eq!(cut("short", 120.0), "short");
    }

    #[test]
    fn wrapping_loses_no_word_while_there_are_lines() {
        let text = "mean paste height, line 1, product Heron";
        let lines = wrapped(text, 130.0, 4);
        assert_eq!(lines.join(" "), text);
        assert!(lines.len() > 1);
        assert_eq!(wrapped(text, 130.0, 2).len(), 2);
        assert!(wrapped("", 130.0, 2).is_empty());
    }

    #[test]
    fn a_name_wider_than_a_line_breaks_after_a_slash() {
        let lines = wrapped(
            "Readings of paste-height/L1/demo-controller/fine/back",
            200.0,
            3,
        );
        assert!(
            lines.len() > 1 && lines.iter().all(|line| width(line) <= 200.0),
            "{lines:?}"
        );
        let together = lines.join("");
        assert!(
            together.ends_with("paste-height/L1/demo-controller/fine/back"),
            "{lines:?}"
        );
        let short = wrapped("a/b c/d", 200.0, 3);
        assert_eq!(short, ["a/b c/d"]);
    }

    #[test]
    fn balanced_lines_leave_no_word_alone() {
        let text = "a lasting shift, by cumulative sums, 52 points";
        let room = width(text) - 10.0;
        assert_eq!(wrapped(text, room, 2)[1], "points");
        let lines = balanced(text, room, 2);
        assert_eq!(lines.join(" "), text);
        let widths: Vec<f64> = lines.iter().map(|line| width(line)).collect();
        assert!(
            widths.len() == 2 && widths[1] > 0.6 * widths[0],
            "{lines:?}"
        );
        assert_eq!(balanced("short", room, 2), ["short"]);
        assert_eq!(balanced(text, 60.0, 2), wrapped(text, 60.0, 2));
    }
}
