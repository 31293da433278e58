//! The optical station: one file per panel that lists only what the machine called.
//!
//! Must not know the other stations. Invariant: every panel gives a file; a panel without calls
//! gives the lines before the header and the header alone.

use std::fmt::Write as _;

use super::random::Random;
use super::settings::{DefectBurst, Settings};
use super::{Layout, Stream, panel_id};

const HEADER: &str = "Component;Pin;Position;Defect;Review\n";

/// Local time, day first.
pub(super) const TIME_FORMAT: &str = "%d.%m.%Y %H:%M:%S";

/// A machine call. The order of the fields is the order of the rows.
#[derive(PartialEq, Eq, PartialOrd, Ord)]
struct Call {
    position: u32,
    deposit: usize,
    has_pin: bool,
    defect: String,
    review: &'static str,
}

/// The whole file of one panel.
pub(super) fn file(
    settings: &Settings,
    layout: &Layout,
    seed: u64,
    (panel, time_text): (u32, &str),
) -> Vec<u8> {
    let mut random = Random::new(seed, &[Stream::Optical as u64, u64::from(panel)]);
    let optical = &settings.optical;
    let mut calls = Vec::new();
    // Panels differ in how hard they are to inspect, so counts spread more than Poisson counts.
    let false_rate = optical.false_calls_per_panel * (0.4 + 1.2 * random.uniform());
    for _ in 0..random.poisson(false_rate) {
        calls.push(scattered_call(settings, layout, &mut random, "false call"));
    }
    for _ in 0..random.poisson(optical.confirmed_per_panel) {
        calls.push(scattered_call(settings, layout, &mut random, "confirmed"));
    }
    for burst in &settings.defect_burst {
        if (burst.from_panel..=burst.to_panel).contains(&panel) {
            for _ in 0..random.poisson(burst.per_panel) {
                calls.push(burst_call(settings, layout, &mut random, burst));
            }
        }
    }
    calls.sort();
    calls.dedup_by(|a, b| (a.position, a.deposit, &a.defect) == (b.position, b.deposit, &b.defect));
    let opportunities =
        u64::from(optical.opportunities_per_board) * u64::from(settings.plant.boards);
    let mut text = format!(
        "Panel: {}\nRecipe: {}\nInspected: {time_text}\nOpportunities: {opportunities}\n{HEADER}",
        panel_id(panel),
        optical.recipe
    );
    for call in &calls {
        push_row(&mut text, layout, call);
    }
    text.into_bytes()
}

fn scattered_call(
    settings: &Settings,
    layout: &Layout,
    random: &mut Random,
    verdict: &'static str,
) -> Call {
    let optical = &settings.optical;
    let has_pin = !random.happens(optical.component_share);
    let names = if has_pin {
        &optical.pin_defects
    } else {
        &optical.component_defects
    };
    let mut deposit = random.below(layout.deposits.len() as u32) as usize;
    if !has_pin {
        // One component, one row: a call on the body is kept at the component's first pin.
        deposit -= layout.deposits[deposit].pin as usize - 1;
    }
    Call {
        position: 1 + random.below(settings.plant.boards),
        deposit,
        has_pin,
        defect: names[random.below(names.len() as u32) as usize].clone(),
        review: if random.happens(optical.pending_share) {
            "not yet"
        } else {
            verdict
        },
    }
}

fn burst_call(
    settings: &Settings,
    layout: &Layout,
    random: &mut Random,
    burst: &DefectBurst,
) -> Call {
    let pin = burst.first_pin + random.below(burst.last_pin - burst.first_pin + 1);
    let found = layout
        .deposits
        .iter()
        .position(|deposit| deposit.component == burst.component && deposit.pin == pin);
    Call {
        position: 1 + random.below(settings.plant.boards),
        // The settings are checked to name an existing component and pins.
        deposit: found.unwrap_or(0),
        has_pin: true,
        defect: burst.defect.clone(),
        review: "confirmed",
    }
}

fn push_row(text: &mut String, layout: &Layout, call: &Call) {
    let deposit = &layout.deposits[call.deposit];
    let pin = if call.has_pin {
        deposit.pin.to_string()
    } else {
        String::new()
    };
    let Call {
        position,
        defect,
        review,
        ..
    } = call;
    // Writing to a String cannot fail.
    let _infallible = writeln!(
        text,
        "{};{pin};{position};{defect};{review}",
        deposit.component
    );
}
