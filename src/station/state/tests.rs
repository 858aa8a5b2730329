//! Steps of a station, without tasks or clocks.

use super::*;
use crate::audit::assessment::Verdict;
use crate::audit::wiring::Wiring;
use crate::reading::UnixMs;
use crate::station::fixtures::{
    exchanged, failed_event, good_event, instant, reading, running_reading, station_config,
};
use crate::station::snapshot::Freshness;

fn station() -> StationState {
    StationState::new(&station_config("Alder Creek Lift")).unwrap()
}

fn diagnoses(news: &[News]) -> Vec<&News> {
    news.iter().filter(|n| matches!(n, News::Diagnosis { .. })).collect()
}

#[test]
fn a_fault_is_told_once_in_plain_words() {
    let mut state = station();
    let mut news = Vec::new();
    for second in 0..60 {
        news.extend(state.take(0, good_event(reading(&exchanged(), 1000 * second))));
    }
    let told = diagnoses(&news);
    assert_eq!(told.len(), 1, "{news:?}");
    let News::Diagnosis { circuit, verdict, headline, .. } = told[0] else { unreachable!() };
    assert_eq!((circuit.as_str(), *verdict), ("Pump 1", Verdict::Fault));
    assert!(headline.contains("CT 2 and CT 3 leads are swapped"), "{headline}");
    let snapshot = state.snapshot(instant(60_000));
    assert_eq!(snapshot.circuits[0].assessment.as_ref().unwrap().diagnosis.verdict, Verdict::Fault);
    assert!(snapshot.reported(&snapshot.circuits[0]).unwrap().current_a[0].good().unwrap() > 50.0);
}

#[test]
fn silence_is_told_once_with_its_cause_and_its_end_once() {
    let mut state = station();
    let mut news = state.take(0, good_event(running_reading(0)));
    assert!(matches!(news[..], [News::MonitorAnswers { .. }]), "{news:?}");
    news.clear();
    for second in 1..10 {
        news.extend(state.take(0, failed_event(1000 * second)));
    }
    let silent: Vec<_> = news.iter().filter(|n| matches!(n, News::MonitorSilent { .. })).collect();
    let [News::MonitorSilent { monitor, place, cause }] = silent[..] else { panic!("{news:?}") };
    assert_eq!((monitor.as_str(), place.as_str()), ("PM-1", "127.0.0.1:15021, unit 1"));
    assert!(!cause.is_empty());
    let snapshot = state.snapshot(instant(9100));
    assert_eq!(snapshot.monitors[0].freshness(MonoMs(9100)), Freshness::Stale { age_ms: 9100 });
    let health = &snapshot.monitors[0].health;
    assert_eq!((health.polls, health.failed_polls, health.transactions, health.failed_transactions), (10, 9, 11, 9));
    assert_eq!((health.skipped_ticks, health.connects), (9, 9));

    let news = state.take(0, good_event(running_reading(10_000)));
    assert!(news.iter().any(|n| matches!(n, News::MonitorAnswers { .. })), "{news:?}");
}

#[test]
fn a_lost_poll_now_and_then_is_counted_and_not_told() {
    let mut state = station();
    state.take(0, good_event(running_reading(0)));
    for second in 1..30 {
        let event =
            if second % 3 == 0 { failed_event(1000 * second) } else { good_event(running_reading(1000 * second)) };
        let news = state.take(0, event);
        assert!(news.iter().all(|n| matches!(n, News::Diagnosis { .. })), "{news:?}");
    }
    assert_eq!(state.snapshot(instant(30_000)).monitors[0].health.failed_polls, 9);
}

#[test]
fn a_monitor_that_answers_in_part_is_told_apart() {
    let mut state = station();
    let mut event = good_event(running_reading(0));
    event.reading.failures.push("registers 100-119: illegal data address".to_owned());
    let news = state.take(0, event);
    let [News::MonitorAnswersInPart { cause, .. }] = &news[..] else { panic!("{news:?}") };
    assert!(cause.contains("100-119"));
    assert!(state.snapshot(instant(0)).monitors[0].freshness(MonoMs(10)).is_live());
}

#[test]
fn hung_polling_is_noticed_without_an_event() {
    let mut state = station();
    assert_eq!(state.next_check(), None);
    state.take(0, good_event(running_reading(1000)));
    assert_eq!(state.next_check(), Some(MonoMs(4001)));
    assert!(state.check_ages(MonoMs(4000)).is_empty());
    assert!(matches!(state.check_ages(MonoMs(4001))[..], [News::MonitorSilent { .. }]));
    assert!(state.check_ages(MonoMs(9000)).is_empty(), "told once");
    assert_eq!(state.next_check(), None);
}

#[test]
fn a_jump_of_the_wall_clock_is_an_event_of_its_own() {
    let mut state = station();
    state.take(0, good_event(running_reading(1000)));
    let mut slewed = running_reading(2000);
    slewed.at.wall.0 += 1900;
    assert!(!state.take(0, good_event(slewed.clone())).iter().any(|n| matches!(n, News::ClockJump { .. })));
    let mut back = running_reading(3000);
    back.at.wall = UnixMs(slewed.at.wall.0 + 1000 - 3_600_000);
    let news = state.take(0, good_event(back));
    assert!(news.contains(&News::ClockJump { by_ms: -3_600_000 }), "{news:?}");
    let snapshot = state.snapshot(instant(3000));
    assert_eq!(snapshot.clock_jumps, 1);
    assert_eq!(snapshot.last_clock_jump.unwrap().by_ms, -3_600_000);
}

/// Fails on every reading taken at an odd second.
struct Brittle(MonitorAuditor);

impl MonitorAudit for Brittle {
    fn observe(&mut self, reading: &MonitorReading) -> Vec<Assessment> {
        assert!((reading.at.mono.0 / 1000).is_multiple_of(2), "odd second");
        self.0.observe(reading)
    }
}

#[test]
fn a_failure_inside_the_audit_is_told_and_the_circuit_starts_anew() {
    let config = station_config("Alder Creek Lift");
    let mut state =
        StationState::with_audit(&config, |contexts| Box::new(Brittle(MonitorAuditor::new(contexts.to_vec()))))
            .unwrap();
    state.take(0, good_event(running_reading(0)));
    let news = state.take(0, good_event(running_reading(1000)));
    let expected = News::CoreFailed { circuit: "Pump 1".to_owned(), message: "odd second".to_owned() };
    assert!(news.contains(&expected), "{news:?}");
    let snapshot = state.snapshot(instant(1000));
    assert!(snapshot.circuits[0].assessment.is_none(), "a conclusion of a failed audit is not shown");
    assert_eq!(snapshot.circuits[0].core_failure.as_deref(), Some("odd second"));
    assert_eq!(snapshot.core_failures, 1);
    let news = state.take(0, good_event(running_reading(2000)));
    assert!(news.contains(&News::CoreRecovered { circuit: "Pump 1".to_owned() }), "{news:?}");
    assert!(state.snapshot(instant(2000)).circuits[0].assessment.is_some());
}

#[test]
fn a_sound_station_says_so() {
    let mut state = station();
    let mut news = Vec::new();
    for second in 0..10 {
        news.extend(state.take(0, good_event(reading(&Wiring::INTENDED, 1000 * second))));
    }
    assert!(matches!(diagnoses(&news)[..], [News::Diagnosis { verdict: Verdict::Sound, .. }]), "{news:?}");
}
