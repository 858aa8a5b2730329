//! Images of a station: taken up, refused, damaged.

use super::super::StationState;
use super::*;
use crate::audit::assessment::Verdict;
use crate::audit::wiring::Wiring;
use crate::config::model::StationConfig;
use crate::modbus::map::MapSource;
use crate::modbus::poll::PollEvent;
use crate::reading::{MonoMs, UnixMs};
use crate::station::fixtures::{exchanged, good_event, instant, reading, station_config};
use crate::station::news::News;
use crate::station::register_watch;

const READINGS: u64 = 60;

fn config() -> StationConfig {
    station_config("Alder Creek Lift")
}

/// A station that has learnt of exchanged CT pairs, and its image.
fn learnt() -> (StationState, Vec<u8>) {
    let mut state = StationState::new(&config()).unwrap();
    for second in 0..READINGS {
        state.take(0, good_event(reading(&exchanged(), 1000 * second)));
    }
    let image = state.image(0, instant(1000 * READINGS)).unwrap();
    (state, image)
}

fn taken_up(config: &StationConfig, image: &[u8], now: Instant2) -> (StationState, Result<Option<u64>, NotTakenUp>) {
    let mut state = StationState::new(config).unwrap();
    let mut came = state.take_up(&[Some(image.to_vec())], now);
    assert_eq!(came.len(), 1, "{came:?}");
    (state, came.remove(0).outcome)
}

/// Ten seconds later, by the clock of a new process.
fn ten_seconds_later() -> Instant2 {
    Instant2 { wall: UnixMs(instant(1000 * (READINGS + 10)).wall.0), mono: MonoMs(500) }
}

fn at(instant: Instant2, wiring: &Wiring) -> PollEvent {
    let mut reading = reading(wiring, instant.mono.0);
    reading.at = instant;
    good_event(reading)
}

#[test]
fn the_first_reading_after_a_restart_knows_what_the_last_one_did() {
    let (before, image) = learnt();
    let before = before.snapshot(instant(0));
    let (mut state, outcome) = taken_up(&config(), &image, ten_seconds_later());
    assert_eq!(outcome, Ok(Some(10_000)));
    let news = state.take(0, at(ten_seconds_later(), &exchanged()));
    assert!(!news.iter().any(|item| matches!(item, News::Diagnosis { .. })), "told before the restart: {news:?}");
    let after = state.snapshot(ten_seconds_later());
    let diagnosis = |snapshot: &crate::station::snapshot::StationSnapshot| {
        snapshot.circuits[0].assessment.as_ref().unwrap().diagnosis.clone()
    };
    assert_eq!(diagnosis(&after).verdict, Verdict::Fault);
    assert_eq!(diagnosis(&after).since.unwrap().wall, diagnosis(&before).since.unwrap().wall);
    assert_eq!(diagnosis(&after).groups, diagnosis(&before).groups);
    // The sums go on; the time away is left out of them.
    let sums = [&before, &after].map(|snapshot| snapshot.circuits[0].energy.since_start.sums);
    assert_eq!(sums[1].covered_ms, sums[0].covered_ms);
    assert_eq!(sums[1].left_out_ms, sums[0].left_out_ms + 11_000);
    assert_eq!(after.circuits[0].energy.since_start.from.unwrap().wall, instant(0).wall);
}

#[test]
fn a_change_while_away_is_news_and_an_epoch() {
    let (_, image) = learnt();
    let (mut state, _) = taken_up(&config(), &image, ten_seconds_later());
    let mut news = Vec::new();
    for second in 0..30 {
        let now = Instant2 {
            wall: UnixMs(ten_seconds_later().wall.0 + 1000 * second),
            mono: MonoMs(500 + 1000 * second as u64),
        };
        news.extend(state.take(0, at(now, &Wiring::INTENDED)));
    }
    assert_eq!(state.epochs(0), 1);
    assert!(news.iter().any(|item| matches!(item, News::Diagnosis { verdict: Verdict::Sound, .. })), "{news:?}");
}

