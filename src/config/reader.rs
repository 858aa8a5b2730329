//! A typed reader over one TOML table that notes every fault instead of stopping at the first one.
//!
//! Each key asked for is known; `finish` reports the rest, with the nearest known key. Must never supply a value
//! that the file does not hold.

use std::cell::RefCell;
use std::ops::RangeInclusive;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::problem::quoted;
use super::quantity::{self, Dimension, QuantityError};
use super::report::{Report, Span};
use crate::reading::UnixMs;

/// A value and where it stands.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Located<T> {
    pub(super) value: T,
    pub(super) span: Span,
}

/// What a key holds. `Bad` has been reported already, so that a default must not take its place.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Field<T> {
    Absent,
    Bad,
    Good(Located<T>),
}

impl<T> Field<T> {
    /// The value and its place, when there is a good one.
    pub(super) fn located(self) -> Option<Located<T>> {
        match self {
            Field::Good(located) => Some(located),
            Field::Absent | Field::Bad => None,
        }
    }

    /// The value, when there is a good one.
    pub(super) fn value(self) -> Option<T> {
        self.located().map(|located| located.value)
    }

    /// The value, or the default of a key that is absent; none for a bad one.
    pub(super) fn or(self, default: T) -> Option<T> {
        match self {
            Field::Absent => Some(default),
            Field::Bad => None,
            Field::Good(located) => Some(located.value),
        }
    }

    /// The same with a good value turned into another.
    pub(super) fn map<U>(self, turn: impl FnOnce(T) -> U) -> Field<U> {
        match self {
            Field::Absent => Field::Absent,
            Field::Bad => Field::Bad,
            Field::Good(Located { value, span }) => Field::Good(Located { value: turn(value), span }),
        }
    }

    /// True for a value that is at fault, as against one that is only absent.
    pub(super) fn is_bad(&self) -> bool {
        matches!(self, Field::Bad)
    }
}

/// What is wrong and what would be right.
pub(super) struct Fault {
    pub(super) message: String,
    pub(super) hint: String,
}

impl Fault {
    pub(super) fn new(message: impl Into<String>, hint: impl Into<String>) -> Fault {
        Fault { message: message.into(), hint: hint.into() }
    }
}

impl From<QuantityError> for Fault {
    fn from(error: QuantityError) -> Fault {
        Fault { message: error.message, hint: error.hint }
    }
}

/// Reader of one table.
pub(super) struct TableReader<'a> {
    report: &'a Report<'a>,
    path: String,
    place: Span,
    table: &'a DeTable<'a>,
    asked: RefCell<Vec<&'static str>>,
    /// Needed keys that are absent, with their hints. Told by `finish`, which can see whether one is only misspelt.
    missing: RefCell<Vec<(&'static str, String)>>,
}

