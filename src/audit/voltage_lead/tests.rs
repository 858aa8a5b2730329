//! Voltages as panels show them, in volts, against the diagnosis. Nothing here is made by the model.

use proptest::prelude::*;

use super::*;
use crate::audit::installation::{Installation, VoltageConnection};
use crate::electrical::angle::{arg_deg, polar_deg, wrap_deg};
use num_complex::Complex64;

pub(super) const WYE_480: VoltageService =
    VoltageService { system: ServiceKind::Wye4, nominal_v: 480.0, transformers: false };
const WYE_VT: VoltageService = VoltageService { transformers: true, ..WYE_480 };
const OPEN_DELTA: VoltageService =
    VoltageService { system: ServiceKind::OpenDelta, nominal_v: 4160.0, transformers: true };
const DELTA_480: VoltageService = VoltageService { system: ServiceKind::Delta3, ..WYE_480 };
const HIGH_LEG: VoltageService =
    VoltageService { system: ServiceKind::HighLegDelta, nominal_v: 240.0, transformers: false };
const SPLIT: VoltageService = VoltageService { system: ServiceKind::SplitPhase, ..HIGH_LEG };

pub(super) fn means(ln: [f64; 3], ll: [f64; 3]) -> VoltageMeans {
    VoltageMeans { ln_v: ln.map(Some), ll_v: ll.map(Some), angle_deg: [None; 3] }
}

fn lines(ll: [f64; 3]) -> VoltageMeans {
    VoltageMeans { ll_v: ll.map(Some), ..VoltageMeans::default() }
}

pub(super) fn with_angles(means: VoltageMeans, deg: [f64; 3]) -> VoltageMeans {
    VoltageMeans { angle_deg: deg.map(Some), ..means }
}

fn top(service: VoltageService, means: &VoltageMeans) -> (VoltageState, f64) {
    let diagnosis = weigh(service, means);
    let total = diagnosis.none_of_these + diagnosis.ranked.iter().map(|r| r.1).sum::<f64>();
    assert!((total - 1.0).abs() < 1e-9, "probabilities sum to {total}");
    diagnosis.ranked[0]
}

/// The state is in the likeliest group, and the group holds most of the probability.
#[track_caller]
fn holds(service: VoltageService, means: &VoltageMeans, state: VoltageState) {
    let diagnosis = weigh(service, means);
    let group = &diagnosis.groups[0];
    assert!(
        group.states.contains(&state) && group.probability > 0.9,
        "{state:?}: {:?}, none {}, {:?}",
        diagnosis.groups,
        diagnosis.none_of_these,
        &diagnosis.ranked[..4]
    );
}

#[test]
fn a_sound_supply_is_sound_in_every_system() {
    for (service, seen) in [
        (WYE_480, means([277.0, 279.0, 275.0], [481.0, 480.0, 478.0])),
        (WYE_480, means([264.0, 263.0, 266.0], [457.0, 458.0, 459.0])),
        (WYE_480, VoltageMeans { ln_v: [Some(277.0), Some(279.0), Some(275.0)], ..VoltageMeans::default() }),
        (DELTA_480, lines([481.0, 478.0, 483.0])),
        (OPEN_DELTA, lines([4180.0, 4170.0, 4150.0])),
        (HIGH_LEG, means([120.0, 208.0, 121.0], [240.0, 241.0, 240.5])),
        (SPLIT, VoltageMeans { ln_v: [Some(121.0), Some(120.0), None], ..lines_first(241.0) }),
        (
            VoltageService { system: ServiceKind::SinglePhase, nominal_v: 120.0, transformers: false },
            VoltageMeans { ln_v: [Some(118.5), None, None], ..VoltageMeans::default() },
        ),
    ] {
        let (state, probability) = top(service, &seen);
        assert!(state == VoltageState::Sound && probability > 0.95, "{service:?}: {state:?} {probability}");
    }
}

fn lines_first(v: f64) -> VoltageMeans {
    VoltageMeans { ll_v: [Some(v), None, None], ..VoltageMeans::default() }
}

