//! From the numbers that a person measured at the panel to what they show.
//!
//! Every threshold stands here with its reason. A number between two meanings gives none: it is to be measured again, never
//! to be rounded to the nearer one.

use super::field_check::Finding;
use super::installation::CtSecondary;
use crate::reading::Phase;

/// Below this two points are on the same phase: the drop along a lead that carries no load, and what a tester of low impedance
/// leaves of a phantom voltage. V.
const SAME_PHASE_BELOW_V: f64 = 5.0;
/// Line voltage: within 10 % of nominal, which has room for ANSI C84.1 range B (-8 % to +6 %) and the tester.
const LINE_VOLTAGE: std::ops::RangeInclusive<f64> = 0.90..=1.10;
/// From this share of line voltage up to [`LINE_VOLTAGE`] a terminal is on no phase: a lead or fuse open, or a phase that running
/// motors hold up.
const NO_PHASE_FROM: f64 = 0.10;
/// From here the loop of a current output is open, ohms. Below it and above what a closed one has, a bad joint is likelier than either.
const CURRENT_OUTPUT_OPEN_FROM_OHM: f64 = 100.0;
/// The same of a voltage output, whose burden is inside: 30 times its largest burden, ohms.
const VOLTAGE_OUTPUT_OPEN_FROM_OHM: f64 = 10_000.0;
/// Two meters on one current agree within this share from [`STEADY_FROM`] of the CT's rating on: class 2 clamp, class 1 CT.
const AGREE_WITHIN: f64 = 0.05;
/// ... and within this share below, where both classes are wider.
const AGREE_WITHIN_LOW: f64 = 0.10;
/// Share of the CT's rating from which classes hold.
const STEADY_FROM: f64 = 0.20;
/// Below this share of the CT's rating a comparison says nothing.
const COMPARED_FROM: f64 = 0.05;
/// Below this share of the larger the two show different currents, whatever their classes: the nearest wrong ratio is 3/4.
const DIFFERS_BELOW: f64 = 0.78;
/// Below this a clamp meter shows nothing worth the name, A.
const NO_CURRENT_BELOW_A: f64 = 1.0;
/// A channel below this share of the clamp meter shows no current.
const MISSING_BELOW: f64 = 0.05;

/// What the volts from one voltage terminal of the monitor to phases A, B, C (A, B where there are two) show. One alone shows nothing:
/// 0 V is a blown fuse, no contact, or the same phase.
pub fn from_terminal_volts(volts: &[f64], line_voltage_v: f64) -> Option<Finding> {
    #[derive(PartialEq)]
    enum To {
        Same,
        Other,
        Between,
    }
    let read = |v: f64| match v / line_voltage_v {
        _ if (0.0..SAME_PHASE_BELOW_V).contains(&v) => Some(To::Same),
        share if LINE_VOLTAGE.contains(&share) => Some(To::Other),
        share if (NO_PHASE_FROM..*LINE_VOLTAGE.start()).contains(&share) => Some(To::Between),
        _ => None,
    };
    let read: Vec<To> = volts.iter().map(|v| read(*v)).collect::<Option<_>>()?;
    if !(2..=3).contains(&read.len()) {
        return None;
    }
    let mut same = (0..read.len()).filter(|k| read[*k] == To::Same);
    match (same.next(), same.next()) {
        (Some(k), None) if !read.contains(&To::Between) => Some(Finding::LeadOnPhase(Phase::from_index(k))),
        _ => Some(Finding::LeadUnclear),
    }
}

/// Ohms of a closed loop, leads lifted at the monitor; `None` where they are not measured.
pub fn closed_up_to_ohm(secondary: CtSecondary) -> Option<f64> {
    match secondary {
        // Winding and leads: 12 AWG has 1.6 ohm for 1,000 ft each way.
        CtSecondary::Current { rated_ma } if rated_ma > 2000 => Some(2.0),
        CtSecondary::Current { .. } | CtSecondary::Unknown => Some(10.0),
        CtSecondary::Voltage { .. } => Some(300.0),
        // Through an integrator nothing is measured, and whether there is one is not declared.
        CtSecondary::Rogowski => None,
    }
}

/// From here on the loop is open, ohms.
pub fn open_from_ohm(secondary: CtSecondary) -> f64 {
    if secondary.may_be_current() { CURRENT_OUTPUT_OPEN_FROM_OHM } else { VOLTAGE_OUTPUT_OPEN_FROM_OHM }
}

/// What the ohms of a CT loop show, leads lifted at the monitor. A shorted loop reads as low as one that is OK.
pub fn from_ohms(ohms: f64, secondary: CtSecondary) -> Option<Finding> {
    let closed_up_to = closed_up_to_ohm(secondary)?;
    if (0.0..=closed_up_to).contains(&ohms) {
        Some(Finding::LoopClosed)
    } else if ohms >= open_from_ohm(secondary) {
        Some(Finding::LoopOpen)
    } else {
        None
    }
}

