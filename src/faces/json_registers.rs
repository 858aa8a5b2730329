//! The part of the JSON that tells of a wrong register map. A promise to others, as all of `faces::json`.

use serde::Serialize;
use utoipa::ToSchema;

use crate::audit::register_fault::RegisterFault;

/// What the map of a monitor says and the device does not.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct RegisterFaultJson {
    /// word_order, byte_order, address_offset, scale or signedness.
    kind: &'static str,
    /// 0 to 1; null for what was seen and not weighed.
    probability: Option<f64>,
    map_says: String,
    fits_instead: String,
    change: String,
    text: String,
}

impl RegisterFaultJson {
    pub(super) fn of(fault: &RegisterFault) -> RegisterFaultJson {
        RegisterFaultJson {
            kind: fault.kind,
            probability: fault.probability,
            map_says: fault.map_says.clone(),
            fits_instead: fault.fits.clone(),
            change: fault.change.clone(),
            text: fault.text(),
        }
    }
}
