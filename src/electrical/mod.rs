//! Electrical mathematics: phasors, sequence components, power after IEEE 1459, reconstruction from partial data,
//! and what a motor's nameplate says about its power factor.
//!
//! Pure functions and data. Must never do I/O, read a clock, or know of Modbus, configuration or the audit.

pub mod angle;
pub mod circuit;
pub mod hydraulic;
pub mod motor;
pub mod power;
pub mod sequence;
pub mod voltage;