/// What a clamp meter or another ammeter beside a channel's reading shows. `ct_primary_a`: rated primary current of the CT, A.
pub fn from_amps(ammeter_a: f64, channel_a: f64, ct_primary_a: Option<f64>) -> Option<Finding> {
    let larger = ammeter_a.max(channel_a);
    let smaller = ammeter_a.min(channel_a);
    let of_rating = ct_primary_a.map(|rated| larger / rated);
    if !(smaller >= 0.0 && larger.is_finite()) {
        return None;
    }
    if larger < NO_CURRENT_BELOW_A {
        return Some(Finding::CurrentAgrees);
    }
    if of_rating.is_some_and(|share| share < COMPARED_FROM) {
        return None;
    }
    let within = if of_rating.is_some_and(|share| share >= STEADY_FROM) { AGREE_WITHIN } else { AGREE_WITHIN_LOW };
    if larger - smaller <= within * larger {
        Some(Finding::CurrentAgrees)
    } else if smaller < (MISSING_BELOW * larger).max(0.5 * NO_CURRENT_BELOW_A) {
        Some(Finding::CurrentMissing)
    } else if smaller <= DIFFERS_BELOW * larger {
        Some(Finding::CurrentDiffers)
    } else {
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn three_voltages_name_a_phase_or_none_or_are_measured_again() {
        let on = |phase| Some(Finding::LeadOnPhase(phase));
        for (volts, shows) in [
            ([481.0, 1.2, 479.0], on(Phase::B)),
            ([0.0, 440.0, 520.0], on(Phase::A)),
            // Three alike, two phases at once, half the voltage: a blown fuse, no contact, a phase that a motor holds up.
            ([480.0, 479.0, 480.0], Some(Finding::LeadUnclear)),
            ([0.1, 0.2, 0.1], Some(Finding::LeadUnclear)),
            ([1.0, 1.0, 480.0], Some(Finding::LeadUnclear)),
            ([277.0, 1.0, 480.0], Some(Finding::LeadUnclear)),
            ([430.0, 1.0, 480.0], Some(Finding::LeadUnclear)),
            // Between the bands, above line voltage, no voltage at all.
            ([20.0, 480.0, 480.0], None),
            ([1.0, 560.0, 480.0], None),
            ([-1.0, 480.0, 480.0], None),
            ([f64::NAN, 480.0, 480.0], None),
        ] {
            assert_eq!(from_terminal_volts(&volts, 480.0), shows, "{volts:?}");
        }
        assert_eq!(from_terminal_volts(&[240.0, 0.5], 240.0), on(Phase::B));
        assert_eq!(from_terminal_volts(&[0.5], 240.0), None, "one alone shows nothing");
    }

    #[test]
    fn a_shorted_loop_is_not_told_from_one_that_is_ok() {
        let (five, one) = (CtSecondary::Current { rated_ma: 5000 }, CtSecondary::Current { rated_ma: 1000 });
        let voltage = CtSecondary::Voltage { rated_mv: 333 };
        for (ohms, secondary, shows) in [
            (0.0, five, Some(Finding::LoopClosed)),
            (0.3, five, Some(Finding::LoopClosed)),
            (5.0, five, None),
            (5.0, one, Some(Finding::LoopClosed)),
            (5.0, CtSecondary::Unknown, Some(Finding::LoopClosed)),
            (40.0, one, None),
            (100.0, five, Some(Finding::LoopOpen)),
            (f64::INFINITY, CtSecondary::Unknown, Some(Finding::LoopOpen)),
            (150.0, voltage, Some(Finding::LoopClosed)),
            (5e6, voltage, Some(Finding::LoopOpen)),
            (150.0, CtSecondary::Rogowski, None),
            (-0.1, five, None),
            (f64::NAN, five, None),
        ] {
            assert_eq!(from_ohms(ohms, secondary), shows, "{ohms} {secondary:?}");
        }
    }

    #[test]
    fn amps_agree_or_one_is_missing_or_the_ratio_is_in_doubt() {
        for (ammeter, channel, rated, shows) in [
            (61.0, 58.5, Some(200.0), Some(Finding::CurrentAgrees)),
            // 7 % apart: too far at 30 % of the rating, not at 15 %.
            (61.0, 56.7, Some(200.0), None),
            (61.0, 56.7, Some(400.0), Some(Finding::CurrentAgrees)),
            (61.0, 56.7, None, Some(Finding::CurrentAgrees)),
            (4.0, 4.0, Some(200.0), None),
            (0.2, 0.0, Some(200.0), Some(Finding::CurrentAgrees)),
            (61.0, 0.3, Some(200.0), Some(Finding::CurrentMissing)),
            (0.1, 61.0, Some(200.0), Some(Finding::CurrentMissing)),
            (61.0, 30.5, Some(200.0), Some(Finding::CurrentDiffers)),
            (61.0, 50.0, Some(200.0), None),
            (-61.0, 61.0, None, None),
        ] {
            assert_eq!(from_amps(ammeter, channel, rated), shows, "{ammeter} {channel} {rated:?}");
        }
    }
}