impl<'a> TableReader<'a> {
    pub(super) fn new(
        report: &'a Report<'a>,
        path: impl Into<String>,
        place: Span,
        table: &'a DeTable<'a>,
    ) -> TableReader<'a> {
        TableReader {
            report,
            path: path.into(),
            place,
            table,
            asked: RefCell::new(Vec::new()),
            missing: RefCell::new(Vec::new()),
        }
    }

    pub(super) fn report(&self) -> &'a Report<'a> {
        self.report
    }

    /// Where the table begins.
    pub(super) fn place(&self) -> &Span {
        &self.place
    }

    /// The dotted path of a key of this table.
    pub(super) fn path_of(&self, key: &str) -> String {
        if self.path.is_empty() { key.to_owned() } else { format!("{}.{key}", self.path) }
    }

    /// Adds a problem at a value of this table.
    pub(super) fn fault(&self, key: &str, span: &Span, fault: Fault) {
        self.report.add(span, self.path_of(key), fault.message, fault.hint);
    }

    /// Notes `key` as missing when it is absent; `finish` reports it.
    pub(super) fn need<T>(&self, key: &'static str, field: Field<T>, hint: &str) -> Field<T> {
        if matches!(field, Field::Absent) {
            self.missing.borrow_mut().push((key, hint.to_owned()));
            return Field::Bad;
        }
        field
    }

    /// The raw value of a key.
    pub(super) fn raw(&self, key: &'static str) -> Option<&'a Spanned<DeValue<'a>>> {
        self.asked.borrow_mut().push(key);
        self.table.iter().find(|(name, _)| name.get_ref().as_ref() == key).map(|(_, value)| value)
    }

    /// Reads a key with a function that says what is wrong with a value.
    pub(super) fn read<T>(
        &self,
        key: &'static str,
        read: impl FnOnce(&'a DeValue<'a>) -> Result<T, Fault>,
    ) -> Field<T> {
        let Some(raw) = self.raw(key) else { return Field::Absent };
        match read(raw.get_ref()) {
            Ok(value) => Field::Good(Located { value, span: raw.span() }),
            Err(fault) => {
                self.fault(key, &raw.span(), fault);
                Field::Bad
            }
        }
    }

    /// Narrows a field further; a fault is reported at the value.
    pub(super) fn check<T, U>(
        &self,
        key: &str,
        field: Field<T>,
        check: impl FnOnce(T) -> Result<U, Fault>,
    ) -> Field<U> {
        match field {
            Field::Absent => Field::Absent,
            Field::Bad => Field::Bad,
            Field::Good(Located { value, span }) => match check(value) {
                Ok(value) => Field::Good(Located { value, span }),
                Err(fault) => {
                    self.fault(key, &span, fault);
                    Field::Bad
                }
            },
        }
    }

    pub(super) fn text(&self, key: &'static str, example: &str) -> Field<&'a str> {
        self.read(key, |value| text_of(key, value, example))
    }

    /// A name people read: not empty, not padded, short, printable.
    pub(super) fn name(&self, key: &'static str, max_chars: usize, example: &str) -> Field<String> {
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

    pub(super) fn boolean(&self, key: &'static str) -> Field<bool> {
        self.read(key, |value| {
            value.as_bool().ok_or_else(|| wrong_type(value, "true or false", format!("write {key} = true")))
        })
    }

    pub(super) fn integer(&self, key: &'static str, range: RangeInclusive<i64>) -> Field<i64> {
        self.read(key, |value| integer_of(key, value, &range))
    }

    /// A finite number; an integer will do.
    pub(super) fn number(&self, key: &'static str, example: &str) -> Field<f64> {
        self.read(key, |value| {
            number_of(value)
                .ok_or_else(|| wrong_type(value, "a finite number", format!("write for example {key} = {example}")))
        })
    }

    /// One of a few words.
    pub(super) fn choice<T: Copy>(&self, key: &'static str, choices: &[(&'static str, T)]) -> Field<T> {
        let words: Vec<&str> = choices.iter().map(|(word, _)| *word).collect();
        let field = self.text(key, words.first().copied().unwrap_or_default());
        self.check(key, field, |text| {
            choices.iter().find(|(word, _)| *word == text).map(|(_, choice)| *choice).ok_or_else(|| {
                let hint = match nearest(text, words.iter().copied()) {
                    Some(word) => format!("did you mean {word:?}? (choices: {})", words.join(", ")),
                    None => format!("choose one of {}", words.join(", ")),
                };
                Fault::new(format!("{} is not a choice here", quoted(text)), hint)
            })
        })
    }

    /// A quantity with its unit, in SI. `range` is in the SI unit; `bounds` says it in words.
    pub(super) fn quantity(
        &self,
        key: &'static str,
        dimension: Dimension,
        range: &RangeInclusive<f64>,
        bounds: &str,
    ) -> Field<f64> {
        self.read(key, |value| {
            let si = match value {
                DeValue::String(text) => quantity::parse(text, dimension)?,
                DeValue::Integer(_) | DeValue::Float(_) => {
                    return Err(QuantityError::bare_number(&literal(value), dimension).into());
                }
                _ => {
                    let hint = quantity::parse("", dimension).map_or_else(|error| error.hint, |_| String::new());
                    return Err(wrong_type(value, "a quantity with its unit in quotes", hint));
                }
            };
            if range.contains(&si) {
                Ok(si)
            } else {
                let text = value.as_str().unwrap_or_default();
                Err(Fault::new(
                    format!("{} is out of range", quoted(text)),
                    format!("this {} must be {bounds}", dimension.word()),
                ))
            }
        })
    }

    pub(super) fn array(&self, key: &'static str, example: &str) -> Field<&'a [Spanned<DeValue<'a>>]> {
        self.read(key, |value| match value {
            DeValue::Array(items) => Ok(&**items),
            _ => Err(wrong_type(value, "a list", format!("write for example {key} = {example}"))),
        })
    }

    /// The table under `key`, where its absence and its fault differ.
    pub(super) fn optional_table(&self, key: &'static str) -> Field<TableReader<'a>> {
        let path = self.path_of(key);
        let field = self.read(key, |value| match value {
            DeValue::Table(table) => Ok(table),
            DeValue::Array(_) => Err(wrong_type(value, "one table", format!("write the header as [{path}]"))),
            _ => Err(wrong_type(value, "a table", format!("write a header [{path}] and its keys below it"))),
        });
        match field {
            Field::Absent => Field::Absent,
            Field::Bad => Field::Bad,
            Field::Good(Located { value, span }) => {
                let table = TableReader::new(self.report, path, span.clone(), value);
                Field::Good(Located { value: table, span })
            }
        }
    }

    /// The table under `key`, when there is a good one.
    pub(super) fn table(&self, key: &'static str) -> Option<TableReader<'a>> {
        self.optional_table(key).value()
    }

    /// A day of the calendar, as TOML writes it without quotes; the midnight it begins with, in UTC.
    pub(super) fn day(&self, key: &'static str) -> Field<UnixMs> {
        self.read(key, |value| {
            let hint = format!("write the day without quotes, for example {key} = 2026-03-01");
            let DeValue::Datetime(written) = value else { return Err(wrong_type(value, "a day", hint)) };
            match (written.date, written.time) {
                (Some(date), None) => midnight(i16::try_from(date.year).ok(), date.month, date.day)
                    .ok_or_else(|| Fault::new("there is no such day", hint)),
                _ => Err(Fault::new("this is not a day alone", hint)),
            }
        })
    }

    /// A moment: date, time and zone, in quotes or as TOML writes it.
    pub(super) fn time(&self, key: &'static str) -> Field<UnixMs> {
        self.read(key, |value| {
            let hint = format!("write date, time and zone, for example {key} = \"2026-11-25T10:00:00Z\"");
            let text = match value {
                DeValue::String(text) => text.to_string(),
                DeValue::Datetime(time) => time.to_string(),
                _ => return Err(wrong_type(value, "a time", hint)),
            };
            text.parse::<jiff::Timestamp>()
                .map(|time| UnixMs(time.as_millisecond()))
                .map_err(|_| Fault::new(format!("{} is not a time with its zone", quoted(&text)), hint))
        })
    }

    /// The tables under `key`, one for each `[[key]]`. Absent and empty are the same: none.
    pub(super) fn tables(&self, key: &'static str) -> Field<Vec<TableReader<'a>>> {
        let path = self.path_of(key);
        let header = || format!("write the header of each as [[{path}]]");
        let field = self.read(key, |value| match value {
            DeValue::Array(items) => Ok(items),
            _ => Err(wrong_type(value, "a list of tables", header())),
        });
        let Field::Good(Located { value: items, span }) = field else {
            return if matches!(field, Field::Absent) { Field::Absent } else { Field::Bad };
        };
        let mut readers = Vec::with_capacity(items.len());
        let mut bad = false;
        for item in &**items {
            if let DeValue::Table(table) = item.get_ref() {
                readers.push(TableReader::new(self.report, path.clone(), item.span(), table));
            } else {
                self.fault(key, &item.span(), wrong_type(item.get_ref(), "a table", header()));
                bad = true;
            }
        }
        match (readers.is_empty(), bad) {
            (true, true) => Field::Bad,
            (true, false) => Field::Absent,
            (false, _) => Field::Good(Located { value: readers, span }),
        }
    }

    /// Reports every key that nobody asked for, and every needed key that is absent. A misspelt key is told once,
    /// as misspelt.
    pub(super) fn finish(self) {
        let mut known = self.asked.take();
        known.sort_unstable();
        known.dedup();
        let mut missing = self.missing.take();
        for (name, _) in self.table {
            let key = name.get_ref().as_ref();
            if known.contains(&key) {
                continue;
            }
            let near = nearest(key, known.iter().copied());
            let hint = match near {
                Some(near) => format!("did you mean {near}?"),
                None => format!("keys known here: {}", known.join(", ")),
            };
            missing.retain(|(wanted, _)| near != Some(*wanted));
            let fault = Fault::new("this key is not known", hint);
            self.fault(&printable_key(key), &name.span(), fault);
        }
        for (key, hint) in missing {
            self.fault(key, &self.place, Fault::new("this key is missing", hint));
        }
    }
}

fn printable_key(key: &str) -> String {
    let bare =
        !key.is_empty() && key.len() <= 64 && key.chars().all(|c| c.is_ascii_alphanumeric() || c == '-' || c == '_');
    if bare { key.to_owned() } else { quoted(key) }
}

/// The fault of a value of the wrong type.
pub(super) fn wrong_type(value: &DeValue<'_>, expected: &str, hint: impl Into<String>) -> Fault {
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

pub(super) fn text_of<'a>(key: &str, value: &'a DeValue<'a>, example: &str) -> Result<&'a str, Fault> {
    value.as_str().ok_or_else(|| wrong_type(value, "text in quotes", format!("write for example {key} = {example:?}")))
}

/// An integer in a range. Wide, so that a literal beyond 64 bits is told to be out of range and not malformed.
pub(super) fn integer_of(key: &str, value: &DeValue<'_>, range: &RangeInclusive<i64>) -> Result<i64, Fault> {
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

fn midnight(year: Option<i16>, month: u8, day: u8) -> Option<UnixMs> {
    let date = jiff::civil::Date::new(year?, i8::try_from(month).ok()?, i8::try_from(day).ok()?).ok()?;
    let midnight = date.to_zoned_datetime(jiff::tz::TimeZone::UTC).ok()?;
    Some(UnixMs(midnight.timestamp().as_millisecond()))
}

/// A finite number, if it is one.
fn number_of(value: &DeValue<'_>) -> Option<f64> {
    let number = match value {
        DeValue::Integer(integer) => i64::from_str_radix(integer.as_str(), integer.radix()).ok()? as f64,
        DeValue::Float(float) => float.as_str().parse::<f64>().ok()?,
        _ => return None,
    };
    number.is_finite().then_some(number)
}

/// What is said of a name that nothing has.
pub(super) fn not_there<'n>(what: &str, name: &str, known: impl Iterator<Item = &'n str> + Clone) -> Fault {
    let hint = match nearest(name, known.clone()) {
        Some(near) => format!("did you mean {near:?}?"),
        None => format!("the configuration has {}", known.map(quoted).collect::<Vec<_>>().join(", ")),
    };
    Fault::new(format!("there is no {what} named {}", quoted(name)), hint)
}

/// The word of `known` nearest to `word`, when it is near enough to be a slip of the pen.
pub(super) fn nearest<'k>(word: &str, known: impl IntoIterator<Item = &'k str>) -> Option<&'k str> {
    const MAX_CHARS: usize = 64;
    if word.chars().count() > MAX_CHARS {
        return None;
    }
    let limit = (word.chars().count() / 3).max(1);
    known
        .into_iter()
        .map(|near| (edit_distance(&word.to_lowercase(), &near.to_lowercase()), near))
        .filter(|(distance, _)| *distance <= limit)
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, near)| near)
}

/// Levenshtein distance in characters.
fn edit_distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, from) in a.chars().enumerate() {
        let mut diagonal = std::mem::replace(&mut row[0], i + 1);
        for (j, to) in b.iter().enumerate() {
            let substituted = diagonal + usize::from(from != *to);
            diagonal = row[j + 1];
            row[j + 1] = substituted.min(diagonal + 1).min(row[j] + 1);
        }
    }
    row[b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn distance_is_the_number_of_slips() {
        assert_eq!(edit_distance("kitten", "sitting"), 3);
        assert_eq!(edit_distance("", "abc"), 3);
        assert_eq!(edit_distance("abc", "abc"), 0);
    }

    #[test]
    fn nearest_takes_slips_and_leaves_strangers() {
        let known = ["nominal_voltage", "name", "rotation"];
        assert_eq!(nearest("nominal_volatge", known), Some("nominal_voltage"));
        assert_eq!(nearest("Name", known), Some("name"));
        assert_eq!(nearest("colour", known), None);
        assert_eq!(nearest(&"x".repeat(10_000), known), None);
    }
}