/// 3 % unbalance is the most ANSI C84.1 annex C allows; a supply at the lower end of range B is low, not miswired.
#[test]
fn a_poor_supply_is_not_blamed_on_the_leads() {
    holds(WYE_480, &means([268.0, 277.0, 281.0], [470.0, 484.0, 476.0]), VoltageState::Sound);
    holds(WYE_480, &means([254.0, 255.0, 253.0], [440.0, 441.0, 439.0]), VoltageState::Sound);
}

/// Terminal 2 drawn to the neutral: 0 or a few volts, and its line voltages about 277 V.
#[test]
fn a_lead_off_and_a_blown_fuse_look_the_same() {
    for floating in [0.0, 3.0, 25.0] {
        let seen = means([278.0, floating, 276.0], [277.0, 277.0, 481.0]);
        holds(WYE_480, &seen, VoltageState::LeadOff(1));
        holds(WYE_480, &seen, VoltageState::FuseBlown(1));
    }
    // A monitor that shows no line voltage to a dead channel.
    holds(WYE_480, &means([0.0, 277.0, 276.0], [0.0, 480.0, 0.0]), VoltageState::FuseBlown(0));
    // Without neutral: terminal 3 in the middle between the other two.
    holds(DELTA_480, &lines([480.0, 242.0, 238.0]), VoltageState::FuseBlown(2));
    // Lead 1 of an open delta: nothing across channel 1-2.
    holds(OPEN_DELTA, &lines([15.0, 4160.0, 4155.0]), VoltageState::LeadOff(0));
    let diagnosis = weigh(WYE_480, &means([278.0, 3.0, 276.0], [277.0, 277.0, 481.0]));
    let check = diagnosis.next_check(&installation(WYE_480, VoltageConnection::Direct));
    assert!(matches!(check, Some(VoltageCheck::FuseContinuity(1) | VoltageCheck::TraceLead(1))), "{check:?}");
}

/// A phase held up by running motors at 60 to 95 % and some degrees off.
#[test]
fn a_phase_held_up_by_motors_is_not_called_sound() {
    for (size, off_deg) in [(0.62, -18.0), (0.78, 5.0), (0.85, -8.0), (0.90, 12.0)] {
        let at = [polar_deg(277.0, 0.0), polar_deg(277.0 * size, -120.0 + off_deg), polar_deg(277.0, 120.0)];
        holds(WYE_480, &shown(at, Complex64::ZERO, true), VoltageState::BackFed(1));
        holds(WYE_480, &shown(at, Complex64::ZERO, false), VoltageState::BackFed(1));
    }
}

/// What a monitor computes from phasors at its terminals against its zero.
fn shown(at: [Complex64; 3], zero: Complex64, angles: bool) -> VoltageMeans {
    let ln = at.map(|t| t - zero);
    let seen = means(ln.map(Complex64::norm), [0, 1, 2].map(|k| (ln[k] - ln[(k + 1) % 3]).norm()));
    if angles { with_angles(seen, ln.map(|v| wrap_deg(arg_deg(v) - arg_deg(ln[0])))) } else { seen }
}

#[test]
fn a_phase_lost_on_the_primary_halves_two() {
    holds(WYE_480, &means([277.0, 140.0, 137.0], [416.0, 4.0, 414.0]), VoltageState::PrimaryLost(0));
}

/// Handbook vectors: three transformers, one turned, leaves 1-2 and 2-3 at the size of the voltage to neutral; in open
/// delta the third line voltage is sqrt(3) times nominal (4160 V: 7205 V).
#[test]
fn turned_voltage_transformers() {
    holds(WYE_VT, &means([277.0; 3], [277.0, 277.0, 480.0]), VoltageState::TransformerReversed(1));
    let angles = with_angles(VoltageMeans { ln_v: [Some(277.0); 3], ..VoltageMeans::default() }, [0.0, 60.0, 120.0]);
    holds(WYE_VT, &angles, VoltageState::TransformerReversed(1));
    holds(OPEN_DELTA, &lines([4160.0, 4160.0, 7205.0]), VoltageState::TransformerReversed(0));
    holds(OPEN_DELTA, &lines([4160.0, 4160.0, 7205.0]), VoltageState::TransformerReversed(2));
    let group = weigh(OPEN_DELTA, &lines([4160.0, 4160.0, 7205.0])).groups.swap_remove(0);
    assert_eq!(group.states.len(), 2, "which of the two is turned cannot be told: {group:?}");
}

