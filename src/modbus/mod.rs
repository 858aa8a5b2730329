//! Reading monitors over Modbus: register maps, read planning, decoding, the client. Never writes to a device.

pub mod decode;
pub mod error;
pub mod map;
pub mod plan;
pub mod poll;
pub mod sunspec;
pub mod value;
