//! Reading monitors over Modbus: register maps, read planning, decoding, the client. Never writes to a device.

pub mod error;
pub mod map;
pub mod plan;
pub mod poll;
pub mod value;
