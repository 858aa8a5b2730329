//! Which registers a monitor shows: those of a map file or those of a SunSpec meter.
//!
//! Must never know how a value was metered.

use crate::encode::{Encoder, Manner};
use crate::error::SimError;
use crate::image::RegisterImage;
use crate::map_file;
use crate::meter::MeterSample;
use crate::monitor_file::MonitorFile;
use crate::register_faults::{RegisterFault, Twist};
use crate::station_file::StationFile;
use crate::sunspec::SunSpec;

/// How far above full load a device's range must reach: a start is shown, a long overload need not be.
const RANGE_OVER_FULL_LOAD: f64 = 4.0;

/// A monitor's registers.
#[derive(Debug, Clone)]
pub(crate) enum Face {
    /// Those of a map file.
    Fixed(Box<Encoder>),
    /// Those of a SunSpec meter.
    SunSpec(Box<SunSpec>),
}

impl Face {
    /// All registers at one moment.
    pub(crate) fn image(&self, sample: &MeterSample, twist: &Twist) -> RegisterImage {
        match self {
            Face::Fixed(encoder) => encoder.image(sample, twist),
            Face::SunSpec(sunspec) => sunspec.image(sample, twist),
        }
    }

    /// Refuses a register fault these registers cannot have; the error is a sentence.
    pub(crate) fn check(&self, fault: &RegisterFault) -> Result<(), String> {
        match self {
            Face::Fixed(encoder) => fault.check_points(encoder.points()),
            Face::SunSpec(_) => fault.check_sunspec(),
        }
    }
}

/// Why a face cannot be made.
pub(crate) enum FaceError {
    /// In words, for the monitor to sign.
    Sentence(String),
    /// From the map's own reader.
    Map(SimError),
}

/// Builds the face of a monitor whose slots are meant to meter `own`.
pub(crate) fn build(station: &StationFile, file: &MonitorFile, own: &[Option<usize>]) -> Result<Face, FaceError> {
    let full_load_a = own
        .iter()
        .map(|pump| match pump {
            Some(pump) => station.pumps[*pump].full_load_current_a,
            None => station.pumps.iter().map(|pump| pump.full_load_current_a).sum(),
        })
        .fold(0.0, f64::max);
    let largest_a = RANGE_OVER_FULL_LOAD * full_load_a;
    let largest_va = 3f64.sqrt() * station.source.line_voltage_v * largest_a;
    let overrides = (file.conventions, file.blanking);
    if let Some(model) = SunSpec::model_of(&file.map) {
        let manner = Manner::new(Default::default(), overrides);
        return SunSpec::new(
            (file.sunspec_base, model, file.sunspec_optional),
            own.len(),
            manner,
            (largest_a, largest_va),
            &file.name,
        )
        .map(|sunspec| Face::SunSpec(Box::new(sunspec)))
        .map_err(FaceError::Sentence);
    }
    let map = if let Some(text) = map_file::builtin(&file.map) {
        map_file::read(&file.map, text)
    } else {
        let path = station.folder.as_deref().unwrap_or(std::path::Path::new(".")).join(&file.map);
        match std::fs::read_to_string(&path) {
            Ok(text) => map_file::read(&file.map, &text),
            Err(source) => Err(SimError::Read { path, source }),
        }
    }
    .map_err(FaceError::Map)?;
    if map.slots < own.len() {
        return Err(FaceError::Sentence(format!(
            "map \"{}\" has {} slots, but {} circuits are given",
            file.map,
            map.slots,
            own.len()
        )));
    }
    let manner = Manner::new((map.conventions, map.blanking), overrides);
    Ok(Face::Fixed(Box::new(Encoder::new(map, manner, largest_a, largest_va))))
}
