//! The conductors of a service: their voltages to neutral as spectra, and a conductor that is lost for a time.
//!
//! Must never know what hangs on them or how they are metered.

use crate::phasor::{C64, Spectrum, Turn, polar_deg};
use crate::station_file::{RotationFile, ServiceFile, SourceFile};
use crate::taps::phase_index;

/// Highest harmonic that 128 samples per cycle represent without folding, with margin.
const HIGHEST_ORDER: u16 = 50;

/// A conductor that is open for a time.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Lost {
    phase: usize,
    from_s: f64,
    to_s: f64,
}

impl Lost {
    /// Reads the keys of a file; the error is a sentence.
    pub(crate) fn new(
        phase: Option<&str>,
        from_s: f64,
        to_s: Option<f64>,
        service: ServiceFile,
    ) -> Result<Option<Lost>, String> {
        let Some(text) = phase else { return Ok(None) };
        let to_s = to_s.unwrap_or(f64::INFINITY);
        if from_s.is_nan() || to_s.is_nan() || to_s <= from_s {
            return Err(format!("lost_to_s must come after lost_from_s {from_s} s"));
        }
        match phase_index(text) {
            Some(phase) if service.conductors()[phase] => Ok(Some(Lost { phase, from_s, to_s })),
            Some(_) => Err(format!("lost_phase {text} is not a conductor of this service")),
            None => Err(format!("lost_phase is A, B or C, not \"{text}\"")),
        }
    }

    /// The conductor that is open at a time.
    pub(crate) fn open_at(lost: Option<Lost>, t_s: f64) -> Option<usize> {
        lost.filter(|lost| lost.from_s <= t_s && t_s < lost.to_s).map(|lost| lost.phase)
    }
}

/// Rotation of a source.
pub(crate) fn turn(source: &SourceFile) -> Turn {
    match source.rotation {
        RotationFile::Abc => Turn::Abc,
        RotationFile::Acb => Turn::Acb,
    }
}

/// Nominal voltage of each conductor to neutral; a conductor the service does not have carries nothing. The error is a
/// sentence.
pub(crate) fn nominal(source: &SourceFile) -> Result<[Spectrum; 3], String> {
    for (name, value) in [("line_voltage_v", source.line_voltage_v), ("frequency_hz", source.frequency_hz)] {
        if !value.is_finite() || value <= 0.0 {
            return Err(format!("source.{name} must be a positive number, not {value}"));
        }
    }
    for (name, value) in [("noise", source.noise), ("wander", source.wander)] {
        if !(0.0..0.5).contains(&value) {
            return Err(format!("source.{name} must be 0 to 0.5, not {value}"));
        }
    }
    if source.phase_scale.iter().any(|scale| !(0.0..=2.0).contains(scale)) {
        return Err("source.phase_scale must be 0 to 2".to_owned());
    }
    let service = source.service();
    if !source.neutral && !matches!(service, ServiceFile::Delta3Wire | ServiceFile::TwoElement | ServiceFile::OpenDelta)
    {
        return Err("source.neutral = false contradicts a service with a neutral".to_owned());
    }
    let turn = turn(source);
    let (to_neutral_v, angles_rad) = match service {
        ServiceFile::SplitPhase => (source.line_voltage_v / 2.0, [0.0, std::f64::consts::PI, 0.0]),
        ServiceFile::SinglePhase => (source.line_voltage_v, [0.0; 3]),
        _ => (source.line_voltage_v / 3f64.sqrt(), [0, 1, 2].map(|phase| turn.angle_rad(phase))),
    };
    for &(order, fraction, angle_deg) in &source.harmonics {
        if !(2..=HIGHEST_ORDER).contains(&order) || !(0.0..=1.0).contains(&fraction) || !angle_deg.is_finite() {
            return Err(format!("harmonic order must be 2 to {HIGHEST_ORDER} and its fraction 0 to 1"));
        }
    }
    let mut conductors: [Spectrum; 3] = std::array::from_fn(|phase| {
        if !service.conductors()[phase] {
            return Spectrum::default();
        }
        let (level_v, angle_rad) = (to_neutral_v * source.phase_scale[phase], angles_rad[phase]);
        let mut conductor = Spectrum::sine(C64::from_polar(level_v, angle_rad));
        for &(order, fraction, angle_deg) in &source.harmonics {
            let turned = C64::from_polar(1.0, f64::from(order) * angle_rad);
            conductor.add(order, polar_deg(fraction * level_v, angle_deg) * turned);
        }
        conductor
    });
    if service == ServiceFile::HighLegDelta {
        // The neutral is the middle of the winding from A to C.
        let mut middle = conductors[0].clone().scaled(0.5);
        middle.add_scaled(&conductors[2], 0.5);
        for conductor in &mut conductors {
            conductor.add_scaled(&middle, -1.0);
        }
    }
    Ok(conductors)
}
