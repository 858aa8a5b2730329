//! What a sound station shows now and then, and what must not come of it: a device that stands still in the middle of
//! something, moments caught between two states. Must never accept a rule that would hide the same from a live device.

use super::assessment::{Assessment, Check, Outcome, Verdict};
use super::auditor::CircuitAuditor;
use super::moment::USUAL;
use super::monitor::MonitorAuditor;
use super::testbench::{LoadState, Offer, context_for};
use super::wiring::Wiring;
use super::words;
use crate::reading::Measured::Good;
use crate::reading::{Instant2, MonitorReading, MonoMs, UnixMs};

fn at(second: u64) -> Instant2 {
    Instant2 { wall: UnixMs(1_700_000_000_000 + 1000 * second as i64), mono: MonoMs(1000 * second) }
}

fn usual() -> LoadState {
    LoadState::motor(&context_for(Offer::Full), 0.9)
}

/// A moment of a sag: one conductor carries a third of the others' current.
fn in_a_sag() -> LoadState {
    let mut state = usual();
    state.current_a[1] *= 0.33;
    state
}

fn seen(state: &LoadState, second: u64) -> MonitorReading {
    state.seen(&Wiring::INTENDED, Offer::Full, 1000 * second)
}

/// One moment shown at every second from one on.
fn frozen(state: &LoadState, since: u64, second: u64) -> MonitorReading {
    MonitorReading { at: at(second), ..seen(state, since) }
}

fn outcome(assessment: &Assessment, check: Check) -> &Outcome {
    &assessment.findings.iter().find(|f| f.check == check).unwrap().outcome
}

fn auditor() -> CircuitAuditor {
    CircuitAuditor::new(context_for(Offer::Full))
}

#[test]
fn a_device_frozen_in_a_sag_gives_no_verdict() {
    let (mut live, mut still) = (auditor(), auditor());
    let shown = (0..39).map(|n| live.observe(&seen(&in_a_sag(), n))).last().unwrap();
    assert_eq!(shown.diagnosis.verdict, Verdict::Fault, "a live one does: {}", words::headline(&shown));
    let shown = (0..39).map(|n| still.observe(&frozen(&in_a_sag(), 0, n))).last().unwrap();
    assert_eq!(shown.diagnosis.verdict, Verdict::NoEvidence, "{}", words::headline(&shown));
    assert!(words::headline(&shown).contains("From one moment only"), "{}", words::headline(&shown));
}

/// Every newcomer's test server: one reading, for ever.
#[test]
fn an_hour_of_one_moment_is_told_as_one_with_what_it_allows() {
    let mut turned = usual();
    turned.current_a[1] = -turned.current_a[1];
    for (state, told) in [(usual(), "metering is correct (confidence 9"), (turned, "(confidence 9")] {
        let mut auditor = auditor();
        for n in 0..3600 {
            let now = auditor.observe(&frozen(&state, 0, n));
            assert_eq!((now.diagnosis.verdict, now.diagnosis.readings_used), (Verdict::NoEvidence, 0), "{n}");
            assert_eq!(now.one_moment.is_some(), n >= 2, "{n}");
            let Some(moment) = &now.one_moment else { continue };
            assert_eq!((moment.since, u64::from(moment.readings)), (at(0), n + 1));
            let known = moment.diagnosis.as_ref().unwrap();
            let likeliest = known.groups.iter().map(|g| g.probability).fold(known.sound_probability, f64::max);
            assert!(likeliest <= USUAL && known.unexplained_probability >= 1.0 - USUAL, "{likeliest}");
            assert_eq!(*outcome(&now, Check::ValuesMoving) == Outcome::Failed, n >= 300, "{n}");
            if n % 600 == 10 {
                let line = words::headline(&now);
                let start = "all readings are identical since 2023-11-14T22:13:20Z: the device repeats one moment. From one \
                             moment only: ";
                assert!(line.starts_with(start) && line.contains(told), "{line}");
            }
        }
    }
}

