//! A measured value with its quality.

use serde::Serialize;
use utoipa::ToSchema;

use crate::reading::Measured;

#[derive(Debug, Clone, Copy, Serialize, ToSchema)]
pub(crate) struct Value {
    value: Option<f64>,
    quality: &'static str,
}

pub(super) fn value(measured: Measured) -> Value {
    let value = match measured {
        Measured::Good(v) | Measured::Stale(v) | Measured::OutOfRange(v) => Some(v),
        Measured::NotMapped | Measured::NotAvailable | Measured::Failed => None,
    };
    Value { value, quality: quality_key(measured) }
}

/// Stable word for a quality.
pub fn quality_key(measured: Measured) -> &'static str {
    match measured {
        Measured::NotMapped => "not_mapped",
        Measured::Good(_) => "good",
        Measured::NotAvailable => "not_available",
        Measured::Stale(_) => "stale",
        Measured::OutOfRange(_) => "out_of_range",
        Measured::Failed => "failed",
    }
}
