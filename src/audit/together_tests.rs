//! What channels and load levels tell only together, on sampled waveforms: each level alone would do with another story.

use wattassay_simulators::Station;

use super::assessment::{Assessment, Verdict};
use super::context::{CircuitContext, LoadBehaviour, ServiceKind};
use super::monitor_tests::{ABC, LOADS, context, from_text, played_as};
use super::words;
use crate::reading::Measured::{self, NotMapped};
use crate::reading::MonitorReading;

/// A pump of this kind on a supply, its leads as told.
fn station(load: &str, supply: &str, currents: &str, besides: &str) -> Station {
    from_text(&format!(
        "name = \"Larkmoor Test\"\nseed = 5\n[source]\nline_voltage_v = 480.0\n{supply}\nnoise = 0.001\n\
         [[pumps]]\nname = \"Pump 1\"\nload = \"{load}\"\nrated_power_w = 44742.0\nrated_voltage_v = 460.0\n\
         full_load_current_a = 77.0\nfull_load_power_factor = 0.86\nschedule = [{LOADS}]\n{besides}\
         [[monitors]]\nname = \"PM-1\"\nlisten = \"127.0.0.1:0\"\nmap = \"generic-full\"\ncircuits = [\"Pump 1\"]\n\
         voltage = [{ABC}]\ncurrents = [[{currents}]]\naccuracy = 0.5\n"
    ))
}

fn audited(station: &Station, load: LoadBehaviour, as_shown: fn(&mut MonitorReading)) -> Assessment {
    let context = CircuitContext { load, ..context(ServiceKind::Wye4, 0) };
    let shown = |mut reading: MonitorReading| {
        as_shown(&mut reading);
        reading
    };
    played_as(station, vec![context], 8..115, shown).remove(0)
}

/// Watts by channel and nothing that tells an angle.
fn watts(reading: &mut MonitorReading) {
    reading.voltage_angle_deg = [NotMapped; 3];
    reading.voltage_ll_v = [NotMapped; 3];
    let circuit = &mut reading.circuits[0];
    circuit.reactive_power_var = [NotMapped; 3];
    (circuit.total_active_power_w, circuit.total_reactive_power_var) = (NotMapped, NotMapped);
}

/// The totals alone.
fn totals(reading: &mut MonitorReading) {
    let circuit = &mut reading.circuits[0];
    (circuit.active_power_w, circuit.reactive_power_var) = ([NotMapped; 3], [NotMapped; 3]);
}

/// kW alone, in total.
fn total_watts(reading: &mut MonitorReading) {
    totals(reading);
    reading.circuits[0].total_reactive_power_var = NotMapped;
}

/// The CT around two conductors shows the third one's current from behind, 60 degrees on: near full load its watts are about
/// the others', and only from load to load do they go the other way.
#[test]
fn watts_that_fall_while_the_others_rise_are_a_ct_around_two_conductors() {
    for (currents, ct) in [("\"A+C\", \"B\", \"C\"", 1), ("\"A\", \"A+B\", \"C\"", 2), ("\"A\", \"B\", \"B+C\"", 3)] {
        let station = station("induction-motor", "phase_scale = [1.0, 1.004, 0.997]", currents, "");
        let assessment = audited(&station, LoadBehaviour::InductionMotor, watts);
        let headline = words::headline(&assessment);
        assert_eq!(assessment.diagnosis.verdict, Verdict::Fault, "{currents}: {headline}");
        assert!(headline.contains(&format!("CT {ct} is around two conductors")), "{currents}: {headline}");
    }
}

/// A power factor that falls while the load rises is no motor's: kW and kvar are each other's.
#[test]
fn a_power_factor_that_falls_with_load_is_kw_and_kvar_exchanged() {
    let exchanged = |reading: &mut MonitorReading| {
        let circuit = &mut reading.circuits[0];
        std::mem::swap(&mut circuit.active_power_w, &mut circuit.reactive_power_var);
        std::mem::swap(&mut circuit.total_active_power_w, &mut circuit.total_reactive_power_var);
    };
    let station = station("induction-motor", "phase_scale = [1.0, 0.99, 1.006]", ABC, "");
    let assessment = audited(&station, LoadBehaviour::InductionMotor, exchanged);
    let headline = words::headline(&assessment);
    assert_eq!(assessment.diagnosis.verdict, Verdict::Fault, "{headline}");
    assert!(headline.contains("kW and kvar are swapped"), "{headline}");
    let truth_w = station.meter(0, 114.0).unwrap().circuits[0].total_active_power_w;
    let corrected_w = assessment.corrected.map_or(0.0, |c| c.total_w);
    assert!((corrected_w - truth_w).abs() < 0.03 * truth_w, "{corrected_w} for {truth_w}");
}

/// What an uneven supply drives through a motor tells which way it rotates, where watts are read and no angle is.
#[test]
fn an_uneven_supply_tells_its_rotation_by_watts() {
    for (rotation, back) in [("ABC", false), ("ACB", true)] {
        let supply = format!("phase_scale = [1.0, 0.975, 1.01]\nrotation = \"{rotation}\"");
        let station = station("induction-motor", &supply, ABC, "");
        let assessment = audited(&station, LoadBehaviour::InductionMotor, watts);
        let leader = &assessment.diagnosis.groups[0].members[0];
        let headline = words::headline(&assessment);
        assert_eq!(leader.wiring.supply_rotates_back, back, "{rotation}: {headline}");
        assert_eq!(assessment.diagnosis.verdict, Verdict::Sound, "{rotation}: {headline}");
    }
}

/// Totals at several loads are a lost phase's and no open CT's: a motor lags by anything then, and what makes no torque lags on
/// two conductors as on three.
#[test]
fn a_load_that_lost_a_phase_is_not_blamed_on_a_ct() {
    for (load, kind, least) in [
        ("induction-motor", LoadBehaviour::InductionMotor, 0.95),
        ("drive", LoadBehaviour::Drive, 0.5),
        ("resistive", LoadBehaviour::Resistive, 0.95),
    ] {
        for (offer, as_shown) in [("kW and kvar", totals as fn(&mut MonitorReading)), ("kW", total_watts)] {
            let station = station(load, "phase_scale = [1.0, 0.99, 1.006]", ABC, "lost_phase = \"B\"\n");
            let assessment = audited(&station, kind, as_shown);
            let headline = words::headline(&assessment);
            let members = assessment.diagnosis.groups.iter().flat_map(|g| &g.members);
            let lost: f64 = members.filter(|m| m.wiring.lost_phase.is_some()).map(|m| m.probability).sum();
            assert!(lost > least, "{load}, {offer}: {lost}, {headline}");
        }
    }
}

/// Watts that fail to be read at one load leave the others to speak.
#[test]
fn a_level_without_watts_takes_nothing_from_the_others() {
    let station = station("induction-motor", "phase_scale = [1.0, 1.004, 0.997]", r#""A", "-B", "C""#, "");
    let some = |reading: &mut MonitorReading| {
        watts(reading);
        if reading.at.mono.0 > 80_000 {
            reading.circuits[0].active_power_w = [Measured::Failed; 3];
        }
    };
    let assessment = audited(&station, LoadBehaviour::InductionMotor, some);
    let headline = words::headline(&assessment);
    assert!(headline.contains("CT 2 has reversed polarity"), "{headline}");
}