#[test]
fn wrong_ratios() {
    use WrongRatio::*;
    for (ratio, volts) in [(Double, 554.0), (Half, 138.6), (FourTimes, 1108.0), (TenTimes, 2770.0), (Tenth, 27.7)] {
        let all = means([volts; 3], [volts * 3f64.sqrt(); 3]);
        holds(WYE_VT, &all, VoltageState::RatioWrongOnAll(ratio));
    }
    holds(WYE_VT, &means([480.0; 3], [831.0; 3]), VoltageState::RatioWrongOnAll(RootThree));
    // One channel at twice the voltage: 1-2 and 3-1 are sqrt(1 + 4 + 2) = 2.646 times 277 V.
    holds(WYE_VT, &means([554.0, 277.0, 277.0], [733.0, 480.0, 733.0]), VoltageState::RatioWrong(0, Double));
    // 4 % on all is a high supply as far as any voltage can tell.
    let (state, probability) = top(WYE_VT, &means([289.0; 3], [501.0; 3]));
    assert_eq!(state, VoltageState::Sound);
    assert!(probability < 0.999, "the ratio keeps its part: {probability}");
}

#[test]
fn leads_on_the_wrong_conductor() {
    let same = means([277.0; 3], [0.5, 480.0, 480.0]);
    holds(WYE_480, &same, VoltageState::SamePhase(0, 1));
    holds(WYE_480, &same, VoltageState::SamePhase(1, 0));
    // The angles tell lead 1 from lead 2 no better: 0, 0, and -120 or 120 for the third, the supply turning either way.
    let group = weigh(WYE_480, &with_angles(same, [0.0, 0.0, 120.0])).groups.swap_remove(0);
    assert!(group.states.contains(&VoltageState::SamePhase(1, 0)), "{group:?}");
    holds(WYE_480, &means([277.0, 0.0, 277.0], [277.0, 277.0, 480.0]), VoltageState::LeadOnNeutral(1));
    holds(WYE_480, &means([277.0, 480.0, 480.0], [277.0, 480.0, 277.0]), VoltageState::NeutralExchanged(0));
    holds(HIGH_LEG, &means([208.0, 120.0, 120.0], [240.0, 240.0, 240.0]), VoltageState::HighLegOn(0));
    holds(HIGH_LEG, &means([120.0, 120.0, 208.0], [240.0, 240.0, 240.0]), VoltageState::HighLegOn(2));
    holds(
        SPLIT,
        &VoltageMeans { ln_v: [Some(120.0), Some(120.0), None], ..lines_first(0.0) },
        VoltageState::SamePhase(0, 1),
    );
}

/// The zero 80 V away from the middle: line voltages stay.
#[test]
fn a_floating_zero() {
    for direction in [0.0, 40.0, 95.0, 170.0, 260.0] {
        let at = [0.0, -120.0, 120.0].map(|deg| polar_deg(277.0, deg));
        let zero = polar_deg(80.0, direction);
        for angles in [false, true] {
            holds(WYE_480, &shown(at, zero, angles), VoltageState::NeutralOpen);
            holds(DELTA_480, &shown(at, zero, angles), VoltageState::EarthFault);
        }
    }
    // A dead earth fault on phase 2 of an ungrounded supply.
    holds(DELTA_480, &means([480.0, 2.0, 480.0], [480.0; 3]), VoltageState::EarthFault);
    holds(
        SPLIT,
        &VoltageMeans { ln_v: [Some(150.0), Some(90.0), None], ..lines_first(240.0) },
        VoltageState::NeutralOpen,
    );
}

