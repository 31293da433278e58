//! What templates may do to a number.
//!
//! Must not know any view. Invariant: a missing number becomes a dash in every filter; text given
//! to a number filter is an error that names the filter's wish.

use minijinja::{Environment, Error, ErrorKind, Value};

use crate::number;

/// Registers the filters.
pub(crate) fn register(environment: &mut Environment<'_>) {
    environment.add_filter("count", |value: Value| {
        formatted(&value, |number| number::count(number.max(0.0) as u64))
    });
    environment.add_filter("num", |value: Value, digits: Option<u32>| {
        let digits = digits.unwrap_or(3).clamp(1, 12) as usize;
        formatted(&value, |number| number::significant(number, digits))
    });
    environment.add_filter("signed", |value: Value, digits: Option<u32>| {
        let digits = digits.unwrap_or(3).clamp(1, 12) as usize;
        formatted(&value, |number| number::signed(number, digits))
    });
    environment.add_filter("fixed", |value: Value, decimals: Option<u32>| {
        let decimals = decimals.unwrap_or(2).min(12) as usize;
        formatted(&value, |number| number::fixed(number, decimals))
    });
    environment.add_filter("percent", |value: Value| formatted(&value, number::percent));
    environment.add_filter("percent_to", |low: Value, high: Value| {
        let low = formatted(&low, number::percent_digits)?;
        Ok::<String, Error>(format!("{low}–{}", formatted(&high, number::percent)?))
    });
    environment.add_filter("ppm", |value: Value| formatted(&value, number::per_million));
}

fn formatted(value: &Value, format: impl Fn(f64) -> String) -> Result<String, Error> {
    if value.is_none() {
        return Ok(number::MISSING.to_owned());
    }
    let number = f64::try_from(value.clone()).map_err(|_| {
        Error::new(
            ErrorKind::InvalidOperation,
            format!("a number is wanted, not {value:?}"),
        )
    })?;
    Ok(format(number))
}
