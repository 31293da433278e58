//! The paste station: one wide file per panel, one row per deposit.
//!
//! Must not know the other stations. Invariant: a panel's rows depend on the seed, the settings
//! and the panel's number only, so files may be written in any order.

use jiff::Timestamp;

use super::random::Random;
use super::settings::{Settings, Stroke};
use super::{Layout, Stream, panel_id};

/// The columns, in order.
pub(super) const HEADER: &str = "Inspected at,Panel,Position,Component,Pin,Stroke,Recipe,Stencil,\
     Height um,Area pct,Volume pct,Offset x um,Offset y um,Result\n";

/// RFC 3339 with the local offset.
pub(super) const TIME_FORMAT: &str = "%Y-%m-%dT%H:%M:%S%:z";

/// What stays the same for a pad from panel to panel, in um; by position, then deposit.
pub(super) struct Pads(Vec<f64>);

impl Pads {
    pub(super) fn new(settings: &Settings, layout: &Layout, seed: u64) -> Self {
        let mut random = Random::new(seed, &[Stream::Pads as u64]);
        let boards = 0..settings.plant.boards;
        let offsets = boards
            .flat_map(|_| &layout.deposits)
            .map(|deposit| settings.family[deposit.family].height_pad_sd_um * random.normal());
        Self(offsets.collect())
    }
}

/// A panel to be written: its number, when it was printed and that time as text.
pub(super) struct Panel {
    pub number: u32,
    pub at: Timestamp,
    pub time_text: String,
}

/// What all deposits of one family on one panel have in common.
struct FamilyEffect {
    height_um: f64,
    area_pct: f64,
}

fn family_effects(settings: &Settings, panel: u32, random: &mut Random) -> Vec<FamilyEffect> {
    let share = settings.paste.common_share;
    let (common, own) = (share.sqrt(), (1.0 - share).sqrt());
    let all = random.normal();
    let mut effects = Vec::with_capacity(settings.family.len());
    for family in &settings.family {
        let between = common * all + own * random.normal();
        let mut effect = FamilyEffect {
            height_um: family.height_um + family.height_between_sd_um * between,
            area_pct: family.area_pct + family.area_between_sd_pct * random.normal(),
        };
        for drift in settings
            .paste_drift
            .iter()
            .filter(|drift| drift.family == family.name)
        {
            let prints = f64::from(drift.prints_at(panel));
            effect.height_um += prints * drift.height_um_per_print;
            effect.area_pct += prints * drift.area_pct_per_print;
        }
        effects.push(effect);
    }
    effects
}

/// Appends the rows of one panel, `rows` of them, spread evenly over the boards and over the
/// deposits of each board. `rows` must not exceed the deposits the panel has.
pub(super) fn write_rows(
    out: &mut Vec<u8>,
    station: (&Settings, &Layout, &Pads),
    seed: u64,
    (panel, rows): (&Panel, u32),
) {
    let (settings, layout, pads) = station;
    let paste = &settings.paste;
    let mut random = Random::new(seed, &[Stream::Paste as u64, u64::from(panel.number)]);
    let effects = family_effects(settings, panel.number, &mut random);
    let offset_x_um = paste.offset_x_um + paste.offset_between_sd_um * random.normal();
    let offset_y_um = paste.offset_y_um + paste.offset_between_sd_um * random.normal();
    let stroke = Stroke::of_panel(panel.number);
    let stroke_um = match stroke {
        Stroke::Front => paste.front_um,
        Stroke::Back => paste.back_um,
    };
    let lead = format!("{},{},", panel.time_text, panel_id(panel.number));
    let tail = format!(",{},{},{},", stroke.name(), paste.recipe, paste.stencil);
    for (position, index) in places(settings, layout, rows) {
        let deposit = &layout.deposits[index];
        let family = &settings.family[deposit.family];
        let effect = &effects[deposit.family];
        let pad_um = pads.0[position * layout.deposits.len() + index];
        let height_um = effect.height_um
            + stroke_um
            + paste.position_um[position]
            + pad_um
            + family.height_within_sd_um * random.normal();
        let area_pct = effect.area_pct + family.area_within_sd_pct * random.normal();
        let noise = 1.0 + paste.volume_noise_pct / 100.0 * random.normal();
        let volume_pct = height_um / paste.foil_um * area_pct * noise;
        let x_um = offset_x_um + paste.offset_within_sd_um * random.normal();
        let y_um = offset_y_um + paste.offset_within_sd_um * random.normal();

        out.extend_from_slice(lead.as_bytes());
        out.extend_from_slice(layout.position_texts[position].as_bytes());
        out.extend_from_slice(deposit.text.as_bytes());
        out.extend_from_slice(tail.as_bytes());
        for value in [height_um, area_pct, volume_pct, x_um, y_um] {
            push_tenths(out, value);
            out.push(b',');
        }
        out.extend_from_slice(result(settings, height_um).as_bytes());
        out.push(b'\n');
    }
}

/// Which deposits get a row: (position from 0, deposit of the board).
fn places(settings: &Settings, layout: &Layout, rows: u32) -> impl Iterator<Item = (usize, usize)> {
    let boards = settings.plant.boards as usize;
    let rows = rows as usize;
    let deposits = layout.deposits.len();
    (0..boards).flat_map(move |position| {
        let per_board = rows / boards + usize::from(position < rows % boards);
        (0..per_board).map(move |row| (position, row * deposits / per_board))
    })
}

/// The station's own verdict on the height as it is written, rounded to a tenth.
fn result(settings: &Settings, height_um: f64) -> &'static str {
    let height_um = (height_um * 10.0).round() / 10.0;
    if height_um < settings.paste.height_lower_um {
        "height low"
    } else if height_um > settings.paste.height_upper_um {
        "height high"
    } else {
        "ok"
    }
}

/// Writes a number with one decimal. Done by hand because a large input has millions of them.
fn push_tenths(out: &mut Vec<u8>, value: f64) {
    let tenths = (value * 10.0).round() as i64;
    if tenths < 0 {
        out.push(b'-');
    }
    let mut digits = [b'0'; 20];
    let mut rest = tenths.unsigned_abs();
    let mut start = digits.len();
    // At least two digits, so that 0.3 keeps its leading zero.
    while rest > 0 || digits.len() - start < 2 {
        start -= 1;
        digits[start] = b'0' + (rest % 10) as u8;
        rest /= 10;
    }
    let (whole, tenth) = digits[start..].split_at(digits.len() - start - 1);
    out.extend_from_slice(whole);
    out.push(b'.');
    out.extend_from_slice(tenth);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tenths_are_written_as_the_standard_formatter_does() {
        for tenths in [
            -1_234_567, -100, -99, -10, -3, -1, 1, 3, 9, 10, 11, 99, 100, 1_205,
        ] {
            let value = f64::from(tenths) / 10.0;
            let mut out = Vec::new();
            push_tenths(&mut out, value);
            assert_eq!(String::from_utf8(out).unwrap(), format!("{value:.1}"));
        }
        let mut out = Vec::new();
        push_tenths(&mut out, -0.02);
        assert_eq!(out, b"0.0", "a rounded zero has no sign");
    }
}
