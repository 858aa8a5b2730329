//! What an uneven supply draws, against the circuit engine and by property; an even supply says nothing.

use proptest::prelude::*;

use super::made::{Places, channels};
use super::pattern::{answers, seats};
use super::sizes::{Fit, fit};
use super::*;
use crate::audit::context::{CircuitContext, LoadBehaviour, ServiceKind, test_context};
use crate::audit::evidence::Features;
use crate::audit::hypotheses::{NOTHING, classes};
use crate::audit::testbench::even_features;
use crate::audit::wiring::CurrentSeen;
use crate::electrical::angle::{polar_deg, wrap_deg};
use crate::electrical::voltage::{AngleBasis, Voltages, nominal_angles_deg};
use crate::reading::Rotation;

fn supply(volts: [f64; 3], deg: [f64; 3], basis: AngleBasis) -> SupplyUnbalance {
    let phasor_v = [0, 1, 2].map(|k| Some(polar_deg(volts[k], deg[k])));
    SupplyUnbalance::of(&Voltages { phasor_v, angle_deg: deg, basis, measured_rotation: None }, Rotation::Abc).unwrap()
}

fn even_angles(volts: [f64; 3]) -> SupplyUnbalance {
    supply(volts, nominal_angles_deg(Rotation::Abc), AngleBasis::Nominal)
}

/// Solved by the circuit engine (tests/fixtures/circuit/sound.json, "sound-motor-B-3-percent-low", full load and half): the
/// currents of its induction machine against ours from the nameplate and the usual locked-rotor current alone.
#[test]
fn a_motor_draws_what_the_circuit_engine_says() {
    for [volts, deg, amps, current_deg] in ENGINE {
        let mean = amps.iter().sum::<f64>() / 3.0;
        let found = answers(&supply(volts, deg, AngleBasis::Measured), &test_context(), mean).unwrap()[0];
        let main_deg = [0, 1, 2].map(|k| wrap_deg(current_deg[k] - nominal_angles_deg(Rotation::Abc)[k]));
        let lag_deg = main_deg.iter().sum::<f64>() / 3.0;
        for k in 0..3 {
            let expected = found.current(k, false);
            assert!((expected.norm() - amps[k] / mean).abs() < 0.025, "{amps:?}, {k}: {}", expected.norm() * mean);
            let off_deg = wrap_deg(main_deg[k] - lag_deg) - expected.arg().to_degrees();
            assert!(off_deg.abs() < 2.0, "{amps:?}, {k}: {off_deg} degrees off");
        }
    }
}

/// The same engine's power by channel: its angle against the mean one is what a class of sound leads makes of it, and what one
/// with CTs 1 and 2 exchanged makes of it is not.
#[test]
fn a_channel_makes_what_the_circuit_engine_says() {
    for [volts, deg, amps, current_deg] in ENGINE {
        let mean_a = amps.iter().sum::<f64>() / 3.0;
        let answer = answers(&supply(volts, deg, AngleBasis::Measured), &test_context(), mean_a).unwrap()[0];
        let seen = [0, 1, 2].map(|k| wrap_deg(deg[k] - current_deg[k]));
        let worst = |order: [usize; 3]| {
            let places = Places { shift: [0; 3], seat: order.map(|k| Some(k as u8)), back: false };
            let features = Features { current_a: amps, ..even_features(mean_a) };
            let made = channels(&answer, &Fit::NOTHING, 0.0, places, &features, false);
            let made_deg = made.map(|made| made.unwrap().power.arg().to_degrees());
            let mean = |of: [f64; 3]| of.iter().sum::<f64>() / 3.0;
            (0..3).map(|k| (seen[k] - mean(seen) - made_deg[k] + mean(made_deg)).abs()).fold(0.0, f64::max)
        };
        assert!(worst([0, 1, 2]) < 1.0 && worst([1, 0, 2]) > 3.0, "{} {}", worst([0, 1, 2]), worst([1, 0, 2]));
    }
}

/// Volts, their angles, amps, their angles.
const ENGINE: [[[f64; 3]; 4]; 2] = [
    [
        [276.1699, 268.008, 276.1987],
        [0.0, -120.0191, 119.9671],
        [65.3071, 63.3216, 70.0349],
        [-33.0358, -147.0794, 91.3052],
    ],
    [
        [276.369, 268.2069, 276.3974],
        [0.0, -120.0151, 119.9671],
        [39.7739, 36.158, 43.1195],
        [-49.326, -160.3111, 79.1438],
    ],
];

