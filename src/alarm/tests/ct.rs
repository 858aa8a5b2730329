//! A CT that reads zero, played from simulated waveforms: its own alarm, also while the wiring is not settled.

use super::super::id::AlarmKind;
use super::PUMP;
use super::site::{Plan, Site, of_pump};
use crate::audit::installation::{CtSecondary, Installation};

const RUNS: &str = "{ at_s = 0.0, load = 0.8 }, { at_s = 150.0, stop = true }";

fn open_ct_2() -> Plan<'static> {
    Plan { schedules: &[(RUNS, 0)], currents: "\"A\", \"open\", \"C\"", ..Plan::default() }
}

#[test]
fn a_ct_that_reads_zero_is_a_hazard_first_and_no_work_order_beside_it() {
    let mut site = Site::of(&open_ct_2());
    site.run_until(140);
    let open = of_pump("Pump 1", AlarmKind::CtNoCurrent);
    assert_eq!(site.active(), [open.to_string()], "{:?}", site.raised());
    assert_eq!(site.raised(), [open.to_string()], "told within seconds, before any wiring is settled");
    let story = site.story(&open);
    assert!(story.line.starts_with("CT 2 reads 0.0 A"), "{story:?}");
    assert!(story.action().contains("Never close, short or probe the CT circuit under load"), "{story:?}");
    let running = site.text(&open);
    site.run_until(400);
    assert_eq!(site.active(), [open.to_string()], "a stopped pump proves no CT circuit");
    let stopped = site.text(&open);
    assert!(stopped.contains("Pump now stopped") && !stopped.contains("Stop the pump"), "{stopped}");
    insta::assert_snapshot!(format!("{running}\n{stopped}"));
}

#[test]
fn with_a_voltage_output_it_is_no_hazard() {
    let voltage_output = Installation { ct_secondary: CtSecondary::Voltage { rated_mv: 333 }, ..PUMP };
    let mut site = Site::new(&open_ct_2(), voltage_output);
    site.run_until(140);
    let story = site.story(&of_pump("Pump 1", AlarmKind::CtNoCurrent));
    assert_eq!(story.title.as_deref(), Some("CT reads zero"));
    let text = format!("{} {} {} {}", story.line, story.what, story.means, story.action());
    assert!(!text.contains("lethal") && !text.contains("Stop the pump"), "{text}");
}

#[test]
fn a_lost_phase_explains_a_channel_without_current() {
    let plan = Plan {
        schedules: &[("{ at_s = 0.0, load = 0.8 }", 0)],
        source: "lost_phase = \"B\"\nlost_from_s = 50.0",
        ..Plan::default()
    };
    let mut site = Site::of(&plan);
    site.run_until(200);
    assert_eq!(site.active(), [of_pump("Pump 1", AlarmKind::SupplyPhaseLost).to_string()], "{:?}", site.raised());
}
