//! The slower suite of the statistics: simulations too long for the tests, with stated seeds.
//!
//! Purpose: make the committed tables, by one command each:
//! `cargo bench -p driftvane-spc --bench detection -- PART`, with `shares`, `averages`, `learning`,
//! `thresholds`, `set`, `steps`, `drifts`, `onsets`, `widening`, `widths`, `budget` or `all`.
//! Results go to `spc/benches/results`, and what is interpolated in also to `spc/src/detection`.
//! Must not measure time. The one invariant: the same command writes the same files.

#![expect(
    clippy::print_stdout,
    clippy::panic,
    reason = "this is a program of its own that prints its results and stops on a failure"
)]

mod coverage;
mod delays;
mod learning;
mod reference;
mod shares;
mod thresholds;
mod write;

fn main() {
    // Cargo adds --bench to what the user asks for.
    let part = std::env::args()
        .skip(1)
        .find(|word| !word.starts_with("--"));
    let part = part.unwrap_or_else(|| "all".to_owned());
    let parts: [(&str, fn()); 11] = [
        ("shares", shares::make),
        ("averages", shares::averages),
        ("learning", learning::make),
        ("thresholds", thresholds::make),
        ("set", thresholds::set_factors),
        ("steps", delays::steps),
        ("drifts", delays::drifts),
        ("onsets", coverage::onsets),
        ("widening", coverage::widening),
        ("widths", coverage::widths),
        ("budget", coverage::budget),
    ];
    let mut known = false;
    for (name, make) in parts {
        if part == name || part == "all" {
            println!("{name}");
            make();
            known = true;
        }
    }
    if !known {
        let names: Vec<&str> = parts.iter().map(|(name, _)| *name).collect();
        panic!(
            "{part} is not a part; choose all or one of {}",
            names.join(", ")
        );
    }
}