/// A gateway that reads its meter once a minute, polled every second: every refresh is one witness, nothing is frozen, and
/// there is a verdict as soon as there are enough of them.
#[test]
fn a_gateway_that_refreshes_once_a_minute_comes_to_a_verdict_and_is_not_frozen() {
    let mut auditor = auditor();
    for n in 0..1800 {
        let now = auditor.observe(&frozen(&usual(), n / 60 * 60, n));
        assert_ne!(*outcome(&now, Check::ValuesMoving), Outcome::Failed, "{n}");
        // The first reading is a witness of nothing: nothing tells yet whether the pump is steady.
        assert_eq!(now.diagnosis.readings_used, n / 60, "{n}");
        let known = n >= 180;
        assert_eq!(now.diagnosis.verdict == Verdict::Sound, known, "{n}: {}", words::headline(&now));
        assert!(now.one_moment.is_none() || n < 60, "{n}");
    }
    // It stops: five refreshes are missed first.
    let outcomes =
        (1800..2100).map(|n| outcome(&auditor.observe(&frozen(&usual(), 1740, n)), Check::ValuesMoving).clone());
    let failed = outcomes.collect::<Vec<_>>().iter().position(|outcome| *outcome == Outcome::Failed);
    assert_eq!(failed, Some(240), "five minutes after the last change at 1740");
}

/// What is known from before a freeze stands, and is not told as one moment.
#[test]
fn a_live_device_that_freezes_keeps_its_verdict() {
    let mut auditor = auditor();
    (0..30).for_each(|n| _ = auditor.observe(&seen(&usual(), n)));
    let now = (30..100).map(|n| auditor.observe(&frozen(&usual(), 29, n))).last().unwrap();
    assert_eq!((now.diagnosis.verdict, now.one_moment.is_some()), (Verdict::Sound, false));
    assert_eq!(*outcome(&now, Check::ValuesMoving), Outcome::Failed);
}

#[test]
fn one_moment_shown_again_neither_moves_leads_nor_contradicts_what_is_known() {
    let mut turned = usual();
    turned.current_a[1] = -turned.current_a[1];
    let mut auditor = auditor();
    (0..30).for_each(|n| _ = auditor.observe(&seen(&usual(), n)));
    let known = (30..60).map(|n| auditor.observe(&frozen(&turned, 30, n))).last().unwrap();
    assert_eq!((known.diagnosis.verdict, known.diagnosis.epoch), (Verdict::Sound, 0), "{}", words::headline(&known));
    let used = known.diagnosis.readings_used;
    let after = (60..63).map(|n| auditor.observe(&seen(&usual(), n))).last().unwrap();
    assert_eq!((after.diagnosis.verdict, after.diagnosis.readings_used), (Verdict::Sound, used + 3));
    let after = (63..75).map(|n| auditor.observe(&seen(&turned, n))).last().unwrap();
    assert_eq!((after.diagnosis.verdict, after.diagnosis.epoch), (Verdict::Fault, 1), "{}", words::headline(&after));
}

/// Three readings are wrong only if they are three; that values stand still is what is told.
#[test]
fn one_moment_shown_again_fails_no_check_of_leads() {
    let mut dipped = usual();
    dipped.voltage_v[1] *= 0.01;
    let (mut live, mut still) = (auditor(), auditor());
    for n in 0..39 {
        let of_live = live.observe(&seen(&dipped, n));
        let of_still = still.observe(&frozen(&dipped, 0, n));
        if n >= 2 {
            assert!(of_live.findings.iter().any(|f| f.check == Check::VoltageMissing && f.outcome == Outcome::Failed));
        }
        assert!(words::hard_findings(&of_still.findings).is_empty(), "{:?}", words::hard_findings(&of_still.findings));
        assert!(of_still.findings.iter().any(|f| f.check == Check::VoltageMissing && f.outcome == Outcome::Pending));
        assert_ne!(of_still.diagnosis.verdict, Verdict::Fault);
    }
    let told = (39..=300).map(|n| still.observe(&frozen(&dipped, 0, n))).last().unwrap();
    assert_eq!(*outcome(&told, Check::ValuesMoving), Outcome::Failed);
    assert!(words::hard_findings(&told.findings).is_empty());
}

