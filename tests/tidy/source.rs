//! Source text as the checks see it: files, code without comments and texts, functions.
//!
//! Knows no rule of the house. The invariant: masked code has exactly the lines and columns of
//! the text it was made from, so that a finding can say where it is.

use std::path::{Path, PathBuf};

/// A file of the repository.
pub struct Source {
    /// Its path from the root, with `/` between the parts.
    pub path: String,
    /// Its text.
    pub text: String,
    /// The text with blanks in place of comments, strings and characters; Rust only.
    pub code: String,
}

/// A function: its name, its first line and how many lines it has.
#[derive(Debug, PartialEq, Eq)]
pub struct Function {
    /// The name.
    pub name: String,
    /// The line with `fn`, from 1.
    pub line: usize,
    /// Lines from `fn` to the closing brace.
    pub lines: usize,
}

/// The root of the repository.
pub fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..")
}

/// The text files below the root that end so, in order of their paths.
pub fn sources(endings: &[&str]) -> Vec<Source> {
    let mut paths = Vec::new();
    walk(&root(), &mut paths);
    paths.sort();
    let wanted = |path: &PathBuf| {
        let name = path.to_string_lossy();
        endings.iter().any(|ending| name.ends_with(ending))
    };
    paths.into_iter().filter(wanted).map(read).collect()
}

/// A file of the repository.
pub fn source(path: &str) -> Source {
    read(root().join(path))
}

fn read(path: PathBuf) -> Source {
    let bytes = std::fs::read(&path)
        .unwrap_or_else(|error| panic!("{} can not be read: {error}", path.display()));
    // Some sample files are in other encodings on purpose; what is looked for is ASCII.
    let text = String::from_utf8_lossy(&bytes).into_owned();
    let relative = path.strip_prefix(root()).unwrap_or(&path);
    let relative = relative.to_string_lossy().replace('\\', "/");
    let rust = relative.ends_with(".rs");
    let code = if rust { mask(&text) } else { String::new() };
    Source {
        path: relative,
        text,
        code,
    }
}

fn walk(folder: &Path, found: &mut Vec<PathBuf>) {
    let entries = std::fs::read_dir(folder)
        .unwrap_or_else(|error| panic!("{} can not be listed: {error}", folder.display()));
    for entry in entries {
        let path = entry
            .expect("an entry of a folder that can be listed")
            .path();
        let name = path
            .file_name()
            .unwrap_or_default()
            .to_string_lossy()
            .into_owned();
        // Builds, the history and run state are not ours to keep tidy.
        if ["target", ".git", "driftvane-data"].contains(&name.as_str()) {
            continue;
        }
        if path.is_dir() {
            walk(&path, found);
        } else {
            found.push(path);
        }
    }
}

/// Blanks in place of comments, strings and characters.
pub fn mask(text: &str) -> String {
    let bytes = text.as_bytes();
    let mut masked = String::with_capacity(bytes.len());
    let mut place = 0;
    while place < bytes.len() {
        let end = skipped(bytes, place);
        if end > place {
            let part = text.get(place..end).unwrap_or_default();
            masked.extend(part.chars().map(|c| if c == '\n' { '\n' } else { ' ' }));
            place = end;
            continue;
        }
        let rest = text.get(place..).unwrap_or_default();
        let next = rest.chars().next().unwrap_or(' ');
        masked.push(next);
        place += next.len_utf8();
    }
    masked
}

/// The end of the comment, string or character that begins here; the same place if none does.
fn skipped(bytes: &[u8], place: usize) -> usize {
    let rest = &bytes[place..];
    let inside_word = place > 0 && is_word(bytes[place - 1]);
    if rest.starts_with(b"//") {
        return place + rest.iter().position(|&b| b == b'\n').unwrap_or(rest.len());
    }
    if rest.starts_with(b"/*") {
        return place + block_comment(rest);
    }
    if !inside_word && let Some(length) = raw_string(rest) {
        return place + length;
    }
    if rest.first() == Some(&b'"') {
        return place + quoted(rest);
    }
    if rest.first() == Some(&b'\'') {
        return place + character(rest);
    }
    place
}

