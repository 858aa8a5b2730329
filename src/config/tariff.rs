//! A `[tariff]` table, of the utility or of one station: what a kilowatt-hour costs.
//!
//! Must never assume a price or a currency.

use super::model::Tariff;
use super::reader::{Fault, Field, Located, TableReader};

/// Longest name of a currency: a code of three letters, or a symbol or short word.
const MAX_CURRENCY_CHARS: usize = 8;

/// The tariff under `tariff`.
pub(super) fn read_tariff(parent: &TableReader<'_>) -> Field<Tariff> {
    let Located { value: table, span } = match parent.optional_table("tariff") {
        Field::Good(table) => table,
        Field::Absent => return Field::Absent,
        Field::Bad => return Field::Bad,
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
    match (currency.value(), price.value()) {
        (Some(currency), Some(price_per_kwh)) => {
            Field::Good(Located { value: Tariff { currency, price_per_kwh }, span })
        }
        _ => Field::Bad,
    }
}
