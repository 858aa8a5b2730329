//! Reading monitors over Modbus: register maps, read planning, decoding, the client. Never writes to a device.

pub mod alternatives;
mod alternatives_words;
pub mod backoff;
pub mod client;
pub mod decode;
pub mod error;
mod guard;
pub mod guest;
mod link;
pub mod links;
pub mod map;
pub mod plan;
pub mod poll;
pub mod poller;
mod prepared;
pub mod session;
pub mod sunspec;
pub mod value;

#[cfg(test)]
mod test_device;
