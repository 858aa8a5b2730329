//! The diagnosis against the time-domain simulator: sampled waveforms with harmonics, noise and drift, metered by numeric
//! integration, and a lost phase held up by its own motor model.

use wattassay_simulators::Station;

use super::*;

/// Readings of a two-pump station whose monitor's voltage leads and supply are as given; the pumps' load may be "stop".
fn station(leads: [&str; 3], source: &str, load: &str) -> Station {
    let run = |at: f64| {
        if load == "stop" {
            format!("{{ at_s = {at}, stop = true }}")
        } else {
            format!("{{ at_s = {at}, load = {load} }}")
        }
    };
    let pumps: String = ["Pump 1", "Pump 2"]
        .map(|name| {
            format!(
                "[[pumps]]\nname = \"{name}\"\nload = \"induction-motor\"\nrated_power_w = 44742.0\nrated_voltage_v = 460.0\n\
                 full_load_current_a = 77.0\nfull_load_power_factor = 0.86\nschedule = [{}]\nrepeat_s = 1000.0\n",
                run(0.0)
            )
        })
        .concat();
    let text = format!(
        "name = \"Larkmoor Test\"\nseed = 11\n[source]\nline_voltage_v = 480.0\nharmonics = [[5, 0.012, 30.0], [7, 0.006, \
         80.0]]\nnoise = 0.001\nwander = 0.004\n{source}\n{pumps}[[monitors]]\nname = \"PM-1\"\nlisten = \
         \"127.0.0.1:0\"\nmap = \"generic-full\"\ncircuits = [\"Pump 1\", \"Pump 2\"]\nvoltage = [\"{}\", \"{}\", \
         \"{}\"]\ncurrents = [[\"A\", \"B\", \"C\"], [\"A\", \"B\", \"C\"]]\naccuracy = 0.5\n",
        leads[0], leads[1], leads[2]
    );
    Station::from_toml(&text).unwrap()
}

fn diagnose(station: &Station, angles: bool) -> VoltageDiagnosis {
    let mut evidence = VoltageEvidence::new(VoltageService { transformers: true, ..super::tests::WYE_480 });
    for second in 30..45 {
        let sample = station.meter(0, f64::from(second)).unwrap();
        let value = |v: f64| v.is_finite().then_some(v);
        evidence.add(&VoltageMeans {
            ln_v: sample.voltage_ln_v.map(value),
            ll_v: sample.voltage_ll_v.map(value),
            angle_deg: if angles { sample.voltage_angle_deg.map(value) } else { [None; 3] },
        });
    }
    evidence.diagnosis().unwrap().as_ref().clone()
}

#[track_caller]
fn holds(station: &Station, state: VoltageState) {
    for angles in [false, true] {
        let diagnosis = diagnose(station, angles);
        let group = &diagnosis.groups[0];
        assert!(
            group.states.contains(&state) && group.probability > 0.9,
            "{state:?}, angles {angles}: {:?} none {}",
            diagnosis.groups,
            diagnosis.none_of_these
        );
    }
}

const PHASES: [&str; 3] = ["A", "B", "C"];

fn with_lead(k: usize, lead: &str) -> [String; 3] {
    let mut leads = PHASES.map(str::to_owned);
    leads[k] = lead.to_owned();
    leads
}

fn with(k: usize, lead: &str) -> Station {
    let leads = with_lead(k, lead);
    station([&leads[0], &leads[1], &leads[2]], "", "0.8")
}

#[test]
fn sound_leads_on_usual_supplies() {
    for source in ["", "phase_scale = [0.97, 1.0, 1.01]", "phase_scale = [0.94, 0.95, 0.94]", "rotation = \"ACB\""] {
        for load in ["0.8", "stop"] {
            let station = station(PHASES, source, load);
            holds(&station, VoltageState::Sound);
        }
    }
    // Exchanged leads are the wiring audit's, not this one's.
    holds(&station(["B", "A", "C"], "", "0.8"), VoltageState::Sound);
}

#[test]
fn every_lead_fault_the_simulator_has() {
    for k in 0..3 {
        let next = (k + 1) % 3;
        holds(&with(k, "blown"), VoltageState::FuseBlown(k));
        holds(&with(k, &format!("-{}", PHASES[k])), VoltageState::TransformerReversed(k));
        holds(&with(k, &format!("{}*2", PHASES[k])), VoltageState::RatioWrong(k, WrongRatio::Double));
        holds(&with(k, &format!("{}*0.5", PHASES[k])), VoltageState::RatioWrong(k, WrongRatio::Half));
        holds(&with(k, PHASES[next]), VoltageState::SamePhase(k, next));
    }
    holds(&station(["blown"; 3], "", "0.8"), VoltageState::AllDead);
    holds(&station(["A*0.25", "B*0.25", "C*0.25"], "", "0.8"), VoltageState::RatioWrongOnAll(WrongRatio::Quarter));
}

/// With the pumps running, the motors decide the size and angle of the lost phase; stopped, it is dead.
#[test]
fn a_lost_phase_held_up_by_running_motors_or_dead() {
    for (k, phase) in PHASES.into_iter().enumerate() {
        let source = format!("lost_phase = \"{phase}\"");
        for load in ["0.2", "0.4", "0.6"] {
            let station = station(PHASES, &source, load);
            let sample = station.meter(0, 40.0).unwrap();
            let held = sample.voltage_ln_v[k] / 277.1;
            assert!((0.75..0.82).contains(&held), "phase {phase} lost, load {load}: held at {held:.2} of nominal");
            holds(&station, VoltageState::BackFed(k));
        }
        holds(&station(PHASES, &source, "stop"), VoltageState::PhaseLost(k));
    }
}
