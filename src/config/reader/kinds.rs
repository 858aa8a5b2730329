//! The kinds of values that keys hold: text, names, words to choose from, numbers, quantities, days and times.
//!
//! Must never report a fault without an example of what would be right.

use std::ops::RangeInclusive;

use super::TableReader;
use super::field::{Fault, Field};
use super::spelling::meant;
use super::value::{day_of, integer_of, number_of, quantity_of, text_of, time_of, wrong_type};
use crate::config::problem::quoted;
use crate::config::quantity::Dimension;
use crate::reading::UnixMs;

impl<'a> TableReader<'a> {
    pub(in crate::config) fn text(&self, key: &'static str, example: &str) -> Field<&'a str> {
        self.read(key, |value| text_of(key, value, example))
    }

    /// A name people read: not empty, not padded, short, printable.
    pub(in crate::config) fn name(&self, key: &'static str, max_chars: usize, example: &str) -> Field<String> {
        let field = self.text(key, example);
        self.check(key, field, |text| {
            let fault = |message: &str| Err(Fault::new(message, format!("write for example {key} = {example:?}")));
            if text.trim().is_empty() {
                fault("this name is empty")
            } else if text.trim() != text {
                fault("this name begins or ends with a blank")
            } else if text.chars().any(char::is_control) {
                fault("this name holds a character that cannot be shown")
            } else if text.chars().count() > max_chars {
                fault(&format!("this name is longer than {max_chars} characters"))
            } else {
                Ok(text.to_owned())
            }
        })
    }

    pub(in crate::config) fn boolean(&self, key: &'static str) -> Field<bool> {
        self.read(key, |value| {
            value.as_bool().ok_or_else(|| wrong_type(value, "true or false", format!("write {key} = true")))
        })
    }

    pub(in crate::config) fn integer(&self, key: &'static str, range: RangeInclusive<i64>) -> Field<i64> {
        self.read(key, |value| integer_of(key, value, &range))
    }

    /// A finite number; an integer will do.
    pub(in crate::config) fn number(&self, key: &'static str, example: &str) -> Field<f64> {
        self.read(key, |value| number_of(key, value, example))
    }

    /// One of a few words.
    pub(in crate::config) fn choice<T: Copy>(&self, key: &'static str, choices: &[(&'static str, T)]) -> Field<T> {
        let words: Vec<&str> = choices.iter().map(|(word, _)| *word).collect();
        let field = self.text(key, words.first().copied().unwrap_or_default());
        self.check(key, field, |text| {
            choices.iter().find(|(word, _)| *word == text).map(|(_, choice)| *choice).ok_or_else(|| {
                let hint = match meant(key, text, words.iter().copied()) {
                    Some(word) => format!("did you mean {word:?}? (choices: {})", words.join(", ")),
                    None => format!("choose one of {}", words.join(", ")),
                };
                Fault::new(format!("{} is not a choice here", quoted(text)), hint)
            })
        })
    }

    /// A quantity with its unit, in SI. `range` is in the SI unit; `bounds` says it in words.
    pub(in crate::config) fn quantity(
        &self,
        key: &'static str,
        dimension: Dimension,
        range: &RangeInclusive<f64>,
        bounds: &str,
    ) -> Field<f64> {
        self.read(key, |value| quantity_of(value, dimension, range, bounds))
    }

    /// A day of the calendar, as TOML writes it without quotes; the midnight it begins with, in UTC.
    pub(in crate::config) fn day(&self, key: &'static str) -> Field<UnixMs> {
        self.read(key, |value| day_of(key, value))
    }

    /// A moment: date, time and zone, in quotes or as TOML writes it.
    pub(in crate::config) fn time(&self, key: &'static str) -> Field<UnixMs> {
        self.read(key, |value| time_of(key, value))
    }
}
