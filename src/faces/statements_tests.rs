//! Every number of every text and face is the probability of the words beside it, and below the bar no lead is named as the
//! fault: held with random posteriors through all of them.

use std::sync::Arc;

use proptest::prelude::*;

use crate::alarm::from_audit::SilentTogether;
use crate::alarm::set::AlarmSet;
use crate::alarm::settings::FloodSettings;
use crate::alarm::words::Story;
use crate::audit::assessment::{Assessment, Diagnosis};
use crate::audit::bars;
use crate::audit::context::ServiceKind;
use crate::audit::testbench::posterior;
use crate::audit::wiring::Wiring;
use crate::audit::words::{self, confidence, describe_wiring, percent};
use crate::desk::availability::Availability;
use crate::desk::{Desk, conditions};
use crate::faces::metrics::Records;
use crate::faces::modbus::audit_table::{ROWS, block};
use crate::faces::modbus::circuit_view::CircuitView;
use crate::faces::picture::Expected;
use crate::faces::{json, metrics, report, sheet, sheet_html, sheet_text};
use crate::reading::{MonoMs, Phase, Rotation};
use crate::station::fixtures::{exchanged, instant, snapshot_after};
use crate::station::snapshot::StationSnapshot;

const NOW_MS: u64 = 7200;

/// A station whose only circuit has this posterior.
fn station(service: ServiceKind, diagnosis: &Diagnosis) -> StationSnapshot {
    let mut station = snapshot_after("Alder Creek Lift", &exchanged()).as_ref().clone();
    let circuit = &mut station.circuits[0];
    circuit.installation.service = service;
    let mut assessment: Assessment = circuit.assessment.as_deref().unwrap().clone();
    assessment.diagnosis = diagnosis.clone();
    // What single checks saw are facts, and told as such; here they would only hide what the diagnosis says.
    assessment.findings.clear();
    assessment.voltage_leads = None;
    assessment.joint = None;
    assessment.proof = None;
    circuit.assessment = Some(Arc::new(assessment));
    station
}

fn assessment(station: &StationSnapshot) -> &Assessment {
    station.circuits[0].assessment.as_deref().unwrap()
}

fn stories(station: &StationSnapshot) -> Vec<Story> {
    let alarms = AlarmSet::new(FloodSettings::default());
    let told =
        conditions::of_station(station, &alarms, &SilentTogether::default(), &Availability::default(), MonoMs(NOW_MS));
    told.into_iter().filter_map(|told| told.story).collect()
}

/// All that people read of the circuit, in one line each.
fn texts(station: &StationSnapshot, service: ServiceKind) -> Vec<(&'static str, String)> {
    let (circuit, expected) =
        (&station.circuits[0], Expected { service, rotation: Rotation::Abc, nominal_voltage_v: 480.0 });
    let sheet = sheet::sheet(station, circuit, expected, instant(NOW_MS));
    let document = json::circuit(station, circuit, instant(NOW_MS));
    let headline = words::headline_with_check(assessment(station), &circuit.installation, &circuit.done());
    let subject =
        report::Subject { station: &station.station, circuit: &circuit.name, installation: &circuit.installation };
    let mut texts = vec![
        ("headline", headline),
        ("report", report::text(&[Arc::new(station.clone())], instant(NOW_MS))),
        ("conclusions", report::conclusions(assessment(station), subject)),
        ("sheet", sheet_text::text(&sheet)),
        ("page", sheet_html::html(&sheet)),
        ("headline of the JSON", serde_json::to_value(document).unwrap()["headline"].as_str().unwrap().to_owned()),
    ];
    texts.extend(stories(station).iter().map(|story| ("alarm", format!("{story:?}"))));
    let flat = |text: String| {
        let text = text.replace("&lt;", "<").replace("&gt;", ">").replace("&quot;", "\"").replace("</h2>", " | ");
        text.split_whitespace().collect::<Vec<_>>().join(" ")
    };
    texts.into_iter().map(|(name, text)| (name, flat(text))).collect()
}