fn is_word(byte: u8) -> bool {
    byte.is_ascii_alphanumeric() || byte == b'_'
}

fn block_comment(rest: &[u8]) -> usize {
    let mut depth = 0_usize;
    let mut place = 0;
    while place < rest.len() {
        if rest[place..].starts_with(b"/*") {
            depth += 1;
            place += 2;
        } else if rest[place..].starts_with(b"*/") {
            depth -= 1;
            place += 2;
            if depth == 0 {
                return place;
            }
        } else {
            place += 1;
        }
    }
    rest.len()
}

/// The length of a raw string that begins here.
fn raw_string(rest: &[u8]) -> Option<usize> {
    let mark = if rest.starts_with(b"br") { 2 } else { 1 };
    if rest.get(mark - 1) != Some(&b'r') {
        return None;
    }
    let hashes = rest[mark..].iter().take_while(|&&b| b == b'#').count();
    if rest.get(mark + hashes) != Some(&b'"') {
        return None;
    }
    let close: Vec<u8> = std::iter::once(b'"')
        .chain(std::iter::repeat_n(b'#', hashes))
        .collect();
    let start = mark + hashes + 1;
    let end = rest[start..]
        .windows(close.len())
        .position(|window| window == close);
    Some(end.map_or(rest.len(), |end| start + end + close.len()))
}

fn quoted(rest: &[u8]) -> usize {
    let mut place = 1;
    while place < rest.len() {
        match rest[place] {
            b'\\' => place += 2,
            b'"' => return place + 1,
            _ => place += 1,
        }
    }
    rest.len()
}

/// The length of a character that begins here, 0 where it is a lifetime.
fn character(rest: &[u8]) -> usize {
    if rest.get(1) == Some(&b'\\') {
        let end = rest.iter().skip(3).position(|&b| b == b'\'');
        return end.map_or(0, |end| end + 4);
    }
    // A character is one code point, at most four bytes, between two quotes.
    let close = rest.iter().take(6).skip(2).position(|&b| b == b'\'');
    match close {
        Some(0) => 3,
        Some(more) if rest[1] >= 0x80 => more + 3,
        _ => 0,
    }
}

/// The functions with a body in masked code.
pub fn functions(code: &str) -> Vec<Function> {
    let mut found = Vec::new();
    let line_of = |place: usize| code[..place].matches('\n').count() + 1;
    for (start, _) in code.match_indices("fn ") {
        if start > 0 && is_word(code.as_bytes()[start - 1]) {
            continue;
        }
        let name: String = code[start + 3..]
            .chars()
            .take_while(|c| c.is_alphanumeric() || *c == '_')
            .collect();
        // A type such as `fn (u8)` has no name.
        if name.is_empty() {
            continue;
        }
        if let Some(end) = body_end(code.as_bytes(), start) {
            let line = line_of(start);
            found.push(Function {
                name,
                line,
                lines: line_of(end) - line + 1,
            });
        }
    }
    found
}

/// Where the body of the function ends; none where it is only declared.
fn body_end(code: &[u8], start: usize) -> Option<usize> {
    let mut depth = 0_usize;
    let mut brackets = 0_usize;
    for (place, &byte) in code.iter().enumerate().skip(start) {
        match byte {
            b';' if depth == 0 && brackets == 0 => return None,
            b'[' | b'(' => brackets += 1,
            b']' | b')' => brackets = brackets.saturating_sub(1),
            b'{' => depth += 1,
            b'}' => {
                depth = depth.saturating_sub(1);
                if depth == 0 {
                    return Some(place);
                }
            }
            _ => {}
        }
    }
    None
}

/// Whether masked code has this word, not as a part of a longer one.
pub fn has_word(line: &str, word: &str) -> bool {
    let bytes = line.as_bytes();
    line.match_indices(word).any(|(start, _)| {
        let before = start
            .checked_sub(1)
            .is_none_or(|place| !is_word(bytes[place]));
        let after = bytes
            .get(start + word.len())
            .is_none_or(|&byte| !is_word(byte));
        before && after
    })
}
