//! From a number that a person measured at the panel to what it shows.
//!
//! Every threshold stands here with its reason. A number between two meanings gives none: it is to be measured again, never
//! to be rounded to the nearer one.

use super::field_check::Finding;
use crate::reading::Phase;

/// Below this share of line voltage two points are on the same phase: what is left is drop along the leads and what a meter
/// of high impedance picks up.
const SAME_PHASE_BELOW: f64 = 0.10;
/// Line voltage as far as it may stray in service (ANSI C84.1 range B is -10 % to +6 %), with room for the meter.
const LINE_VOLTAGE: std::ops::RangeInclusive<f64> = 0.80..=1.20;
/// A CT's winding with its leads is never below this, ohms; less is a shorting link left in, or the test leads alone.
const SHORTED_BELOW_OHM: f64 = 0.05;
/// Winding, leads and burden of a sound 5 A or 1 A loop stay below this, ohms.
const SOUND_UP_TO_OHM: f64 = 10.0;
/// From here the loop is open, ohms. Between the two a bad joint is likelier than either.
const OPEN_FROM_OHM: f64 = 100.0;
/// Two meters of different make on one current agree within this share: class 2 clamp, class 1 CT, and a load that moves.
const AGREE_WITHIN: f64 = 0.15;
/// Below this share of the larger the two show different currents, whatever their classes: the nearest wrong ratio is 3/4.
const DIFFERS_BELOW: f64 = 0.78;
/// Below this a clamp meter shows nothing worth the name, A.
const NO_CURRENT_BELOW_A: f64 = 1.0;
/// A channel below this share of the clamp meter shows no current.
const MISSING_BELOW: f64 = 0.05;

/// What the volts between a monitor's terminal and a breaker's terminal show.
pub fn from_volts(volts: f64, line_voltage_v: f64) -> Option<Finding> {
    let share = volts / line_voltage_v;
    if (0.0..SAME_PHASE_BELOW).contains(&share) {
        Some(Finding::SamePhase)
    } else if LINE_VOLTAGE.contains(&share) {
        Some(Finding::OtherPhase)
    } else {
        None
    }
}

/// The breaker phase that a monitor terminal is on, from the volts to phases A, B and C: 0 V to one, line voltage to the
/// other two.
pub fn phase_from_volts(volts: [f64; 3], line_voltage_v: f64) -> Option<Phase> {
    let shown = volts.map(|v| from_volts(v, line_voltage_v));
    let same = |k: usize| shown[k] == Some(Finding::SamePhase);
    let other = |k: usize| shown[k] == Some(Finding::OtherPhase);
    (0..3).find(|k| same(*k) && (0..3).all(|j| j == *k || other(j))).map(Phase::from_index)
}

/// What the ohms of a CT loop show.
pub fn from_ohms(ohms: f64) -> Option<Finding> {
    if (SHORTED_BELOW_OHM..=SOUND_UP_TO_OHM).contains(&ohms) {
        Some(Finding::LoopSound)
    } else if (0.0..SHORTED_BELOW_OHM).contains(&ohms) || ohms >= OPEN_FROM_OHM {
        Some(Finding::LoopBroken)
    } else {
        None
    }
}

/// What a clamp meter beside a channel's reading shows.
pub fn from_amps(clamp_a: f64, channel_a: f64) -> Option<Finding> {
    let larger = clamp_a.max(channel_a);
    let smaller = clamp_a.min(channel_a);
    if !(smaller >= 0.0 && larger.is_finite()) {
        None
    } else if larger < NO_CURRENT_BELOW_A || larger - smaller <= AGREE_WITHIN * larger {
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
    fn volts_are_one_phase_or_another_or_neither() {
        for (volts, shows) in [
            (0.0, Some(Finding::SamePhase)),
            (3.1, Some(Finding::SamePhase)),
            (47.9, Some(Finding::SamePhase)),
            (48.1, None),
            // Phase to ground of the same service: an open fuse or a lost lead, not another phase.
            (277.0, None),
            (384.0, Some(Finding::OtherPhase)),
            (482.0, Some(Finding::OtherPhase)),
            (600.0, None),
            (-3.0, None),
            (f64::NAN, None),
        ] {
            assert_eq!(from_volts(volts, 480.0), shows, "{volts}");
        }
    }

    #[test]
    fn a_row_of_the_matrix_names_one_phase_or_none() {
        assert_eq!(phase_from_volts([481.0, 1.2, 479.0], 480.0), Some(Phase::B));
        assert_eq!(phase_from_volts([481.0, 479.0, 480.0], 480.0), None);
        assert_eq!(phase_from_volts([1.0, 1.0, 480.0], 480.0), None);
        assert_eq!(phase_from_volts([277.0, 1.0, 480.0], 480.0), None);
    }

    #[test]
    fn ohms_are_sound_broken_or_doubtful() {
        for (ohms, shows) in [
            (0.0, Some(Finding::LoopBroken)),
            (0.04, Some(Finding::LoopBroken)),
            (0.3, Some(Finding::LoopSound)),
            (10.0, Some(Finding::LoopSound)),
            (40.0, None),
            (5e6, Some(Finding::LoopBroken)),
            (-0.1, None),
        ] {
            assert_eq!(from_ohms(ohms), shows, "{ohms}");
        }
    }

    #[test]
    fn amps_agree_or_one_is_missing_or_the_ratio_is_in_doubt() {
        for (clamp, channel, shows) in [
            (61.0, 58.5, Some(Finding::CurrentAgrees)),
            (0.2, 0.0, Some(Finding::CurrentAgrees)),
            (61.0, 0.3, Some(Finding::CurrentMissing)),
            (0.1, 61.0, Some(Finding::CurrentMissing)),
            (61.0, 30.5, Some(Finding::CurrentDiffers)),
            (61.0, 50.0, None),
            (-61.0, 61.0, None),
        ] {
            assert_eq!(from_amps(clamp, channel), shows, "{clamp} {channel}");
        }
    }
}