/// Claims as texts word them, each with its probability.
fn claims(diagnosis: &Diagnosis) -> Vec<(String, f64)> {
    let members: Vec<_> = diagnosis.groups.iter().flat_map(|g| &g.members).collect();
    let sum = |right: bool| members.iter().filter(|m| m.power_right == right).map(|m| m.probability).sum::<f64>();
    let best = members.iter().map(|m| m.probability).fold(0.0, f64::max);
    let mut claims = vec![
        ("metering is correct".to_owned(), sum(true)),
        ("power is metered wrong".to_owned(), sum(false)),
        ("Power is metered wrong".to_owned(), sum(false)),
        ("Metering is correct".to_owned(), sum(true)),
        ("the readings fit no wiring considered".to_owned(), diagnosis.unexplained_probability),
        // These stand over what is of the one wiring that is settled.
        ("Lead by lead".to_owned(), best),
        ("only if confirmed".to_owned(), best),
        ("every check confirms".to_owned(), best),
    ];
    for phase in Phase::ALL {
        let lost = members.iter().filter(|m| m.wiring.lost_phase == Some(phase)).map(|m| m.probability).sum();
        claims
            .push((format!("phase {} of the supply to the pump is lost: it runs on two phases", phase.label()), lost));
    }
    claims.extend(members.iter().map(|m| (describe_wiring(&m.wiring), m.probability)));
    // What alarms say of a monitor's leads, of a pump beside them, and of a lost phase as such.
    let of = |holds: &dyn Fn(&Wiring) -> bool| -> f64 {
        members.iter().filter(|m| holds(&m.wiring)).map(|m| m.probability).sum()
    };
    let alone = |w: &Wiring| Wiring { voltage: Phase::ALL, ..*w };
    claims.extend(members.iter().map(|m| ("alarm: this order".to_owned(), of(&|w| w.voltage == m.wiring.voltage))));
    claims.push(("alarm: any other order".to_owned(), of(&|w| w.voltage != Phase::ALL)));
    claims.push(("alarm: own fault".to_owned(), of(&|w| alone(w) != alone(w).intended())));
    claims.push(("alarm: any lost phase".to_owned(), of(&|w| w.lost_phase.is_some())));
    claims
}

