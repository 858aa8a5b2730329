//! Configuration: TOML text in, a checked and typed model out, every problem with file, line, column and key.
//!
//! `load` reads a file and its maps folder; `parse` works on text alone. Must never let an unchecked value through.

pub mod address_range;
mod alarms;
pub mod builtin;
pub mod checks;
mod circuit;
mod columns_file;
mod columns_place;
mod conventions;
mod ct;
mod document;
mod load;
mod map_address;
mod map_check;
mod map_encoding;
mod map_file;
mod map_point;
mod map_quantity;
mod modbus_server;
pub mod modbus_server_model;
pub mod model;
mod monitor;
mod notification_channel;
mod notifications;
pub mod problem;
pub mod quantity;
mod reader;
mod records;
mod report;
mod station;
pub mod station_model;
mod tariff;
#[cfg(test)]
mod tests;
mod users_file;
pub mod warnings;
mod web;
pub mod web_model;

pub use builtin::{MapInfo, MapLibrary, MapOrigin};
pub use checks::{RecordedCheck, load_checks, parse_checks, read_checks_text};
pub use columns_file::{load_columns, parse_columns};
pub use load::{load, load_with_maps, parse};
pub use map_file::parse_map;
pub use map_quantity::{quantity_word, unit_of_factor};
pub use model::Config;
pub use problem::{Problem, Problems, Warning};
pub use users_file::{check_account_name, load_users, parse_users};
