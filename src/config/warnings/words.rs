//! The sentences of each warning: what contradicts what, and what to write. No final full stop, as in problems.
//!
//! Must never state as a fact what the settings only make probable.

use std::ops::RangeInclusive;

use super::Oddity;
use crate::audit::installation::CtSecondary;
use crate::config::model::LoadKind;
use crate::config::quantity::HORSEPOWER_W;

impl Oddity {
    /// What contradicts what.
    pub fn message(&self) -> String {
        match self {
            Oddity::NominalToNeutral { nominal_v, transformers: true } => format!(
                "{nominal_v} V is a voltage to neutral or the secondary voltage of VTs, and this key is the supply's voltage \
                 between phases"
            ),
            Oddity::NominalToNeutral { nominal_v, transformers: false } => {
                format!("{nominal_v} V is a voltage to neutral, and this key is the voltage between phases")
            }
            Oddity::NominalToNeutralOfService { nominal_v, service, .. } => {
                format!(
                    "{nominal_v} V is a voltage to neutral of service \"{}\"; this key is the voltage between lines",
                    service.key()
                )
            }
            Oddity::NominalToNeutralByPlate { nominal_v, rated_v } => format!(
                "a {rated_v} V motor on a nominal voltage of {nominal_v} V: they differ by the root of 3, so the nominal voltage \
                 may be the one to neutral"
            ),
            Oddity::RatedToNeutral { nominal_v, rated_v } => format!(
                "a {rated_v} V motor on a nominal voltage of {nominal_v} V: they differ by the root of 3, so one of them may be \
                 the voltage to neutral"
            ),
            Oddity::RatedUnlikeNominal { nominal_v, rated_v } => {
                format!("a {rated_v} V motor does not belong on a nominal voltage of {nominal_v} V")
            }
            Oddity::OpenDeltaDirect => {
                "service \"open-delta\" has voltage transformers (VTs), and \"direct\" says that there are none"
                    .to_owned()
            }
            Oddity::HighVoltageDirect { nominal_v } => format!(
                "nominal_voltage {nominal_v} V is above 1,000 V, and \"direct\" says that the monitor's terminals are at it"
            ),
            Oddity::ConnectionUndeclared => {
                "it is not declared how the monitor gets its voltage: voltage transformers \
                are assumed, so no check at the panel is proposed that needs a voltage to the supply's conductors"
                    .to_owned()
            }
            Oddity::CurrentAgainstPower { full_load_a, power_w, voltage_v, plausible_a } => format!(
                "{} A does not belong to {} at {voltage_v} V: such a load draws {} at full load",
                plain(*full_load_a),
                power(*power_w),
                currents(plausible_a)
            ),
            Oddity::PowerFactorUnlikeLoad { factor, plausible, load } => format!(
                "{factor} is not a full-load power factor of load \"{}\", which is from {} to {}",
                load.key(),
                plausible.start(),
                plausible.end()
            ),
            Oddity::CtBelowFullLoad { primary_a, full_load_a, from_power } => format!(
                "the CTs are rated {primary_a} A and the load draws {} at full load",
                full_load("at least ", *full_load_a, *from_power)
            ),
            Oddity::CtFarAboveFullLoad { primary_a, full_load_a, from_power } => format!(
                "the CTs are rated {primary_a} A and the load draws {} at full load, below a tenth of it: their accuracy is \
                 not stated there",
                full_load("at most ", *full_load_a, *from_power)
            ),
            Oddity::CtSecondariesDiffer { of_ratio, declared } => format!(
                "ct_ratio says that the CTs' secondaries are {} and ct_secondary says {}: until this is corrected they are \
                 taken for current outputs, which are dangerous when open",
                secondary(*of_ratio),
                secondary(*declared)
            ),
            Oddity::NoFullLoadCurrent { load, no_ratio } => format!(
                "this {} has no full-load current from its nameplate: {}",
                load_words(*load),
                not_told(*load, *no_ratio)
            ),
            Oddity::NoPowerFactor => {
                "this motor has no full-load power factor from its nameplate: the power factor to expect at \
                each load is not known, so fewer wirings can be excluded"
                    .to_owned()
            }
            Oddity::CtUndeclared => {
                "nothing is declared of the CTs: their secondaries are taken for 5 A outputs, which are \
                dangerous when open, and every remedy begins with shorting them"
                    .to_owned()
            }
        }
    }

