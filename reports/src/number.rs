//! Numbers as text, with as many digits as their reader can use.
//!
//! Must not know any unit or view. Invariant: the text depends on the number and the digits
//! asked for only; what is missing or not finite is written as a dash, never as a number.

/// What stands where a number is missing.
pub(crate) const MISSING: &str = "–";

pub(crate) const GROUP_SEPARATOR: char = '\u{202f}';
pub(crate) const MINUS: char = '\u{2212}';

/// A whole number, its digits grouped by three from ten thousand on.
pub(crate) fn count(value: u64) -> String {
    grouped(&value.to_string())
}

/// A number with `digits` significant digits, in plain notation while that stays readable.
pub(crate) fn significant(value: f64, digits: usize) -> String {
    if !value.is_finite() {
        return MISSING.to_owned();
    }
    let size = value.abs();
    if size < f64::MIN_POSITIVE {
        return "0".to_owned();
    }
    if !(1e-5..1e9).contains(&size) {
        return scientific(value, digits);
    }
    fixed(value, decimals_for(size, digits))
}

/// A number with `decimals` digits after the point.
pub(crate) fn fixed(value: f64, decimals: usize) -> String {
    if !value.is_finite() {
        return MISSING.to_owned();
    }
    if value.abs() >= 1e15 {
        return scientific(value, 4);
    }
    let text = format!("{:.*}", decimals, value.abs());
    let (whole, fraction) = match text.split_once('.') {
        Some((whole, fraction)) => (whole, Some(fraction)),
        None => (text.as_str(), None),
    };
    let is_zero = text.bytes().all(|byte| matches!(byte, b'0' | b'.'));
    let mut out = String::new();
    if value < 0.0 && !is_zero {
        out.push(MINUS);
    }
    out.push_str(&grouped(whole));
    if let Some(fraction) = fraction {
        out.push('.');
        out.push_str(fraction);
    }
    out
}

/// A number with its sign always written, for the size of a shift.
pub(crate) fn signed(value: f64, digits: usize) -> String {
    let text = significant(value, digits);
    if value.is_finite() && value > 0.0 {
        format!("+{text}")
    } else {
        text
    }
}

/// A fraction as a percentage. Close to 100 % the distance from it keeps two digits, so that
/// 99.96 % is not rounded up to a perfect yield.
pub(crate) fn percent(fraction: f64) -> String {
    if !fraction.is_finite() {
        return MISSING.to_owned();
    }
    format!("{} %", percent_digits(fraction))
}

/// The digits of [`percent`] without the sign.
pub(crate) fn percent_digits(fraction: f64) -> String {
    let percentage = fraction * 100.0;
    let distance = (100.0 - percentage).abs().min(percentage.abs());
    let decimals = if distance < 1e-9 {
        1
    } else {
        decimals_for(distance, 2).clamp(1, 4)
    };
    fixed(percentage, decimals)
}

/// Parts per million: whole from 100 on, two digits below, "< 0.01" where nothing is left.
#[must_use]
pub fn per_million(value: f64) -> String {
    if !value.is_finite() {
        MISSING.to_owned()
    } else if value > 0.0 && value < 0.01 {
        "< 0.01".to_owned()
    } else if value >= 100.0 {
        fixed(value, 0)
    } else {
        significant(value, 2)
    }
}

/// A duration in the largest two units that say something.
pub(crate) fn duration(seconds: f64) -> String {
    if seconds >= 172_800.0 {
        format!("{} d", fixed(seconds / 86_400.0, 1))
    } else if seconds >= 5_400.0 {
        format!("{} h", fixed(seconds / 3_600.0, 1))
    } else if seconds >= 90.0 {
        format!("{} min", fixed(seconds / 60.0, 0))
    } else {
        format!("{} s", fixed(seconds, 0))
    }
}

/// Digits after the point that give `size` the wanted number of significant digits.
pub(crate) fn decimals_for(size: f64, digits: usize) -> usize {
    if !size.is_finite() || size <= 0.0 {
        return 0;
    }
    let exponent = size.log10().floor();
    (0..=12)
        .find(|decimals| f64::from(*decimals) + exponent + 1.0 >= digits as f64)
        .map_or(12, |decimals| decimals as usize)
}

fn scientific(value: f64, digits: usize) -> String {
    format!("{:.*e}", digits.saturating_sub(1), value).replace('-', &MINUS.to_string())
}

fn grouped(digits: &str) -> String {
    if digits.len() < 5 {
        return digits.to_owned();
    }
    let mut out = String::new();
    for (position, digit) in digits.chars().enumerate() {
        if position > 0 && (digits.len() - position).is_multiple_of(3) {
            out.push(GROUP_SEPARATOR);
        }
        out.push(digit);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn significant_digits_follow_the_size_of_the_number() {
        let cases = [
            (123.456, 4, "123.5"),
            (0.012_345, 3, "0.0123"),
            (-4.2, 3, "\u{2212}4.20"),
            (0.0, 3, "0"),
            (12_345.6, 3, "12\u{202f}346"),
            (1.5e12, 3, "1.50e12"),
            (2.0e-7, 2, "2.0e\u{2212}7"),
            (f64::NAN, 3, MISSING),
            (f64::INFINITY, 3, MISSING),
        ];
        for (value, digits, expected) in cases {
            assert_eq!(
                significant(value, digits),
                expected,
                "{value} with {digits} digits"
            );
        }
    }

    #[test]
    fn a_yield_just_below_one_is_never_shown_as_perfect() {
        assert_eq!(percent(0.9996), "99.960 %");
        assert_eq!(percent(0.99996), "99.9960 %");
        assert_eq!(percent(1.0), "100.0 %");
        assert_eq!(percent(0.0), "0.0 %");
        assert_eq!(percent(0.873), "87.3 %");
    }

    #[test]
    fn rounding_to_nothing_leaves_no_minus_sign() {
        assert_eq!(fixed(-0.0004, 2), "0.00");
        assert_eq!(signed(0.5, 2), "+0.50");
        assert_eq!(signed(-0.5, 2), "\u{2212}0.50");
    }

    #[test]
    fn parts_per_million_keep_what_a_reader_can_use() {
        let cases = [
            (0.0, "0"),
            (0.001, "< 0.01"),
            (3.41, "3.4"),
            (66_807.2, "66\u{202f}807"),
        ];
        for (value, expected) in cases {
            assert_eq!(per_million(value), expected);
        }
    }

    #[test]
    fn durations_use_the_unit_a_person_would() {
        let cases = [
            (45.0, "45 s"),
            (600.0, "10 min"),
            (9_000.0, "2.5 h"),
            (259_200.0, "3.0 d"),
        ];
        for (seconds, expected) in cases {
            assert_eq!(duration(seconds), expected);
        }
    }
}