/// NEMA MG 1 part 14 (from memory): current unbalance of a loaded motor is 6 to 10 times that of its voltages, as largest
/// deviation from the mean.
#[test]
fn one_percent_of_voltage_makes_six_to_ten_percent_of_current() {
    let found = answers(&even_angles([277.0, 277.0, 277.0 * 0.985]), &test_context(), 77.0).unwrap();
    // Of the voltages between lines, which is what the standard speaks of, the deviation is about half that of one phase.
    let line = |a: f64, b: f64| (a * a + b * b + a * b).sqrt();
    let lines = [line(1.0, 1.0), line(1.0, 0.985), line(1.0, 0.985)];
    let unbalance = |x: [f64; 3]| {
        let mean = x.iter().sum::<f64>() / 3.0;
        x.iter().map(|x| (x / mean - 1.0).abs()).fold(0.0, f64::max)
    };
    let times = unbalance([0, 1, 2].map(|k| found[0].current(k, false).norm())) / unbalance(lines);
    assert!((5.0..=10.0).contains(&times), "{times}");
}

#[test]
fn what_is_not_known_says_nothing() {
    let uneven = even_angles([277.0, 270.0, 280.0]);
    let unknown = CircuitContext { load: LoadBehaviour::Unknown, ..test_context() };
    assert!(answers(&uneven, &unknown, 50.0).is_none());
    let no_plate = CircuitContext { full_load_current_a: None, ..test_context() };
    assert!(answers(&uneven, &no_plate, 50.0).is_none());
    assert!(answers(&uneven, &test_context(), 0.5).is_none(), "an idle current cannot be told by the supply");
}

/// Every wiring of single conductors: the seat is the voltage channel that is on the conductor's phase.
#[test]
fn seats_are_those_of_the_wirings() {
    let mut looked_at = 0;
    for class in &classes(ServiceKind::Wye4).all {
        for member in class.members.iter().filter(|m| m.wiring.lost_phase.is_none() && !m.wiring.supply_rotates_back) {
            let found = seats(class.pattern.shift, class.rotation_reversed).unwrap();
            for k in 0..3 {
                if let CurrentSeen::Conductor { phase, .. } = member.wiring.current[k] {
                    let seat = member.wiring.voltage_channel_of(phase).map(|channel| channel as u8);
                    assert_eq!(found[k], seat, "{:?}", member.wiring);
                    looked_at += 1;
                } else if member.wiring.current[k] == CurrentSeen::Nothing {
                    assert_eq!((found[k], class.pattern.shift[k]), (None, NOTHING));
                }
            }
        }
    }
    assert!(looked_at > 1500, "{looked_at}");
}

/// A capacitor takes most of a light load's reactive current: what is left of the amps tells nothing of the motor's answer.
#[test]
fn a_motor_with_capacitor_answers_only_where_its_amps_are_the_motor_s() {
    let uneven = even_angles([277.0, 272.0, 279.0]);
    let context = CircuitContext { load: LoadBehaviour::MotorWithCapacitor, ..test_context() };
    let motor = answers(&uneven, &test_context(), 70.0).unwrap()[0].opposing(false);
    let corrected = answers(&uneven, &context, 70.0).unwrap()[0].opposing(false);
    assert!((corrected.norm() / motor.norm() - 1.0).abs() < 0.01);
    assert!(answers(&uneven, &context, 30.0).is_none());
}

const ORDERS: [[u8; 3]; 6] = [[0, 1, 2], [0, 2, 1], [2, 1, 0], [1, 0, 2], [1, 2, 0], [2, 0, 1]];