    /// What to write.
    pub fn hint(&self) -> String {
        match self {
            Oddity::NominalToNeutral { transformers: true, .. } => {
                "write the voltage between phases ahead of the VTs, for example nominal_voltage = \"4160 V\"".to_owned()
            }
            Oddity::NominalToNeutral { nominal_v, transformers: false } => {
                let between = between_phases_v(*nominal_v);
                format!("write nominal_voltage = \"{between} V\" if that is the voltage between phases")
            }
            Oddity::NominalToNeutralOfService { usual_v, .. } => {
                format!("write nominal_voltage = \"{usual_v} V\" if that is the voltage between lines")
            }
            Oddity::NominalToNeutralByPlate { rated_v, .. } => format!(
                "write the voltage between phases as the station's nominal_voltage ({} for this motor), or correct rated_voltage",
                supply_of(*rated_v)
            ),
            Oddity::RatedToNeutral { .. } | Oddity::RatedUnlikeNominal { .. } => {
                "write rated_voltage as on the nameplate for the connection in use, or correct the station's nominal_voltage"
                    .to_owned()
            }
            Oddity::OpenDeltaDirect | Oddity::HighVoltageDirect { .. } => {
                "write voltage_connection = \"transformers\", or correct the voltage system; until then VTs are assumed".to_owned()
            }
            Oddity::ConnectionUndeclared => "write voltage_connection = \"direct\" if the monitor's terminals are at this voltage, \
                or voltage_connection = \"transformers\" if it comes through VTs"
                .to_owned(),
            Oddity::CurrentAgainstPower { .. } => {
                "copy rated_power, rated_voltage and full_load_current from the nameplate, for the connection in use".to_owned()
            }
            Oddity::PowerFactorUnlikeLoad { .. } => {
                "copy full_load_power_factor from the nameplate, or correct load; leave the key out if it is not known".to_owned()
            }
            Oddity::CtBelowFullLoad { .. } => {
                "copy ct_ratio from the CTs (primary first), or correct the nameplate; CTs above their rating read low".to_owned()
            }
            Oddity::CtFarAboveFullLoad { .. } => {
                "copy ct_ratio from the CTs for the tap in use, or correct the nameplate".to_owned()
            }
            Oddity::CtSecondariesDiffer { .. } => {
                "copy both from the CTs, for example ct_ratio = \"200:5\" and ct_secondary = \"5 A\", or ct_ratio = \"200 A : 333 mV\" \
                 alone"
                    .to_owned()
            }
            Oddity::NoFullLoadCurrent { .. } => {
                "write it from the nameplate, for example full_load_current = \"77 A\"; where the circuit feeds no motor, \
                 write load = \"unknown\""
                    .to_owned()
            }
            Oddity::NoPowerFactor => "write it from the nameplate, for example full_load_power_factor = 0.86".to_owned(),
            Oddity::CtUndeclared => {
                "write what is printed on the CTs, for example ct_ratio = \"200:5\" or ct_ratio = \"200 A : 333 mV\"".to_owned()
            }
        }
    }
}

/// Of a voltage to neutral, the standard one between phases.
fn between_phases_v(to_neutral_v: f64) -> f64 {
    let between = to_neutral_v * 3f64.sqrt();
    [208.0, 480.0, 600.0].into_iter().find(|v| (v - between).abs() < 0.03 * v).unwrap_or(between.round())
}

/// The supplies that a motor of this voltage is made for (ANSI C84.1 and NEMA MG 1, from memory).
fn supply_of(rated_v: f64) -> String {
    let usual = [(200.0, 208.0), (230.0, 240.0), (460.0, 480.0), (575.0, 600.0), (2300.0, 2400.0), (4000.0, 4160.0)];
    match usual.into_iter().find(|(rated, _)| (rated_v - rated).abs() < 0.02 * rated) {
        Some((_, supply)) => format!("\"{supply} V\""),
        None => format!("about \"{rated_v} V\""),
    }
}

fn power(watts: f64) -> String {
    format!("{} hp ({} kW)", digits(watts / HORSEPOWER_W), digits(watts / 1000.0))
}

fn currents(range: &RangeInclusive<f64>) -> String {
    format!("{} A to {} A", digits(*range.start()), digits(*range.end()))
}

/// Three significant digits at most, no decimals from 100 on.
fn digits(value: f64) -> String {
    let decimals = match value.abs() {
        v if v >= 100.0 => 0,
        v if v >= 10.0 => 1,
        _ => 2,
    };
    let text = format!("{value:.decimals$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

fn full_load(bound: &str, amps: f64, from_power: bool) -> String {
    if from_power {
        format!("{bound}{} A (worked out from rated power and voltage)", digits(amps))
    } else {
        format!("{} A", plain(amps))
    }
}

/// A setting as written, without the dust of floating point.
fn plain(value: f64) -> f64 {
    format!("{value:.6e}").parse().unwrap_or(value)
}

fn secondary(secondary: CtSecondary) -> String {
    match secondary {
        CtSecondary::Current { .. } => format!("current outputs ({secondary})"),
        CtSecondary::Voltage { .. } => format!("voltage outputs ({secondary})"),
        CtSecondary::Rogowski => "Rogowski coils".to_owned(),
        CtSecondary::Unknown => "unknown".to_owned(),
    }
}

fn load_words(load: LoadKind) -> &'static str {
    match load {
        LoadKind::Drive => "drive",
        _ => "motor",
    }
}

/// What the audit does without.
fn not_told(load: LoadKind, no_ratio: bool) -> String {
    let mut without = Vec::new();
    if load != LoadKind::Drive {
        without.push("the power factor to expect at each load is not known, so fewer wirings can be excluded");
    }
    without.push("a wrong CT ratio common to all CTs is not found");
    without.push("a start is told from running by its time alone");
    if no_ratio {
        without.push(
            "running is judged by the largest current seen so far, and a wrong scale of the currents is not found",
        );
    }
    without.join("; ")
}
