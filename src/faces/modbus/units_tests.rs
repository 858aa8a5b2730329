//! Whole requests to every kind of unit.

use proptest::prelude::*;
use tokio::sync::watch;

use super::*;
use crate::audit::wiring::Wiring;
use crate::config::model::PassThrough;
use crate::station::fixtures::{exchanged, instant, snapshot_after, station_config};

fn server_config() -> ModbusServerConfig {
    ModbusServerConfig {
        listen: "127.0.0.1:0".parse().unwrap(),
        allow: Vec::new(),
        max_connections: 4,
        max_connections_per_address: 4,
        requests_per_second: 100,
        idle_timeout: std::time::Duration::from_mins(1),
        audit_unit: 1,
        circuits: vec![ServedCircuit { station: 0, circuit: 0, block: 3, sunspec_unit: Some(11) }],
        pass_through: vec![PassThrough {
            unit: 101,
            station: 0,
            monitor: 0,
            max_age: std::time::Duration::from_secs(1),
        }],
        tls: None,
    }
}

fn units(wiring: &Wiring, now_ms: u64) -> Units {
    let server = server_config();
    let config = Config::of(vec![station_config("Alder Creek Lift")]);
    let (_, receiver) = watch::channel(snapshot_after("Alder Creek Lift", wiring));
    let clock = Clock::from_fn(move || instant(now_ms));
    Units::new(&config, &server, vec![SnapshotReader::new(receiver)], &mut Links::default(), clock)
}

fn pdu(function: u8, first: u16, count: u16) -> Vec<u8> {
    let mut pdu = vec![function];
    pdu.extend(first.to_be_bytes());
    pdu.extend(count.to_be_bytes());
    pdu
}

fn told(units: &Units, unit: u8, pdu: &[u8]) -> Vec<u8> {
    match units.answer(&Rights::All, unit, pdu) {
        Answer::Now(answer) => answer,
        Answer::Later(..) => panic!("the monitor was to be asked"),
    }
}

fn words(answer: &[u8]) -> Vec<u16> {
    assert_eq!(usize::from(answer[1]), answer.len() - 2, "{answer:02X?}");
    answer[2..].chunks(2).map(|pair| u16::from_be_bytes([pair[0], pair[1]])).collect()
}

#[test]
fn blocks_are_read_by_both_register_functions_and_by_the_devices_own_ids() {
    let units = units(&exchanged(), 7200);
    for function in [3, 4] {
        for unit in [1, 0, 255] {
            let block = words(&told(&units, unit, &pdu(function, 600, 112)));
            assert_eq!((block[0], block[3], block[8]), (1, 1, 2), "function {function}, unit {unit}");
        }
    }
    assert_eq!(words(&told(&units, 1, &pdu(3, 608, 1))), [2], "any part of a block can be read by itself");
    assert_eq!(words(&told(&units, 1, &pdu(3, 0, 5))), [0x5741, 1, 7, 3, 200]);
}

#[test]
fn bits_are_alarms_and_failed_checks() {
    let units = units(&exchanged(), 7200);
    let failed = words(&told(&units, 1, &pdu(3, 610, 2)));
    for function in [1, 2] {
        let answer = told(&units, 1, &pdu(function, 600, 48));
        assert_eq!(answer[..4], [function, 6, 0b1001, 0], "power wrong, numbers wrong");
        assert_eq!(u16::from(answer[4]) | u16::from(answer[5]) << 8, failed[1]);
        // One check by itself: association of voltage and current is check bit 3.
        assert_eq!(told(&units, 1, &pdu(function, 600 + 16 + 3, 1)), [function, 1, 1]);
        assert_eq!(told(&units, 1, &pdu(function, 600, 49)), [function | 0x80, 2]);
    }
}

