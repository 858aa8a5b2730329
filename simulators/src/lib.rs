//! Pump stations that are wrong on purpose: sampled waveforms, metered by numeric integration, served over Modbus.
//!
//! This crate is the independent witness against which the auditor is tested, so it shares nothing with it: its own
//! motor model, its own meter, its own encoder for map files and SunSpec models, its own Modbus framing. It must never
//! depend on the auditor and must never accept a Modbus write.
//!
//! Reading order: a [`StationFile`] describes a station; [`Station`] is its pure, stepping form (no clock, no socket);
//! [`start`] serves stations over Modbus; [`serve_image`] serves any register image.

mod cli;
mod clock;
mod connection;
mod demo;
mod draw;
mod dump;
mod encode;
#[cfg(test)]
mod encode_tests;
mod energy;
mod error;
mod face;
mod faults;
mod frame;
mod image;
mod image_file;
mod load;
mod map_file;
mod meter;
mod monitor;
mod monitor_file;
mod motor;
mod number;
mod pdu;
mod phasor;
mod register_faults;
mod schedule;
mod sensing;
mod server;
mod station;
mod station_file;
mod sunspec;
mod supply;
mod taps;

pub use cli::run_command_line;
pub use clock::SimClock;
pub use demo::{demo_stations, demo_texts};
pub use dump::{Dump, DumpChannel};
pub use error::SimError;
pub use image::{Bank, RegisterImage};
pub use image_file::ImageFile;
pub use map_file::builtin_map_names;
pub use meter::{CircuitSample, MeterSample};
pub use monitor_file::{
    ActiveSign, Apparent, BlankingFile, ConventionsFile, FactorSign, FaultFile, MonitorFile, ProtocolFile,
    ReactiveSign, RegisterFaultFile, RewireFile, Transport,
};
pub use motor::{MotorModel, Nameplate};
pub use phasor::{C64, Spectrum};
pub use schedule::RunPoint;
pub use server::{Running, RunningImage, RunningMonitor, serve_image, serve_images, start, start_with};
pub use station::{PumpState, Station, StationState};
pub use station_file::{
    Expect, LoadKind, PumpFile, RotationFile, ServiceFile, SourceFile, StationFile, StepFile, Verdict,
};