#[test]
fn nothing_and_nonsense() {
    holds(WYE_480, &means([0.4, 1.2, 0.0], [0.8, 1.0, 0.5]), VoltageState::AllDead);
    let odd = weigh(WYE_480, &means([277.0, 390.0, 100.0], [33.0, 700.0, 610.0]));
    assert!(odd.none_of_these > 0.9, "{:?} none {}", &odd.ranked[..3], odd.none_of_these);
    let empty = weigh(WYE_480, &VoltageMeans::default());
    assert_eq!(empty.voltages_used, 0);
    assert!((empty.none_of_these - 1e-3).abs() < 1e-9, "without evidence the prior stands");
    let not_a_number = weigh(WYE_480, &means([f64::NAN, 277.0, 277.0], [480.0; 3]));
    assert_eq!(not_a_number.voltages_used, 5);
    assert_eq!(not_a_number.ranked[0].0, VoltageState::Sound);
}

#[test]
fn the_check_suits_the_states() {
    let check = |service: VoltageService, seen: VoltageMeans| {
        weigh(service, &seen).next_check(&installation(service, VoltageConnection::Direct))
    };
    assert_eq!(check(WYE_480, means([277.0; 3], [480.0; 3])), None, "a sound monitor needs no check");
    let ratio = check(WYE_VT, means([138.6; 3], [240.0; 3]));
    assert!(ratio.is_none() || ratio == Some(VoltageCheck::RatioSetting), "{ratio:?}");
    let turned = check(OPEN_DELTA, lines([4160.0, 4160.0, 7205.0]));
    assert!(matches!(turned, Some(VoltageCheck::TransformerPlate(0 | 2))), "{turned:?}");
    for connection in [VoltageConnection::Direct, VoltageConnection::Transformers, VoltageConnection::Unknown] {
        for service in [WYE_480, WYE_VT, OPEN_DELTA, DELTA_480, HIGH_LEG, SPLIT] {
            let installation = installation(service, connection);
            for check in VoltageCheck::offered(&installation) {
                let words = check.words(&installation);
                assert_eq!(check.is_live(), words.starts_with("LIVE"), "{check:?}");
                assert!(!check.is_live() || installation.direct_low_voltage(), "{check:?} at {installation:?}");
                let of_primary = ["breaker", "main fuse", "main switch", "tap"].iter().any(|w| words.contains(w));
                assert!(!of_primary || installation.direct_low_voltage(), "{installation:?}: {words}");
                assert!(!check.key().contains(' '));
            }
        }
    }
}

/// The panel that goes with a service.
fn installation(service: VoltageService, connection: VoltageConnection) -> Installation {
    let voltage_connection = if service.transformers { VoltageConnection::Transformers } else { connection };
    Installation { voltage_connection, ..Installation::unknown(service.system, service.nominal_v) }
}

#[test]
fn a_live_check_is_left_out_while_a_dead_one_tells_anything() {
    let ground = [(VoltageState::Sound, 0.5), (VoltageState::EarthFault, 0.5)];
    let lead = [(VoltageState::Sound, 0.4), (VoltageState::EarthFault, 0.4), (VoltageState::LeadOff(0), 0.2)];
    let direct = installation(DELTA_480, VoltageConnection::Direct);
    assert_eq!(VoltageCheck::worth_most(&direct, &ground), Some(VoltageCheck::SupplyToGround));
    assert_eq!(VoltageCheck::worth_most(&direct, &lead), Some(VoltageCheck::TraceLead(0)));
    for other in [VoltageConnection::Transformers, VoltageConnection::Unknown] {
        assert_eq!(VoltageCheck::worth_most(&installation(DELTA_480, other), &ground), None, "{other:?}");
    }
}

#[test]
fn every_state_has_its_own_words() {
    for service in [WYE_VT, DELTA_480, OPEN_DELTA, HIGH_LEG, SPLIT] {
        let states = VoltageState::all(service);
        let mut words: Vec<String> = states.iter().map(|(state, _)| state.words()).collect();
        words.sort();
        words.dedup();
        assert_eq!(words.len(), states.len(), "{service:?}");
    }
}

