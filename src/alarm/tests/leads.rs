//! Voltage leads exchanged at a monitor with two pumps: one alarm of the monitor, through the real audit and the real delays.

use super::super::from_audit::{self, Audit, CircuitNow, MonitorNow, Polling, Up};
use super::super::id::{AlarmId, AlarmKind};
use super::super::set::{AlarmSet, Step};
use super::super::settings::{AlarmSettings, FloodSettings};
use super::super::state::{AlarmState, Cause, Event, Transition};
use super::super::words::Story;
use crate::audit::assessment::{Assessment, Verdict};
use crate::audit::context::CircuitContext;
use crate::audit::monitor::MonitorAuditor;
use crate::audit::testbench::{LoadState, Offer, context_for};
use crate::audit::wiring::{CurrentSeen, Wiring};
use crate::reading::{MonitorReading, Phase};

const STATION: &str = "Larkmoor North";
const PUMPS: [&str; 2] = ["Pump 1", "Pump 2"];

/// One monitor under audit, with its alarms.
struct Panel {
    contexts: Vec<CircuitContext>,
    auditor: MonitorAuditor,
    latest: Vec<Assessment>,
    offer: Offer,
    wirings: Vec<Wiring>,
    set: AlarmSet,
    seconds: u64,
    came: Vec<Transition>,
}

impl Panel {
    /// Pumps wired so behind a monitor that offers this.
    fn new(offer: Offer, wirings: &[Wiring]) -> Panel {
        let contexts: Vec<CircuitContext> =
            (0..wirings.len()).map(|slot| CircuitContext { slot, ..context_for(offer) }).collect();
        let mut set = AlarmSet::new(FloodSettings::default());
        let ids = from_audit::alarms_of_monitor(STATION, "PM-1", &PUMPS[..wirings.len()]);
        let alarms = ids.into_iter().map(|id| {
            let settings = AlarmSettings::of_kind(id.kind);
            (id, settings)
        });
        set.configure(super::at_s(0), alarms, FloodSettings::default(), &mut Step::default());
        Panel {
            auditor: MonitorAuditor::new(contexts.clone()),
            contexts,
            latest: Vec::new(),
            offer,
            wirings: wirings.to_vec(),
            set,
            seconds: 0,
            came: Vec::new(),
        }
    }

    /// Runs for so long; loads by pump, in units of full load, 0 for one that stands.
    fn run(&mut self, seconds: u64, loads: &[f64]) {
        for _ in 0..seconds {
            self.seconds += 1;
            let reading = self.reading(loads);
            self.latest = self.auditor.observe(&reading);
            self.look();
        }
    }

    fn reading(&self, loads: &[f64]) -> MonitorReading {
        // Live values are never twice the same.
        let jitter = 1.0 + 0.002 * (self.seconds as f64 * 0.7).sin();
        let seen = self.contexts.iter().zip(&self.wirings).zip(loads).map(|((context, wiring), load)| {
            let state =
                if *load > 0.0 { LoadState::motor(context, load * jitter) } else { LoadState::with(context, 0.0, 0.0) };
            state.seen(wiring, self.offer, 1000 * self.seconds)
        });
        let readings: Vec<MonitorReading> = seen.collect();
        let mut reading = readings[0].clone();
        reading.circuits = readings.into_iter().flat_map(|reading| reading.circuits).collect();
        reading.at = super::at_s(self.seconds);
        reading
    }

    fn look(&mut self) {
        let of = |(name, assessment)| CircuitNow { name, audit: Audit::Of(assessment), installation: &super::PUMP };
        let circuits: Vec<CircuitNow> = PUMPS.iter().copied().zip(&self.latest).map(of).collect();
        let set = self.set.clone();
        let is_up = |id: &AlarmId| set.get(id).is_some_and(|entry| entry.alarm.active());
        let now = MonitorNow {
            monitor: "PM-1",
            poor: None,
            polling: Polling::Answers,
            silent_with: None,
            register_fault: None,
            up: Up(&is_up),
            supply_was_proven: false,
            circuits: &circuits,
        };
        let (at, mut step) = (super::at_s(self.seconds), Step::default());
        for told in from_audit::monitor(STATION, &now) {
            assert!(told.told_by.is_none() || told.story.is_none(), "{told:?}");
            match told.told_by {
                Some(by) => self.set.apply(at, &told.id, Event::ToldElsewhere { by }, &mut step).unwrap(),
                None => self.set.tell(at, &told.id, told.condition, told.story, &mut step).unwrap(),
            }
        }
        self.came.extend(step.transitions);
    }

    /// Alarms whose cause is there.
    fn active(&self) -> Vec<AlarmId> {
        self.set.entries().filter(|entry| entry.alarm.active()).map(|entry| entry.alarm.id().clone()).collect()
    }

    fn story(&self, id: &AlarmId) -> Story {
        self.set.get(id).and_then(|entry| entry.story.clone()).unwrap()
    }
}

fn leads() -> AlarmId {
    AlarmId::monitor(STATION, "PM-1", AlarmKind::VoltageLeadsWrong)
}

fn miswired(pump: &str) -> AlarmId {
    AlarmId::circuit(STATION, pump, AlarmKind::MeteringMiswired)
}

fn exchanged() -> Wiring {
    Wiring { voltage: [Phase::A, Phase::C, Phase::B], ..Wiring::INTENDED }
}

/// All three rolled by one place: one pump shows the same when its three CTs are.
fn rolled() -> Wiring {
    Wiring { voltage: [Phase::B, Phase::C, Phase::A], ..Wiring::INTENDED }
}