#[test]
fn what_does_not_exist_is_refused_with_its_exception() {
    let units = units(&Wiring::INTENDED, 7200);
    for (unit, request, code) in [
        (1, pdu(3, 18, 1), 2),
        (1, pdu(3, 17, 2), 2),
        (1, pdu(3, 200, 1), 2),
        (1, pdu(3, 600 + 190, 1), 2),
        (1, pdu(3, 700, 125), 2),
        (1, pdu(3, 65_400, 10), 2),
        (1, pdu(1, 0, 1), 2),
        (11, pdu(3, 39_999, 2), 2),
        (11, pdu(3, 40_000 + 198, 1), 2),
        (11, pdu(1, 40_000, 1), 2),
        (2, pdu(3, 0, 1), 0x0A),
        (2, pdu(6, 0, 1), 1),
        (1, pdu(6, 600, 1), 1),
        (101, pdu(16, 0, 1), 1),
        (11, pdu(3, 40_000, 0), 3),
    ] {
        let answer = told(&units, unit, &request);
        assert_eq!(answer, [request[0] | 0x80, code], "unit {unit}, {request:02X?}");
    }
}

#[test]
fn a_meter_starts_with_the_standards_marker_and_a_monitor_is_asked_itself() {
    let units = units(&Wiring::INTENDED, 7200);
    assert_eq!(words(&told(&units, 11, &pdu(3, 40_000, 4))), [0x5375, 0x6E53, 1, 66]);
    assert_eq!(words(&told(&units, 11, &pdu(3, 40_070, 2))), [213, 124]);
    assert!(matches!(units.answer(&Rights::All, 101, &pdu(3, 0, 60)), Answer::Later(_, read) if read.count == 60));
}

#[test]
fn every_unit_says_what_it_is() {
    let units = units(&Wiring::INTENDED, 7200);
    for (unit, words) in [
        (1, "audit blocks"),
        (11, "Alder Creek Lift / Pump 1"),
        (101, "Alder Creek Lift / PM-1"),
        (255, "audit blocks"),
    ] {
        let answer = told(&units, unit, &[0x2B, 0x0E, 2, 0]);
        assert!(String::from_utf8_lossy(&answer).contains(words), "unit {unit}");
    }
}

proptest! {
    /// Whatever is asked, the answer is one the protocol allows, and it answers that question.
    #[test]
    fn any_request_gets_a_well_formed_answer(
        unit in any::<u8>(),
        pdu in proptest::collection::vec(any::<u8>(), 1..=253),
        likely in prop::option::of((1u8..=4, prop_oneof![0u16..900, 39_990u16..40_210], 0u16..130)),
    ) {
        let units = units(&Wiring::INTENDED, 7200);
        let pdu = likely.map_or(pdu, |(function, first, count)| super::tests::pdu(function, first, count));
        if let Answer::Now(answer) = units.answer(&Rights::All, unit, &pdu) {
            prop_assert!((2..=253).contains(&answer.len()));
            if answer[0] == pdu[0] && pdu[0] < 0x80 {
                match pdu[0] {
                    1 | 2 => {
                        let count = usize::from(u16::from_be_bytes([pdu[3], pdu[4]]));
                        prop_assert_eq!(answer.len(), 2 + count.div_ceil(8));
                    }
                    3 | 4 => {
                        let count = usize::from(u16::from_be_bytes([pdu[3], pdu[4]]));
                        prop_assert_eq!(answer.len(), 2 + 2 * count);
                        prop_assert_eq!(usize::from(answer[1]), 2 * count);
                    }
                    other => prop_assert_eq!(other, 0x2B),
                }
            } else {
                prop_assert_eq!(answer[0], pdu[0] | 0x80);
                prop_assert!(answer.len() == 2 && matches!(answer[1], 1 | 2 | 3 | 0x0A));
            }
        }
    }
}

#[test]
fn a_role_reads_its_units_and_no_others() {
    let units = units(&Wiring::INTENDED, 7200);
    let rights = Rights::Units(vec![1]);
    let refused = |unit, request: &[u8]| match units.answer(&rights, unit, request) {
        Answer::Now(answer) => answer == [request[0] | 0x80, 1],
        Answer::Later(..) => false,
    };
    for unit in [11, 101, 2] {
        assert!(refused(unit, &pdu(3, 40_000, 2)) && refused(unit, &[0x2B, 0x0E, 1, 0]), "unit {unit}");
    }
    assert!(!refused(1, &pdu(3, 0, 1)) && !refused(255, &pdu(3, 0, 1)));
}