/// A supply with unbalance and meter error, in volts: scale 0.95 to 1.05, each phase within 1.5 %, 1.5 degrees.
fn supply() -> impl Strategy<Value = [Complex64; 3]> {
    let each = || proptest::array::uniform3(-1.0..1.0f64);
    (0.95..1.05f64, each(), each(), any::<bool>()).prop_map(|(scale, size, angle, acb)| {
        let sign = if acb { -1.0 } else { 1.0 };
        [0, 1, 2].map(|k| {
            let deg = sign * [0.0, -120.0, 120.0][k] + 1.5 * angle[k];
            polar_deg(277.13 * scale * (1.0 + 0.015 * size[k]), deg)
        })
    })
}

fn cut(seen: VoltageMeans, what: u8) -> VoltageMeans {
    match what {
        0 => seen,
        1 => VoltageMeans { angle_deg: [None; 3], ..seen },
        2 => VoltageMeans { ll_v: [None; 3], ..seen },
        _ => VoltageMeans { ln_v: seen.ln_v, ..VoltageMeans::default() },
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    /// Whatever the supply within its limits and whatever is mapped, sound leads are found sound and never below 90 %.
    #[test]
    fn sound_leads_stay_sound(at in supply(), what in 0u8..4) {
        let (state, probability) = top(WYE_480, &cut(shown(at, Complex64::ZERO, true), what));
        prop_assert!(state == VoltageState::Sound && probability > 0.9, "{:?} {}", state, probability);
    }

    /// Every fault on every channel is never called sound, and stands in the first group wherever the line voltages or
    /// the angles are there to show it.
    #[test]
    fn faults_are_found_on_any_supply(at in supply(), k in 0usize..3, fault in 0usize..6, what in 0u8..4, floating in 0.0..0.07f64) {
        let (next, zero) = ((k + 1) % 3, Complex64::ZERO);
        let mut leads = at;
        let (expected, neutral) = match fault {
            0 => { leads[k] = at[k] * floating; (VoltageState::FuseBlown(k), zero) }
            1 => { leads[k] = -at[k]; (VoltageState::TransformerReversed(k), zero) }
            2 => { leads[k] = at[k] * 2.0; (VoltageState::RatioWrong(k, WrongRatio::Double), zero) }
            3 => { leads[k] = at[next]; (VoltageState::SamePhase(k, next), zero) }
            4 => { leads[k] = zero; (VoltageState::NeutralExchanged(k), at[k]) }
            _ => { leads[k] = at[k] * polar_deg(0.8, 9.0); (VoltageState::BackFed(k), zero) }
        };
        let diagnosis = weigh(WYE_VT, &cut(shown(leads, neutral, true), what));
        // Voltages to neutral alone do not show a turned channel or two leads on one phase.
        let blind = what == 3 && (fault == 1 || fault == 3);
        if blind {
            prop_assert_eq!(diagnosis.ranked[0].0, VoltageState::Sound);
        } else {
            prop_assert!(diagnosis.groups[0].states[0] != VoltageState::Sound, "{:?}", diagnosis.groups);
            prop_assert!(diagnosis.groups[0].states.contains(&expected), "{:?}: {:?}", expected, diagnosis.groups);
        }
    }

    /// Any finite values give probabilities that sum to 1, and no panic.
    #[test]
    fn any_values_give_probabilities(
        ln in proptest::array::uniform3(proptest::option::of(0.0..1.0e6f64)),
        ll in proptest::array::uniform3(proptest::option::of(0.0..1.0e6f64)),
        deg in proptest::array::uniform3(proptest::option::of(-1.0e3..1.0e3f64)),
        n in 0usize..5,
    ) {
        let service = [WYE_VT, DELTA_480, OPEN_DELTA, HIGH_LEG, SPLIT][n];
        top(service, &VoltageMeans { ln_v: ln, ll_v: ll, angle_deg: deg });
    }
}
