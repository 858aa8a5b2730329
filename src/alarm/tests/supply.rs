//! A supply that loses a phase, played from simulated waveforms: with pumps stopped, while they run, after a trip.

use super::super::id::AlarmKind;
use super::site::{Plan, Site, of_meter, of_pump, of_station};

const LOST_AT_50: &str = "lost_phase = \"B\"\nlost_from_s = 50.0";

#[test]
fn a_phase_lost_while_all_pumps_are_stopped_is_told_before_the_next_start_and_the_start_is_critical() {
    let schedule = "{ at_s = 0.0, load = 0.8 }, { at_s = 30.0, stop = true }, { at_s = 150.0, load = 0.8 }, \
                    { at_s = 260.0, stop = true }";
    let mut site = Site::of(&Plan { schedules: &[(schedule, 0)], source: LOST_AT_50, ..Plan::default() });
    site.run_until(50);
    assert_eq!(site.active(), Vec::<String>::new());
    site.run_until(149);
    let missing = of_meter("PM-1", AlarmKind::PhaseMissingStopped);
    assert_eq!(site.active(), [missing.to_string()], "neither leads nor numbers: nothing proves the supply");
    let waiting = site.text(&missing);
    site.run_until(250);
    let lost = of_pump("Pump 1", AlarmKind::SupplyPhaseLost);
    assert_eq!(site.active(), [lost.to_string()]);
    let running = site.text(&lost);
    site.run_until(400);
    assert_eq!(site.active(), [lost.to_string()], "it does not vanish when the pump stops");
    let stopped = site.text(&lost);
    assert!(!stopped.contains("Stop the pump") && stopped.contains("must not be restarted"), "{stopped}");
    assert_eq!(site.raised(), [missing.to_string(), lost.to_string()]);
    insta::assert_snapshot!(format!("{waiting}\n{running}\n{stopped}"));
}

#[test]
fn the_same_after_a_trip_and_it_clears_once_all_three_are_back() {
    let schedule = "{ at_s = 0.0, load = 0.8 }, { at_s = 51.0, stop = true }";
    let source = &format!("{LOST_AT_50}\nlost_to_s = 200.0");
    let mut site = Site::of(&Plan { schedules: &[(schedule, 0)], source, ..Plan::default() });
    site.run_until(150);
    let missing = of_meter("PM-1", AlarmKind::PhaseMissingStopped);
    assert_eq!(site.active(), [missing.to_string()], "{:?}", site.raised());
    assert!(site.story(&missing).line.contains("phase B"), "{:?}", site.story(&missing));
    site.run_until(300);
    assert_eq!(site.active(), Vec::<String>::new());
    assert_eq!(site.raised(), [missing.to_string()]);
}

#[test]
fn a_meter_fuse_is_a_work_order_only_while_a_running_pump_proves_the_supply() {
    let schedule = "{ at_s = 0.0, load = 0.8 }, { at_s = 120.0, stop = true }";
    let mut site =
        Site::of(&Plan { schedules: &[(schedule, 0)], voltage: "\"A\", \"blown\", \"C\"", ..Plan::default() });
    site.run_until(110);
    let leads = of_meter("PM-1", AlarmKind::VoltageLeadsWrong);
    assert_eq!(site.active(), [leads.to_string()]);
    assert!(site.story(&leads).what.contains("Pump 1 draws balanced current"), "{:?}", site.story(&leads));
    // The fuse does not mend itself when the pump stops; what the meter no longer sees is said.
    site.run_until(300);
    assert_eq!(site.active(), [leads.to_string()]);
    assert!(site.story(&leads).what.contains("does not see whether the supply loses that phase"));
    assert_eq!(site.raised(), [leads.to_string()]);

    let stopped = "{ at_s = 0.0, stop = true }, { at_s = 120.0, load = 0.8 }";
    let mut site =
        Site::of(&Plan { schedules: &[(stopped, 0)], voltage: "\"A\", \"blown\", \"C\"", ..Plan::default() });
    site.run_until(110);
    let missing = of_meter("PM-1", AlarmKind::PhaseMissingStopped);
    assert_eq!(site.active(), [missing.to_string()], "no pump has proven anything yet");
    site.run_until(240);
    assert_eq!(site.active(), [leads.to_string()], "{:?}", site.raised());
}

#[test]
fn two_pumps_on_two_phases_are_one_critical_alarm_of_the_station() {
    for monitors in [[0, 0], [0, 1]] {
        let run = "{ at_s = 0.0, load = 0.8 }, { at_s = 200.0, stop = true }";
        let schedules = monitors.map(|monitor| (run, monitor));
        let mut site = Site::of(&Plan { schedules: &schedules, source: LOST_AT_50, ..Plan::default() });
        site.run_until(190);
        let station = of_station(AlarmKind::SupplyPhaseLost);
        assert_eq!(site.active(), [station.to_string()], "{monitors:?}: {:?}", site.raised());
        let story = site.story(&station);
        assert!(story.action().contains("Start no other pump on this supply: no pump can take over"), "{story:?}");
        assert!(story.action().contains("phase B is NOT dead"), "{story:?}");
        let critical = site.raised().iter().filter(|id| id.contains("supply_phase_lost")).count();
        assert_eq!(critical, 1, "{monitors:?}: {:?}", site.raised());
        site.run_until(400);
        assert_eq!(site.active(), [station.to_string()], "{monitors:?}");
        assert!(site.story(&station).what.starts_with("Pumps now stopped"), "{:?}", site.story(&station));
    }
}

#[test]
fn two_meters_that_miss_a_phase_with_pumps_stopped_are_one_alarm_of_the_station() {
    let run = "{ at_s = 0.0, load = 0.8 }, { at_s = 30.0, stop = true }";
    let mut site = Site::of(&Plan { schedules: &[(run, 0), (run, 1)], source: LOST_AT_50, ..Plan::default() });
    site.run_until(150);
    assert_eq!(site.active(), [of_station(AlarmKind::PhaseMissingStopped).to_string()], "{:?}", site.raised());
    assert_eq!(site.raised().len(), 1, "{:?}", site.raised());
}

#[test]
fn a_pump_that_alone_has_lost_a_phase_keeps_its_own_alarm() {
    let run = "{ at_s = 0.0, load = 0.8 }";
    let stop = "{ at_s = 0.0, stop = true }";
    let plan =
        Plan { schedules: &[(run, 0), (stop, 0)], pump: "lost_phase = \"B\"\nlost_from_s = 50.0", ..Plan::default() };
    let mut site = Site::of(&plan);
    site.run_until(150);
    assert_eq!(site.active(), [of_pump("Pump 1", AlarmKind::SupplyPhaseLost).to_string()], "{:?}", site.raised());
}