/// Every confidence in a text with what stands before it.
fn confidences(text: &str) -> Vec<(&str, &str)> {
    text.match_indices("confidence ")
        .map(|(at, word)| {
            let number = &text[at + word.len()..];
            let end = number.find('%').map_or(number.len(), |end| end + 1);
            (text[..at].trim_end_matches([' ', '(']), &number[..end])
        })
        .collect()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 96, ..ProptestConfig::default() })]

    #[test]
    fn every_number_is_the_probability_of_the_words_beside_it((service, diagnosis) in posterior::drawn()) {
        let station = station(service, &diagnosis);
        let claims = claims(&diagnosis);
        for (name, text) in texts(&station, service) {
            for (before, number) in confidences(&text) {
                if name == "alarm" {
                    // The story's parts are told apart by its fields: that it is one of the claims' is what can be held here.
                    let known = claims.iter().any(|(_, probability)| percent(*probability) == number);
                    prop_assert!(known, "{name}: {number} in {text}");
                    continue;
                }
                let beside = claims.iter().filter(|(claim, _)| before.ends_with(claim.as_str()));
                let (claim, probability) = beside.max_by_key(|(claim, _)| claim.len()).ok_or_else(|| {
                    TestCaseError::fail(format!("{name}: no known claim before {number} in {text}"))
                })?;
                prop_assert_eq!(percent(*probability), number, "{} in {}: {}", claim, name, text);
            }
            for (claim, probability) in claims.iter().take(5) {
                for lead in [format!("{claim}: "), format!("{claim} ")] {
                    for (at, _) in text.match_indices(lead.as_str()) {
                        let rest = &text[at + lead.len()..];
                        let number = rest.find('%').map(|end| &rest[..=end]);
                        let stated = number.filter(|n| n.chars().all(|c| "<>0123456789. %".contains(c)));
                        if let Some(stated) = stated {
                            prop_assert_eq!(percent(*probability), stated, "{} in {}: {}", claim, name, text);
                        }
                    }
                }
            }
        }
    }

    #[test]
    fn below_the_bar_no_lead_is_named_as_the_fault((service, diagnosis) in posterior::drawn()) {
        let station = station(service, &diagnosis);
        let members: Vec<_> = diagnosis.groups.iter().flat_map(|g| &g.members).collect();
        let best = members.iter().map(|m| m.probability).fold(0.0, f64::max);
        let settled = best >= bars::ONE_WIRING;
        let circuit = serde_json::to_value(json::circuit(&station, &station.circuits[0], instant(NOW_MS))).unwrap();
        prop_assert_eq!(&circuit["diagnosis"]["wiring_settled"], settled);
        prop_assert_eq!(&circuit["diagnosis"]["leading_wiring_probability"], best);
        let of_group = diagnosis.groups[0].probability;
        prop_assert_eq!(&circuit["diagnosis"]["leading_group_probability"], of_group);
        let wrong: f64 = members.iter().filter(|m| !m.power_right).map(|m| m.probability).sum();
        let told_wrong = circuit["diagnosis"]["power_wrong_probability"].as_f64().unwrap();
        prop_assert!((told_wrong - wrong).abs() < 1e-9, "{told_wrong} for {wrong}");
        let page = metrics::render(&[Arc::new(station.clone())], &Desk::still(Vec::new()).list(), MonoMs(NOW_MS), &Records::default());
        let metric = |name: &str| -> f64 {
            let line = page.lines().find(|line| line.starts_with(&format!("wattassay_diagnosis_{name}_probability_ratio{{")));
            line.and_then(|line| line.rsplit(' ').next()).unwrap().parse().unwrap()
        };
        for (name, probability) in [("wrong", wrong), ("leading_group", of_group), ("leading_wiring", best)] {
            prop_assert!((metric(name) - probability).abs() < 1e-9, "{name}");
        }
        let view = CircuitView::new(&station, 0, MonoMs(NOW_MS)).unwrap();
        let registers = block(&view);
        let register = |name: &str| registers[usize::from(ROWS.iter().find(|row| row.name == name).unwrap().offset)];
        if settled {
            return Ok(());
        }
        for name in ["diagnosis", "voltage_lead_1", "voltage_lead_2", "voltage_lead_3", "ct_1", "ct_2", "ct_3", "ct_1_share",
            "registers_meaning", "lost_phase"]
        {
            prop_assert_eq!(register(name), 0, "{}", name);
        }
        prop_assert_eq!(&circuit["advice"]["remedy"], &serde_json::Value::Null);
        for (name, text) in texts(&station, service) {
            for word in ["WRONG", "Lead by lead", "if confirmed", "Remedy, only if"] {
                prop_assert!(!text.contains(word), "{name}: {word} in {text}");
            }
            for member in &members {
                // Of a monitor's voltage leads the order is told once that alone has reached the bar.
                let of_order = members.iter().filter(|m| m.wiring.voltage == member.wiring.voltage);
                if name == "alarm" && of_order.map(|m| m.probability).sum::<f64>() >= bars::ONE_WIRING {
                    continue;
                }
                let lead = describe_wiring(&member.wiring);
                // Only a list names it, as one of several that are possible, with the probability of each.
                let listed = format!("{}: {lead}", percent(member.probability));
                let named = text.matches(lead.as_str()).count();
                let in_lists = if name == "headline" || name == "alarm" { 0 } else { text.matches(listed.as_str()).count() };
                let of_longer = members.iter().map(|m| describe_wiring(&m.wiring)).filter(|other| *other != lead);
                let longer: usize = of_longer.filter(|o| o.contains(lead.as_str())).map(|o| text.matches(o.as_str()).count()).sum();
                prop_assert!(named <= in_lists + longer, "{name}: {lead} in {text}");
                prop_assert!(!text.contains(&format!("{lead} ({}", confidence(member.probability))), "{name}: {text}");
            }
        }
    }
}
