//! What a key holds: nothing, something at fault that has been reported, or a value with its place; and what a fault is.
//!
//! Must never let a default take the place of a bad value.

use crate::config::quantity::QuantityError;
use crate::config::report::Span;

/// A value and where it stands.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::config) struct Located<T> {
    pub(in crate::config) value: T,
    pub(in crate::config) span: Span,
}

/// What a key holds. `Bad` has been reported already, so that a default must not take its place.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::config) enum Field<T> {
    Absent,
    Bad,
    Good(Located<T>),
}

impl<T> Field<T> {
    /// The value and its place, when there is a good one.
    pub(in crate::config) fn located(self) -> Option<Located<T>> {
        match self {
            Field::Good(located) => Some(located),
            Field::Absent | Field::Bad => None,
        }
    }

    /// The value, when there is a good one.
    pub(in crate::config) fn value(self) -> Option<T> {
        self.located().map(|located| located.value)
    }

    /// The value, or the default of a key that is absent; none for a bad one.
    pub(in crate::config) fn or(self, default: T) -> Option<T> {
        match self {
            Field::Absent => Some(default),
            Field::Bad => None,
            Field::Good(located) => Some(located.value),
        }
    }

    /// The same with a good value turned into another field.
    pub(in crate::config) fn and_then<U>(self, turn: impl FnOnce(Located<T>) -> Field<U>) -> Field<U> {
        match self {
            Field::Absent => Field::Absent,
            Field::Bad => Field::Bad,
            Field::Good(located) => turn(located),
        }
    }

    /// The same with a good value turned into another.
    pub(in crate::config) fn map<U>(self, turn: impl FnOnce(T) -> U) -> Field<U> {
        self.and_then(|Located { value, span }| Field::Good(Located { value: turn(value), span }))
    }

    /// True for a value that is at fault, as against one that is only absent.
    pub(in crate::config) fn is_bad(&self) -> bool {
        matches!(self, Field::Bad)
    }
}

/// What is wrong and what would be right.
pub(in crate::config) struct Fault {
    pub(in crate::config) message: String,
    pub(in crate::config) hint: String,
}

impl Fault {
    pub(in crate::config) fn new(message: impl Into<String>, hint: impl Into<String>) -> Fault {
        Fault { message: message.into(), hint: hint.into() }
    }
}

impl From<QuantityError> for Fault {
    fn from(error: QuantityError) -> Fault {
        Fault { message: error.message, hint: error.hint }
    }
}
