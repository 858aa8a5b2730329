//! Register images read from a JSON file, for programs that want to serve registers of their own making.
//!
//! `{ "listen": "127.0.0.1:0", "units": [ { "unit": 1, "holding_registers": [ { "address": 0, "values": [1, 2] } ] } ] }`,
//! with `coils`, `discrete_inputs` and `input_registers` alike. Must never fill an address that the file leaves out.

use std::net::SocketAddr;
use std::path::Path;

use serde::Deserialize;

use crate::error::SimError;
use crate::image::{Bank, RegisterImage};

/// What to serve and where.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ImageFile {
    /// Address to listen on; port 0 takes a free one.
    pub listen: SocketAddr,
    units: Vec<UnitImage>,
}

#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
struct UnitImage {
    unit: u8,
    #[serde(default)]
    coils: Vec<Run>,
    #[serde(default)]
    discrete_inputs: Vec<Run>,
    #[serde(default)]
    holding_registers: Vec<Run>,
    #[serde(default)]
    input_registers: Vec<Run>,
}

/// Values from an address on.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
struct Run {
    address: u16,
    values: Vec<u16>,
}

impl ImageFile {
    /// Reads a file.
    pub fn read(path: &Path) -> Result<ImageFile, SimError> {
        let text = std::fs::read_to_string(path).map_err(|source| SimError::Read { path: path.to_owned(), source })?;
        serde_json::from_str(&text).map_err(|error| SimError::Usage(format!("{}: {error}", path.display())))
    }

    /// One image for each unit. An address past 65 535 is an error.
    pub fn images(&self) -> Result<Vec<(u8, RegisterImage)>, SimError> {
        self.units
            .iter()
            .map(|unit| {
                let image = RegisterImage {
                    coils: bank(&unit.coils)?,
                    discrete_inputs: bank(&unit.discrete_inputs)?,
                    holding_registers: bank(&unit.holding_registers)?,
                    input_registers: bank(&unit.input_registers)?,
                    max_registers: None,
                };
                Ok((unit.unit, image))
            })
            .collect()
    }
}

fn bank(runs: &[Run]) -> Result<Bank, SimError> {
    let mut bank = Bank::default();
    for run in runs {
        for (offset, value) in run.values.iter().enumerate() {
            let address = u16::try_from(usize::from(run.address) + offset)
                .map_err(|_| SimError::Usage(format!("values from address {} run past 65535", run.address)))?;
            bank.set(address, *value);
        }
    }
    Ok(bank)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_land_where_the_file_says_and_nowhere_else() {
        let file: ImageFile = serde_json::from_str(
            r#"{"listen": "127.0.0.1:0", "units": [{"unit": 7, "holding_registers": [{"address": 3, "values": [1, 2]}]}]}"#,
        )
        .unwrap();
        let images = file.images().unwrap();
        assert_eq!(images.len(), 1);
        assert_eq!(images[0].0, 7);
        assert_eq!(images[0].1.holding_registers.read(3, 2), Some(vec![1, 2]));
        assert_eq!(images[0].1.holding_registers.get(5), None);
        assert_eq!(images[0].1.coils.get(0), None);
    }

    #[test]
    fn addresses_past_the_end_are_refused() {
        let run = Run { address: 65_535, values: vec![1, 2] };
        assert!(bank(&[run]).unwrap_err().to_string().contains("65535"));
    }
}
