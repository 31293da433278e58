//! Leaves out points that could not be seen, without changing the picture.
//!
//! Must not know what the values mean. Invariant: in every pixel column the first, the last, the
//! lowest and the highest point stay, and so does every point that must be kept, unless it would
//! be drawn on top of another kept one.

/// Two dots closer than this cannot be told apart.
const SAME_DOT_PX: f64 = 2.0;

/// One point of a series in pixels; `y` is `None` where there is no value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Spot {
    /// Position along time.
    pub(super) x: f64,
    /// Height; `None` breaks the line.
    pub(super) y: Option<f64>,
    /// Must stay in the picture.
    pub(super) is_kept: bool,
    /// Starts a new line, because of a pause before it.
    pub(super) is_start: bool,
    /// The stratum whose shape it has.
    pub(super) stratum: Option<usize>,
}

/// Indices of the spots to draw, rising.
pub(super) fn thinned(spots: &[Spot]) -> Vec<usize> {
    let mut drawn = Vec::new();
    let mut from = 0;
    while from < spots.len() {
        let column = spots[from].x.floor();
        let length = spots[from..]
            .iter()
            .take_while(|spot| spot.x.floor() <= column)
            .count()
            .max(1);
        column_into(&mut drawn, spots, from..from + length);
        from += length;
    }
    drawn
}

fn column_into(drawn: &mut Vec<usize>, spots: &[Spot], column: std::ops::Range<usize>) {
    let with_value = || column.clone().filter(|index| spots[*index].y.is_some());
    let height = |index: &usize| spots[*index].y.unwrap_or(f64::NAN);
    let extremes = [
        with_value().next(),
        with_value().next_back(),
        with_value().min_by(|a, b| height(a).total_cmp(&height(b))),
        with_value().max_by(|a, b| height(a).total_cmp(&height(b))),
    ];
    let mut heights: Vec<f64> = Vec::new();
    for index in column {
        let spot = &spots[index];
        let is_break = spot.y.is_none() || spot.is_start;
        let mut is_own = false;
        if let Some(y) = spot.y.filter(|_| spot.is_kept) {
            is_own = heights.iter().all(|other| (other - y).abs() >= SAME_DOT_PX);
            if is_own {
                heights.push(y);
            }
        }
        if is_own || is_break || extremes.contains(&Some(index)) {
            drawn.push(index);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn spots(count: usize, width: f64) -> Vec<Spot> {
        (0..count)
            .map(|index| Spot {
                x: index as f64 / count as f64 * width,
                y: Some((index as f64 * 0.37).sin() * 50.0),
                is_kept: false,
                is_start: false,
                stratum: None,
            })
            .collect()
    }

    #[test]
    fn thinning_keeps_extremes_and_marked_points() {
        let mut all = spots(50_000, 600.0);
        all[12_345].y = Some(900.0);
        all[23_456].y = Some(-900.0);
        all[34_567].is_kept = true;
        let drawn = thinned(&all);
        assert!(
            drawn.len() <= 600 * 4 + 1,
            "{} points are drawn",
            drawn.len()
        );
        for index in [0, 12_345, 23_456, 34_567, 49_999] {
            assert!(drawn.contains(&index), "point {index} is lost");
        }
        assert!(drawn.windows(2).all(|pair| pair[0] < pair[1]));
    }

    #[test]
    fn a_flood_of_signals_keeps_one_dot_per_place() {
        let mut all = spots(100_000, 100.0);
        for spot in &mut all {
            spot.is_kept = true;
        }
        let drawn = thinned(&all);
        assert!(
            drawn.len() <= 100 * (50 + 4),
            "{} points are drawn",
            drawn.len()
        );
        let is_covered = |spot: &Spot| {
            let near = |other: &usize| {
                let other = &all[*other];
                let rise = other.y.unwrap() - spot.y.unwrap();
                other.x.floor() <= spot.x && spot.x < other.x.floor() + 1.0 && rise.abs() < 2.0
            };
            drawn.iter().any(near)
        };
        assert!(all.iter().step_by(997).all(is_covered));
    }

    #[test]
    fn few_points_are_all_drawn() {
        let all = spots(100, 600.0);
        assert_eq!(thinned(&all), (0..100).collect::<Vec<_>>());
    }

    #[test]
    fn a_missing_value_still_breaks_the_line() {
        let mut all = spots(5_000, 100.0);
        all[2_222].y = None;
        assert!(thinned(&all).contains(&2_222));
        assert!(thinned(&[]).is_empty());
    }
}