/// What is said stands while values stand still, and neither an impossible value nor a stopped pump is a frozen one.
#[test]
fn a_failure_stands_and_what_is_impossible_is_told_of_still_values_too() {
    let mut auditor = auditor();
    let mut dipped = usual();
    dipped.voltage_v[1] *= 0.01;
    (0..5).for_each(|n| _ = auditor.observe(&seen(&dipped, n)));
    let known = (5..15).map(|n| auditor.observe(&frozen(&usual(), 5, n))).last().unwrap();
    assert!(known.findings.iter().any(|f| f.check == Check::VoltageMissing && f.outcome == Outcome::Failed));

    let impossible = |second| {
        let mut reading = frozen(&usual(), 0, second);
        reading.circuits[0].power_factor[0] = crate::reading::Measured::OutOfRange(3.2);
        reading
    };
    let mut auditor = self::auditor();
    let told = (0..5).map(|n| auditor.observe(&impossible(n))).last().unwrap();
    assert_eq!(*outcome(&told, Check::PlausibleValues), Outcome::Failed);

    let stopped = LoadState::with(&context_for(Offer::Full), 0.0, 0.0);
    let dark = |second| {
        let mut reading = frozen(&stopped, 0, second);
        reading.voltage_ln_v[1] = Good(0.0);
        reading
    };
    let mut auditor = self::auditor();
    let told = (0..5).map(|n| auditor.observe(&dark(n))).last().unwrap();
    assert!(told.findings.iter().any(|f| f.check == Check::VoltageMissing && f.outcome == Outcome::Failed));
}

/// A recording of whole amps and volts repeats itself now and then; whatever moves at all is new.
#[test]
fn coarse_values_are_witnesses_whenever_one_of_them_moves() {
    let mut auditor = auditor();
    let coarse = |second: u64| {
        let mut reading = frozen(&usual(), 0, second);
        // One volt more every fourth reading.
        reading.voltage_ln_v = [Good(277.0 + (second / 4) as f64 % 2.0), Good(277.0), Good(277.0)];
        reading
    };
    let known = (0..17).map(|n| auditor.observe(&coarse(n))).last().unwrap();
    assert_eq!((known.diagnosis.verdict, known.diagnosis.readings_used), (Verdict::Sound, 4));
}

#[test]
fn voltages_that_stand_still_tell_nothing_of_their_leads() {
    let mut dipped = usual();
    dipped.voltage_v[1] *= 0.5;
    let told = |reading: &dyn Fn(u64) -> MonitorReading| {
        let mut auditor = MonitorAuditor::new(vec![context_for(Offer::Full)]);
        (0..39).map(|n| auditor.observe(&reading(n)).remove(0)).last().unwrap().voltage_leads
    };
    assert!(told(&|n| seen(&dipped, n)).is_some());
    assert!(told(&|n| frozen(&dipped, 0, n)).is_none());
}

/// Two readings of a sag among all that is steady: the second looks steady beside the first, at a load level of its own that is
/// the heaviest, by which sizes are judged. Seen three times it counts.
#[test]
fn a_moment_is_no_load_level() {
    let mut heavy = LoadState::motor(&context_for(Offer::Full), 1.5);
    heavy.current_a[1] *= 0.3;
    let mut auditor = auditor();
    (0..2).for_each(|n| _ = auditor.observe(&seen(&heavy, n)));
    for n in 2..20 {
        let now = auditor.observe(&seen(&LoadState::motor(&context_for(Offer::Full), 0.6), n));
        if n > 5 {
            assert_eq!(now.diagnosis.verdict, Verdict::Sound, "{n}: {}", words::headline(&now));
            assert_eq!(now.diagnosis.load_levels, 2);
        }
    }
    let often = (20..24).map(|n| auditor.observe(&seen(&heavy, n))).last().unwrap();
    assert_eq!(often.diagnosis.verdict, Verdict::Fault, "{}", words::headline(&often));
}
