//! What templates may do to a number and a sentence.
//!
//! Must not know any view. Invariant: a missing number becomes a dash in every filter; text given
//! to a number filter is an error that names the filter's wish.

use minijinja::value::Kwargs;
use minijinja::{Environment, Error, ErrorKind, Value};

use crate::number;
use crate::speech::Speech;

/// Registers the filters, which write as a language does.
pub(crate) fn register(environment: &mut Environment<'_>, speech: &Speech) {
    numbers(environment, speech);
    let words = speech.clone();
    environment.add_filter("say", move |text: &str, holes: Kwargs| {
        let filled = |name: &str| holes.get::<Value>(name).ok().map(|hole| hole.to_string());
        let said = words.fill(text, filled);
        // What is no sentence of the books is the template's own.
        said.or_else(|| holes.args().next().is_none().then(|| words.say(text)))
            .ok_or_else(|| {
                let why = format!("no sentence of the reports is {text:?} with these holes");
                Error::new(ErrorKind::InvalidOperation, why)
            })
    });
}

fn numbers(environment: &mut Environment<'_>, speech: &Speech) {
    let filter = |write: fn(f64, usize) -> String, usual: u32, most: u32, least: u32| {
        let speech = speech.clone();
        move |value: Value, digits: Option<u32>| {
            let digits = digits.unwrap_or(usual).clamp(least, most) as usize;
            formatted(&speech, &value, |number| write(number, digits))
        }
    };
    environment.add_filter("num", filter(number::significant, 3, 12, 1));
    environment.add_filter("signed", filter(number::signed, 3, 12, 1));
    environment.add_filter("fixed", filter(number::fixed, 2, 12, 0));
    let words = speech.clone();
    environment.add_filter("count", move |value: Value| {
        formatted(&words, &value, |number| {
            number::count(number.max(0.0) as u64)
        })
    });
    let words = speech.clone();
    environment.add_filter("percent", move |value: Value| {
        formatted(&words, &value, number::percent)
    });
    let words = speech.clone();
    environment.add_filter("percent_to", move |low: Value, high: Value| {
        let low = formatted(&words, &low, number::percent_digits)?;
        let high = formatted(&words, &high, number::percent)?;
        Ok::<String, Error>(format!("{low}–{high}"))
    });
    let words = speech.clone();
    environment.add_filter("ppm", move |value: Value| {
        formatted(&words, &value, number::per_million)
    });
}

fn formatted(
    speech: &Speech,
    value: &Value,
    format: impl Fn(f64) -> String,
) -> Result<String, Error> {
    if value.is_none() {
        return Ok(number::MISSING.to_owned());
    }
    let number = f64::try_from(value.clone()).map_err(|_| {
        Error::new(
            ErrorKind::InvalidOperation,
            format!("a number is wanted, not {value:?}"),
        )
    })?;
    Ok(speech.number(&format(number)))
}
