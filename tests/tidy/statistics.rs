//! What the text over a public function of the statistics has to say.
//!
//! Knows no statistics. The invariant: every public function is looked at, and nothing else.

use crate::source::Source;

/// What is missing over the public functions of a file, one a line.
pub fn missing(file: &Source) -> Vec<String> {
    let lines: Vec<&str> = file.text.lines().collect();
    // Masked, so that no comment or text passes for a function.
    let code = file.code.split("#[cfg(test)]\nmod tests {").next();
    let is_public = |line: &str| {
        let line = line.trim_start();
        line.starts_with("pub fn ") || line.starts_with("pub const fn ")
    };
    let mut found = Vec::new();
    for (number, line) in code.unwrap_or_default().lines().enumerate() {
        if is_public(line) {
            let text = over(&lines[..number]);
            let mut miss = |is_there: bool, what| {
                if !is_there {
                    found.push(format!("{}:{}: {what}", file.path, number + 1));
                }
            };
            miss(text.contains("```"), "an example");
            let lower = text.to_lowercase();
            let says_cost = ["cost", "constant time"].iter().any(|a| lower.contains(a));
            miss(says_cost, "what it costs");
            let fails = lines[number..].iter().take(8).copied();
            let head: String = fails.take_while(|line| !line.ends_with('}')).collect();
            let head = head.split('{').next().unwrap_or_default();
            let can_fail = head.contains("-> Result<");
            miss(
                !can_fail || text.contains("# Errors"),
                "which errors it gives",
            );
        }
    }
    found
}

/// The comment right over a line, attributes between them passed over.
fn over(before: &[&str]) -> String {
    let belongs = |line: &&&str| {
        let line = line.trim_start();
        line.starts_with("///") || line.starts_with("#[")
    };
    let lines: Vec<&str> = before.iter().rev().take_while(belongs).copied().collect();
    lines.join("\n")
}
