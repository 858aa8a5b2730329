//! Sheet, plan, report and picture of any installation and any wiring: nothing is named that the service does not have, and nothing is
//! told that is not a technician's there.

use std::sync::Arc;

use proptest::prelude::*;

use super::picture::Expected;
use super::plan_text::plan_text;
use super::sheet::sheet;
use super::{report, sheet_html, sheet_text};
use crate::audit::assessment::{EvidenceLevel, RankedWiring, Verdict, WiringGroup};
use crate::audit::context::{LoadBehaviour, ServiceKind};
use crate::audit::hypotheses::classes;
use crate::audit::installation::{CtSecondary, Installation, VoltageConnection};
use crate::audit::wiring::Wiring;
use crate::reading::{Phase, Rotation};
use crate::station::fixtures::{instant, snapshot_after};
use crate::station::snapshot::StationSnapshot;

pub(super) fn any_installation() -> impl Strategy<Value = Installation> {
    let current = |rated_ma| CtSecondary::Current { rated_ma };
    (
        prop::sample::select(ServiceKind::ALL.to_vec()),
        prop::sample::select(vec![208.0, 240.0, 480.0, 600.0, 690.0, 2400.0, 4160.0]),
        prop::sample::select(vec![
            VoltageConnection::Direct,
            VoltageConnection::Transformers,
            VoltageConnection::Unknown,
        ]),
        prop::sample::select(vec![
            current(5000),
            current(1000),
            CtSecondary::Voltage { rated_mv: 333 },
            CtSecondary::Rogowski,
            CtSecondary::Unknown,
        ]),
        prop::sample::select(vec![
            LoadBehaviour::InductionMotor,
            LoadBehaviour::Drive,
            LoadBehaviour::MotorWithCapacitor,
            LoadBehaviour::Unknown,
        ]),
    )
        .prop_map(|(service, nominal_voltage_v, voltage_connection, ct_secondary, load)| Installation {
            service,
            nominal_voltage_v,
            voltage_connection,
            ct_secondary,
            load,
        })
}

/// A station whose circuit is installed so, and of which the evidence has left these wirings.
fn station(installation: Installation, wirings: &[RankedWiring], level: EvidenceLevel) -> StationSnapshot {
    let mut snapshot = snapshot_after("Alder Creek Lift", &Wiring::INTENDED).as_ref().clone();
    let circuit = &mut snapshot.circuits[0];
    circuit.installation = installation;
    let mut assessment = circuit.assessment.as_deref().unwrap().clone();
    let total: f64 = wirings.iter().map(|w| w.probability).sum();
    let mut members: Vec<RankedWiring> =
        wirings.iter().map(|w| RankedWiring { probability: w.probability / total, ..*w }).collect();
    members.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    let group = |member: &RankedWiring| WiringGroup {
        probability: member.probability,
        power_right: member.power_right,
        members: vec![*member],
    };
    let diagnosis = &mut assessment.diagnosis;
    diagnosis.groups = members.iter().map(group).collect::<Vec<_>>().into();
    diagnosis.level = level;
    diagnosis.sound_probability = members.iter().filter(|m| m.power_right).map(|m| m.probability).sum();
    diagnosis.verdict = if diagnosis.sound_probability > 0.95 {
        Verdict::Sound
    } else if diagnosis.sound_probability < 0.05 {
        Verdict::Fault
    } else {
        Verdict::Undecided
    };
    assessment.corrected = None;
    assessment.findings.clear();
    circuit.assessment = Some(Arc::new(assessment));
    snapshot
}

/// True when the text names it; "another CT", and then a probability on the next line, names no CT.
fn names(flat: &str, word: &str) -> bool {
    let number_goes_on =
        |rest: &str| rest.starts_with(|c: char| c.is_ascii_digit() || c == '.') || rest.starts_with(" %");
    flat.match_indices(word).any(|(at, _)| !number_goes_on(&flat[at + word.len()..]))
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, ..ProptestConfig::default() })]

    #[test]
    fn every_face_names_only_what_the_installation_has(
        installation in any_installation(),
        level in prop::sample::select(vec![EvidenceLevel::PerChannelPq, EvidenceLevel::BlankedTotals]),
        picks in prop::collection::vec((any::<prop::sample::Index>(), any::<prop::sample::Index>(), 0.001..1.0_f64), 1..6),
    ) {
        let service = installation.service;
        let all = &classes(service).all;
        let wirings: Vec<RankedWiring> = picks
            .iter()
            .map(|(class, member, probability)| {
                let members = &all[class.index(all.len())].members;
                RankedWiring::of(members[member.index(members.len())].wiring, *probability, service)
            })
            .collect();
        let snapshot = station(installation, &wirings, level);
        let circuit = &snapshot.circuits[0];
        let expected =
            Expected { service, rotation: Rotation::Abc, nominal_voltage_v: installation.nominal_voltage_v };
        let sheet = sheet(&snapshot, circuit, expected, instant(7200));
        let of_sheet = sheet_text::text(&sheet) + &plan_text(&snapshot, circuit);
        // The report shows all that the monitor reports, whatever the service uses.
        let conclusions = report::conclusions(
            circuit.assessment.as_deref().unwrap(),
            report::Subject { station: "Alder Creek Lift", circuit: "Pump 1", installation: &installation },
        );
        for text in [of_sheet, sheet_html::html(&sheet), conclusions] {
            let flat = text.split_whitespace().collect::<Vec<_>>().join(" ");
            for k in (0..3).filter(|k| !service.channels().contains(k)) {
                for name in ["channel", "CT"] {
                    let word = format!("{name} {}", k + 1);
                    prop_assert!(!names(&flat, &word), "{word}: {installation:?}\n{text}");
                }
                prop_assert!(!flat.contains(&format!(" I{} ", k + 1)), "a picture's I{}: {text}", k + 1);
            }
            for k in service.voltage_channels()..3 {
                let word = format!("voltage lead {}", k + 1);
                prop_assert!(!flat.contains(&word), "{word}: {installation:?}\n{text}");
            }
            for phase in Phase::ALL.iter().filter(|p| !service.phases().contains(p)) {
                let word = format!("phase {}", phase.label());
                prop_assert!(!flat.contains(&word), "{word}: {installation:?}\n{text}");
            }
            if !installation.direct_low_voltage() {
                for word in ["LIVE", "at the breaker", "same breaker", "clamp meter"] {
                    prop_assert!(!flat.contains(word), "{word}: {installation:?}\n{text}");
                }
            }
            prop_assert!(!installation.is_high_voltage() || !flat.contains("CAT I"), "{installation:?}\n{text}");
            if !installation.ct_secondary.may_be_current() {
                prop_assert!(!flat.contains("horting block"), "{installation:?}\n{text}");
            }
        }
    }
}