/// What single-phase loads draw comes and goes, and moves the voltages to neutral between one load level and another: with no
/// opposing sequence in it the currents stay even. Where the angles are measured it is known to be none of that kind.
#[test]
fn a_change_of_the_volts_that_drives_nothing_accuses_no_place() {
    let of = |seat: [u8; 3], basis: AngleBasis| {
        let volts = [[280.0, 275.0, 276.0], [276.0, 279.0, 276.0], [275.5, 276.0, 279.5]];
        let levels: Vec<_> = volts
            .into_iter()
            .zip([30.0, 45.0, 77.0])
            .map(|(volts, amps)| {
                let seen = supply(volts, nominal_angles_deg(Rotation::Abc), basis);
                ([Some(0.0); 3], answers(&seen, &test_context(), amps).unwrap())
            })
            .collect();
        fit(&levels, seat.map(Some), false)
    };
    let against = |basis: AngleBasis, story: usize| {
        let [right, wrong] = [[0, 1, 2], [0, 1, 0]].map(|seat| of(seat, basis)[story].ln);
        right - wrong
    };
    for story in 0..STORIES {
        let told = against(AngleBasis::Nominal, story);
        assert!(told > -1.5, "{story}: {told}");
    }
    assert!(against(AngleBasis::Measured, 0) < -4.0, "{}", against(AngleBasis::Measured, 0));
}

proptest! {
    /// On an even supply with even currents no place of a CT is likelier than another, nor likelier than without a pattern.
    #[test]
    fn an_even_supply_says_nothing(volts in 200.0..300.0f64, amps in 25.0..80.0f64, back in any::<bool>()) {
        let found = answers(&even_angles([volts; 3]), &test_context(), amps).unwrap();
        let levels = [([Some(0.0); 3], found), ([Some(0.0); 3], found)];
        let first = fit(&levels, [Some(0), Some(1), Some(2)], back);
        for order in ORDERS {
            for (one, other) in fit(&levels, order.map(Some), back).iter().zip(&first) {
                prop_assert!((one.ln - other.ln).abs() < 1e-9);
                prop_assert!(one.more.norm() < 1e-9);
            }
        }
        // One level alone says nothing even of uneven currents: they are the load's own.
        let levels = [([Some(0.04), Some(-0.05), Some(0.01)], found)];
        let first = fit(&levels, [Some(0), Some(1), Some(2)], back);
        for order in ORDERS {
            for (one, other) in fit(&levels, order.map(Some), back).iter().zip(&first) {
                prop_assert!((one.ln - other.ln).abs() < 1e-6);
            }
        }
    }

    /// Phases given other names: volts and seats moved along show the same currents. A roll leaves the rotation, an exchange
    /// turns it.
    #[test]
    fn other_names_of_the_phases_move_the_prediction_along(
        volts in proptest::array::uniform3(0.97..1.03f64),
        amps in 40.0..80.0f64,
    ) {
        let plain = answers(&even_angles(volts.map(|v| 277.0 * v)), &test_context(), amps).unwrap();
        for order in ORDERS {
            let moved = order.map(|k| 277.0 * volts[usize::from(k)]);
            let found = answers(&even_angles(moved), &test_context(), amps).unwrap();
            let back = [[0, 2, 1], [2, 1, 0], [1, 0, 2]].contains(&order);
            for story in 0..STORIES {
                for k in 0..3 {
                    let was = plain[story].current(usize::from(order[k]), false);
                    prop_assert!((found[story].current(k, back) - was).norm() < 1e-9);
                    let was = plain[story].voltage_rad(usize::from(order[k]), false);
                    prop_assert!((found[story].voltage_rad(k, back) - was).abs() < 1e-9);
                }
            }
        }
    }

    /// Sizes made by a pattern are likeliest where they were made, and give back what the voltmeters err by.
    #[test]
    fn the_pattern_finds_its_seats(low in 0.95..0.97f64, order in 0..6usize) {
        let context = test_context();
        let levels: Vec<_> = [35.0, 70.0]
            .map(|amps| {
                let found = answers(&even_angles([277.0 * low, 277.0, 279.0]), &context, amps).unwrap();
                let ln = ORDERS[order].map(|k| found[0].current(usize::from(k), false).norm().ln());
                let mean = ln.iter().sum::<f64>() / 3.0;
                (ln.map(|ln| Some(ln - mean)), found)
            })
            .into();
        let of = |order: [u8; 3]| fit(&levels, order.map(Some), false)[0];
        let true_seats = of(ORDERS[order]);
        prop_assert!(true_seats.more.norm() < 1e-3, "{:?}", true_seats);
        for other in ORDERS.into_iter().filter(|o| *o != ORDERS[order]) {
            prop_assert!(of(other).ln < true_seats.ln);
        }
    }
}