#[test]
fn a_wall_clock_that_went_back_is_a_gap() {
    let (_, image) = learnt();
    let back = Instant2 { wall: UnixMs(instant(0).wall.0 - 1), mono: MonoMs(0) };
    let (mut state, outcome) = taken_up(&config(), &image, back);
    assert_eq!(outcome, Ok(None));
    state.take(0, at(back, &exchanged()));
    let circuit = &state.snapshot(back).circuits[0];
    assert_eq!(circuit.assessment.as_ref().unwrap().diagnosis.verdict, Verdict::Fault);
}

#[test]
fn what_was_learnt_under_other_settings_is_not_used() {
    let (_, image) = learnt();
    let mut other = [config(), config(), config()];
    other[0].circuits[0].full_load_current_a = Some(78.0);
    other[1].circuits[0].name = "Pump 2".to_owned();
    let MapSource::Fixed(map) = &mut other[2].monitors[0].map else { unreachable!() };
    map.slots = 2;
    for config in other {
        let (mut state, outcome) = taken_up(&config, &image, ten_seconds_later());
        assert_eq!(outcome, Err(NotTakenUp::Foreign));
        state.take(0, at(ten_seconds_later(), &exchanged()));
        let circuit = &state.snapshot(ten_seconds_later()).circuits[0];
        assert_eq!(circuit.assessment.as_ref().unwrap().diagnosis.verdict, Verdict::NoEvidence);
    }
    // What is no part of it may change.
    let mut same = config();
    same.monitors[0].address = "127.0.0.2:502".to_owned();
    assert_eq!(taken_up(&same, &image, ten_seconds_later()).1, Ok(Some(10_000)));
}

#[test]
fn a_fault_of_the_register_map_is_shown_with_the_first_reading_after_a_restart() {
    let map = register_watch::tests::map();
    let wrong_words = |at| {
        let (mut reading, raw) = register_watch::tests::poll(&map, true);
        reading.at = at;
        PollEvent { raw: Some(raw), ..good_event(reading) }
    };
    let mut before = StationState::new(&config()).unwrap();
    for second in 0..20 {
        before.take(0, wrong_words(instant(1000 * second)));
    }
    let fault = |state: &StationState| {
        let shown = state.snapshot(ten_seconds_later()).monitors[0].register_fault.clone();
        shown.map(|fault| fault.kind)
    };
    assert_eq!(fault(&before), Some("byte_order"));
    let image = before.image(0, instant(20_000)).unwrap();
    let (mut state, outcome) = taken_up(&config(), &image, ten_seconds_later());
    assert!(outcome.is_ok(), "{outcome:?}");
    assert_eq!(fault(&state), None, "nothing is said of a monitor that has not answered yet");
    state.take(0, wrong_words(ten_seconds_later()));
    assert_eq!(fault(&state), Some("byte_order"));
}

#[test]
fn a_damaged_or_old_image_is_told_and_does_no_harm() {
    let (_, image) = learnt();
    let mut old = image.clone();
    old[0] += 1;
    assert_eq!(taken_up(&config(), &old, ten_seconds_later()).1, Err(NotTakenUp::OtherVersion));
    for length in [0, 1, 20, 64, 65, image.len() / 2, image.len() - 1] {
        assert_eq!(taken_up(&config(), &image[..length], ten_seconds_later()).1, Err(NotTakenUp::Damaged), "{length}");
    }
    for place in (1..image.len()).step_by(97) {
        let mut damaged = image.clone();
        damaged[place] ^= 0x10;
        let outcome = taken_up(&config(), &damaged, ten_seconds_later()).1;
        assert!(matches!(outcome, Err(NotTakenUp::Damaged | NotTakenUp::Foreign)), "{place}: {outcome:?}");
    }
    // Whole by its sum, and of another shape inside.
    let body = [0xA0u8];
    let sum: [u8; HASH] = Sha256::digest(body).into();
    let strange = [&image[..=HASH], &sum, &body].concat();
    assert_eq!(taken_up(&config(), &strange, ten_seconds_later()).1, Err(NotTakenUp::OtherVersion));
}

#[test]
fn a_station_that_has_begun_takes_nothing_up() {
    let (mut state, image) = learnt();
    assert_eq!(state.take_up(&[Some(image)], ten_seconds_later()), Vec::new());
}
