//! One TOML value to what it should be, or the fault that says what is wrong and how to write it.
//!
//! Knows no table and reports nothing. Must never turn a value of one type into another, but an integer into a number.

use std::ops::RangeInclusive;

use toml::de::DeValue;

use super::field::Fault;
use crate::config::problem::quoted;
use crate::config::quantity::{self, Dimension, QuantityError};
use crate::reading::UnixMs;

/// The fault of a value of the wrong type.
pub(in crate::config) fn wrong_type(value: &DeValue<'_>, expected: &str, hint: impl Into<String>) -> Fault {
    let found = match value {
        DeValue::String(text) => format!("the text {}", quoted(text)),
        DeValue::Integer(_) | DeValue::Float(_) => format!("the number {}", literal(value)),
        DeValue::Boolean(value) => value.to_string(),
        DeValue::Datetime(_) => "a date or time".to_owned(),
        DeValue::Array(_) => "a list".to_owned(),
        DeValue::Table(_) => "a table".to_owned(),
    };
    Fault::new(format!("expected {expected}, found {found}"), hint)
}

/// A number as in the file, cut when absurdly long.
fn literal(value: &DeValue<'_>) -> String {
    let text = match value {
        DeValue::Integer(integer) => integer.to_string(),
        DeValue::Float(float) => float.as_str().to_owned(),
        _ => String::new(),
    };
    text.chars().take(40).collect()
}

/// A text.
pub(in crate::config) fn text_of<'a>(key: &str, value: &'a DeValue<'a>, example: &str) -> Result<&'a str, Fault> {
    value.as_str().ok_or_else(|| wrong_type(value, "text in quotes", format!("write for example {key} = {example:?}")))
}

/// An integer in a range. Wide, so that a literal beyond 64 bits is told to be out of range and not malformed.
pub(in crate::config) fn integer_of(key: &str, value: &DeValue<'_>, range: &RangeInclusive<i64>) -> Result<i64, Fault> {
    let hint = || {
        let (from, to) = (range.start(), range.end());
        if from == to {
            format!("write {key} = {from}")
        } else {
            format!("{key} is a whole number from {from} to {to}")
        }
    };
    let DeValue::Integer(integer) = value else { return Err(wrong_type(value, "a whole number", hint())) };
    i64::from_str_radix(integer.as_str(), integer.radix())
        .ok()
        .filter(|value| range.contains(value))
        .ok_or_else(|| Fault::new(format!("{} is out of range", literal(value)), hint()))
}

/// A number, TOML's infinities and NaN among them.
pub(in crate::config) fn float_of(value: &DeValue<'_>) -> Option<f64> {
    match value {
        DeValue::Integer(integer) => Some(i64::from_str_radix(integer.as_str(), integer.radix()).ok()? as f64),
        DeValue::Float(float) => float.as_str().parse().ok(),
        _ => None,
    }
}

/// A finite number; an integer will do.
pub(super) fn number_of(key: &str, value: &DeValue<'_>, example: &str) -> Result<f64, Fault> {
    float_of(value)
        .filter(|number| number.is_finite())
        .ok_or_else(|| wrong_type(value, "a finite number", format!("write for example {key} = {example}")))
}

/// A quantity with its unit, in SI. `range` is in the SI unit; `bounds` says it in words.
pub(super) fn quantity_of(
    value: &DeValue<'_>,
    dimension: Dimension,
    range: &RangeInclusive<f64>,
    bounds: &str,
) -> Result<f64, Fault> {
    let text = match value {
        DeValue::String(text) => text,
        DeValue::Integer(_) | DeValue::Float(_) => {
            return Err(QuantityError::bare_number(&literal(value), dimension).into());
        }
        _ => return Err(wrong_type(value, "a quantity with its unit in quotes", dimension.writing())),
    };
    let si = quantity::parse(text, dimension)?;
    if range.contains(&si) {
        return Ok(si);
    }
    let hint = format!("this {} must be {bounds}", dimension.word());
    Err(Fault::new(format!("{} is out of range", quoted(text)), hint))
}

/// A day of the calendar, as TOML writes it without quotes; the midnight it begins with, in UTC.
pub(super) fn day_of(key: &str, value: &DeValue<'_>) -> Result<UnixMs, Fault> {
    let hint = format!("write the day without quotes, for example {key} = 2026-03-01");
    let DeValue::Datetime(written) = value else { return Err(wrong_type(value, "a day", hint)) };
    match (written.date, written.time) {
        (Some(date), None) => midnight(i16::try_from(date.year).ok(), date.month, date.day)
            .ok_or_else(|| Fault::new("there is no such day", hint)),
        _ => Err(Fault::new("this is not a day alone", hint)),
    }
}

/// A moment: date, time and zone, in quotes or as TOML writes it.
pub(super) fn time_of(key: &str, value: &DeValue<'_>) -> Result<UnixMs, Fault> {
    let hint = format!("write date, time and zone, for example {key} = \"2026-11-25T10:00:00Z\"");
    let text = match value {
        DeValue::String(text) => text.to_string(),
        DeValue::Datetime(time) => time.to_string(),
        _ => return Err(wrong_type(value, "a time", hint)),
    };
    text.parse::<jiff::Timestamp>()
        .map(|time| UnixMs(time.as_millisecond()))
        .map_err(|_| Fault::new(format!("{} is not a time with its zone", quoted(&text)), hint))
}

fn midnight(year: Option<i16>, month: u8, day: u8) -> Option<UnixMs> {
    let date = jiff::civil::Date::new(year?, i8::try_from(month).ok()?, i8::try_from(day).ok()?).ok()?;
    let midnight = date.to_zoned_datetime(jiff::tz::TimeZone::UTC).ok()?;
    Some(UnixMs(midnight.timestamp().as_millisecond()))
}