/// Exchanged, with each CT moved along with its voltage lead: power is registered right.
fn moved_along() -> Wiring {
    let mut wiring = exchanged();
    wiring.current.swap(1, 2);
    wiring
}

#[test]
fn exchanged_voltage_leads_are_one_alarm_of_the_monitor() {
    for offer in [Offer::Full, Offer::Watts] {
        let mut panel = Panel::new(offer, &[exchanged(), exchanged()]);
        panel.run(200, &[0.9, 0.7]);
        assert_eq!(panel.active(), [leads()], "{offer:?}");
        let of_pumps = panel.came.iter().filter(|t| t.alarm.kind == AlarmKind::MeteringMiswired);
        assert_eq!(of_pumps.count(), 0, "{offer:?}: {:?}", panel.came);
        let story = panel.story(&leads());
        assert!(story.what.contains("voltage leads 2 and 3 are swapped (2 sees C, 3 sees B)"), "{story:?}");
        assert!(story.means.contains("The kW and kWh of Pump 1 and Pump 2 are wrong"), "{story:?}");
        assert!(story.steps[0].contains("field sheet"), "{story:?}");
        assert!(story.at_panel() && story.what.contains('%') && !story.attached.is_empty(), "{story:?}");
    }
}

#[test]
fn the_alarm_moves_from_the_pump_to_the_monitor_once_a_second_pump_shows_the_same() {
    let mut panel = Panel::new(Offer::Full, &[rolled(), rolled()]);
    panel.run(200, &[0.9, 0.0]);
    assert_eq!(panel.active(), [miswired("Pump 1")]);
    panel.run(300, &[0.9, 0.7]);
    assert_eq!(panel.active(), [leads()]);
    panel.run(300, &[0.0, 0.0]);
    assert_eq!(panel.active(), [leads()], "pumps that stand change nothing");
    let moved: Vec<(&AlarmId, &Cause)> = panel.came.iter().map(|t| (&t.alarm, &t.cause)).collect();
    let elsewhere = Cause::ToldElsewhere { by: leads() };
    assert_eq!(
        moved,
        [
            (&miswired("Pump 1"), &Cause::ConditionTrue),
            (&leads(), &Cause::ConditionTrue),
            (&miswired("Pump 1"), &elsewhere)
        ]
    );
    assert_eq!(panel.came[2].to, AlarmState::ReturnedUnacknowledged, "nobody has seen it yet");
    assert!(panel.came[2].at.mono.since(panel.came[1].at.mono) <= 1000, "at no time is there none, nor are there two");
}

#[test]
fn a_pump_with_a_fault_of_its_own_keeps_its_alarm_for_that_fault_alone() {
    let mut second = exchanged();
    second.current[0] = CurrentSeen::Conductor { phase: Phase::A, reversed: true };
    let mut panel = Panel::new(Offer::Full, &[exchanged(), second]);
    panel.run(200, &[0.9, 0.7]);
    assert_eq!(panel.active(), [leads(), miswired("Pump 2")]);
    let own = panel.story(&miswired("Pump 2"));
    assert!(own.what.contains("CT 1 has reversed polarity") && !own.what.contains("swapped"), "{own:?}");
    assert!(own.what.contains("besides the monitor's voltage leads"), "{own:?}");
    let shared = panel.story(&leads());
    assert!(shared.means.contains("At Pump 2 there is another fault besides"), "{shared:?}");
}

#[test]
fn a_single_pump_that_cannot_tell_leads_from_sensors_keeps_its_own_alarm() {
    for (offer, wiring) in [(Offer::Full, rolled()), (Offer::Totals, exchanged())] {
        let mut panel = Panel::new(offer, &[wiring]);
        panel.run(150, &[0.9]);
        panel.run(150, &[0.6]);
        assert_eq!(panel.active(), [miswired("Pump 1")], "{offer:?}");
    }
}

#[test]
fn a_pump_whose_sensors_moved_along_has_no_alarm_and_is_named_in_the_other() {
    let mut panel = Panel::new(Offer::Full, &[exchanged(), moved_along()]);
    panel.run(200, &[0.9, 0.7]);
    assert_eq!(panel.latest[1].diagnosis.verdict, Verdict::Sound);
    assert_eq!(panel.active(), [leads()]);
    let story = panel.story(&leads());
    assert!(story.means.contains("The kW and kWh of Pump 1 are wrong"), "{story:?}");
    assert!(story.means.contains("The figures of Pump 2 are right"), "{story:?}");
    assert!(story.action().contains("The CT leads of Pump 2 go back in the same outage"), "{story:?}");
}

#[test]
fn where_all_is_metered_right_nothing_is_told() {
    let mut panel = Panel::new(Offer::Full, &[moved_along(), moved_along()]);
    panel.run(200, &[0.9, 0.7]);
    assert_eq!(panel.active(), []);
}

#[test]
fn a_repair_seen_by_one_pump_ends_the_alarm_and_raises_none_for_the_other_that_stands() {
    let mut panel = Panel::new(Offer::Full, &[exchanged(), exchanged()]);
    panel.run(200, &[0.9, 0.7]);
    panel.run(30, &[0.0, 0.0]);
    panel.wirings = vec![Wiring::INTENDED; 2];
    panel.run(300, &[0.9, 0.0]);
    assert_eq!(panel.active(), []);
    panel.run(300, &[0.9, 0.7]);
    assert_eq!(panel.active(), []);
    let causes: Vec<&Cause> = panel.came.iter().map(|t| &t.cause).collect();
    assert_eq!(causes, [&Cause::ConditionTrue, &Cause::ConditionFalse], "{:?}", panel.came);
}
