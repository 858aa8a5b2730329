//! A typed reader over one TOML table that notes every fault instead of stopping at the first one.
//!
//! Each key asked for is known; `finish` reports the rest, with the nearest known key. Must never supply a value
//! that the file does not hold.

mod field;
mod kinds;
mod spelling;
mod value;

pub(super) use field::{Fault, Field, Located};
pub(super) use spelling::{meant, nearest, not_there};
pub(super) use value::{float_of, integer_of, text_of, wrong_type};

use std::cell::RefCell;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::problem::quoted;
use super::report::{Report, Span};

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

    /// Adds a warning at a value of this table: what is written is used, and can hardly be meant.
    pub(super) fn warn(&self, key: &str, span: &Span, fault: Fault) {
        self.report.warn(span, self.path_of(key), fault.message, fault.hint);
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
        self.check(key, Field::Good(Located { value: raw.get_ref(), span: raw.span() }), read)
    }

    /// Narrows a field further; a fault is reported at the value.
    pub(super) fn check<T, U>(
        &self,
        key: &str,
        field: Field<T>,
        check: impl FnOnce(T) -> Result<U, Fault>,
    ) -> Field<U> {
        field.and_then(|Located { value, span }| match check(value) {
            Ok(value) => Field::Good(Located { value, span }),
            Err(fault) => {
                self.fault(key, &span, fault);
                Field::Bad
            }
        })
    }

    /// A list, of whatever.
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
        field.and_then(|Located { value, span }| {
            let table = TableReader::new(self.report, path, span.clone(), value);
            Field::Good(Located { value: table, span })
        })
    }

    /// The table under `key`, when there is a good one.
    pub(super) fn table(&self, key: &'static str) -> Option<TableReader<'a>> {
        self.optional_table(key).value()
    }

    /// The tables under `key`, one for each `[[key]]`. Absent and empty are the same: none.
    pub(super) fn tables(&self, key: &'static str) -> Field<Vec<TableReader<'a>>> {
        let path = self.path_of(key);
        let header = || format!("write the header of each as [[{path}]]");
        let field = self.read(key, |value| match value {
            DeValue::Array(items) => Ok(items),
            _ => Err(wrong_type(value, "a list of tables", header())),
        });
        field.and_then(|Located { value: items, span }| {
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
        })
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
