//! A `[tariff]` table, of the utility or of one station: what a kilowatt-hour costs.
//!
//! Must never assume a price or a currency.

use super::model::Tariff;
use super::reader::{Fault, Field, TableReader};

/// Longest name of a currency: a code of three letters, or a symbol or short word.
const MAX_CURRENCY_CHARS: usize = 8;

/// The tariff under `tariff`; the inner value is none when there is no such table, the outer when it is at fault.
pub(super) fn read_tariff(parent: &TableReader<'_>) -> Option<Option<Tariff>> {
    let table = match parent.optional_table("tariff") {
        Field::Absent => return Some(None),
        Field::Bad => return None,
        Field::Good(table) => table.value,
    };
    let currency = table.name("currency", MAX_CURRENCY_CHARS, "USD");
    let currency = table.need("currency", currency, "name the currency, for example currency = \"USD\"");
    let price = table.number("price_per_kwh", "0.11");
    let price = table.need("price_per_kwh", price, "write the price of a kWh, for example price_per_kwh = 0.11");
    let price = table.check("price_per_kwh", price, |price| {
        if price > 0.0 && price <= 1e6 {
            Ok(price)
        } else {
            Err(Fault::new(
                "a price lies above 0 and at most at 1000000",
                "write the price of one kWh in the currency's main unit, for example price_per_kwh = 0.11",
            ))
        }
    });
    table.finish();
    Some(Some(Tariff { currency: currency.value()?, price_per_kwh: price.value()? }))
}
