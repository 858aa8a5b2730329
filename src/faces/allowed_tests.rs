//! Statements that are printed only when something holds: the table of them, one row one test, each over random installations and
//! posteriors through sheet, plan, report, headline and alarms.
//!
//! | statement | allowed when | test |
//! |---|---|---|
//! | a wiring named as the fault | one wiring has 90 % or more | `a_wiring_is_named_from_the_bar_on` |
//! | "move nothing" | always below that bar | `below_the_bar_nothing_is_moved` |
//! | a LIVE check | 1,000 V at most and known, no VTs, no CT that may be open | `live_checks_are_for_direct_low_voltage` |
//! | "at the breaker" | as LIVE | `live_checks_are_for_direct_low_voltage` |
//! | a tester's category | it follows from a known nominal voltage | `a_category_follows_from_the_voltage` |
//! | "wait 5 minutes" | capacitor, drive or unknown load | `waits_follow_from_the_load` |
//! | "short the CT" | current or unknown output | `shorting_is_for_current_outputs` |
//! | "may be open and live" | current or unknown output | `shorting_is_for_current_outputs` |
//! | "harmless" of a shorted CT | never without "treat it as open" | `a_short_is_never_called_harmless_by_itself` |
//! | "tighten" | inside a remedy, never in an alarm or a headline | `nothing_is_tightened_by_an_alarm` |
//! | "stop the pump" | lost phase or open CT, never for a wrong reading alone | `a_wrong_reading_stops_no_pump` |
//! | "no site visit needed" | map, sign or ratio in software | `a_panel_needs_a_visit` |
//! | "de-energized", "safe", "dead" | never as a fact | `nothing_is_called_safe` |
//! | "phase X is lost" | a running pump proves it | `a_phase_is_lost_only_while_the_pump_runs` |
//! | "repaired" | the verdict after the change is OK | `repaired_is_what_the_audit_says_after` |
//! | a channel or terminal by name | the service has it | `sheet_tests::every_face_names_only_what_the_installation_has` |

use std::sync::Arc;

use proptest::prelude::*;

use super::picture::Expected;
use super::plan_text::plan_text;
use super::sheet::sheet;
use super::sheet_tests::any_installation;
use super::{report, sheet_text};
use crate::alarm::from_audit::SilentTogether;
use crate::alarm::id::AlarmKind;
use crate::alarm::set::AlarmSet;
use crate::alarm::settings::FloodSettings;
use crate::alarm::words::Story;
use crate::audit::assessment::{Assessment, Diagnosis, RunState, Verdict};
use crate::audit::bars;
use crate::audit::blame::wrong_wiring;
use crate::audit::cautions::tester_rating;
use crate::audit::context::LoadBehaviour;
use crate::audit::installation::Installation;
use crate::audit::open_ct::possibly_open;
use crate::audit::proof::{Account, Outcome, Proof};
use crate::audit::testbench::posterior;
use crate::audit::words::{self, describe_wiring};
use crate::desk::availability::Availability;
use crate::desk::conditions;
use crate::reading::{MonoMs, Rotation};
use crate::station::fixtures::{exchanged, instant, snapshot_after};
use crate::station::snapshot::StationSnapshot;

const NOW_MS: u64 = 7200;

/// What is printed of one circuit.
struct Printed {
    station: StationSnapshot,
    sheet: String,
    report: String,
    headline: String,
    alarms: Vec<(AlarmKind, Story)>,
}

impl Printed {
    fn of(installation: &Installation, diagnosis: &Diagnosis, run_state: RunState) -> Printed {
        let mut station = snapshot_after("Alder Creek Lift", &exchanged()).as_ref().clone();
        let circuit = &mut station.circuits[0];
        circuit.installation = *installation;
        let mut assessment = circuit.assessment.as_deref().unwrap().clone();
        assessment.diagnosis = diagnosis.clone();
        assessment.run_state = run_state;
        assessment.findings.clear();
        (assessment.voltage_leads, assessment.joint, assessment.proof) = (None, None, None);
        circuit.assessment = Some(Arc::new(assessment));
        let circuit = &station.circuits[0];
        let expected = Expected {
            service: installation.service,
            rotation: Rotation::Abc,
            nominal_voltage_v: installation.nominal_voltage_v,
        };
        let sheet =
            sheet_text::text(&sheet(&station, circuit, expected, instant(NOW_MS))) + &plan_text(&station, circuit);
        let report = report::text(&[Arc::new(station.clone())], instant(NOW_MS));
        let headline = words::headline_with_check(circuit.assessment.as_deref().unwrap(), installation, &[]);
        let alarms = AlarmSet::new(FloodSettings::default());
        let told = conditions::of_station(
            &station,
            &alarms,
            &SilentTogether::default(),
            &Availability::default(),
            MonoMs(NOW_MS),
        );
        let alarms = told.into_iter().filter_map(|told| Some((told.id.kind, told.story?))).collect();
        Printed { station, sheet: flat(&sheet), report: flat(&report), headline, alarms }
    }

    fn assessment(&self) -> &Assessment {
        self.station.circuits[0].assessment.as_deref().unwrap()
    }

    /// Every text.
    fn all(&self) -> Vec<String> {
        let alarms = self.alarms.iter().map(|(_, story)| said(story));
        [self.sheet.clone(), self.report.clone(), self.headline.clone()].into_iter().chain(alarms).collect()
    }
}

fn flat(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

fn said(story: &Story) -> String {
    [story.line.as_str(), &story.what, &story.means, &story.steps.join(" ")].join(" ")
}

fn best(diagnosis: &Diagnosis) -> f64 {
    diagnosis.groups.iter().flat_map(|g| &g.members).map(|m| m.probability).fold(0.0, f64::max)
}

/// An installation with a posterior over the wirings of its service.
fn any_case() -> impl Strategy<Value = (Installation, Diagnosis)> {
    (any_installation(), posterior::drawn())
        .prop_map(|(installation, (service, diagnosis))| (Installation { service, ..installation }, diagnosis))
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, ..ProptestConfig::default() })]

    #[test]
    fn a_wiring_is_named_from_the_bar_on((installation, diagnosis) in any_case()) {
        let printed = Printed::of(&installation, &diagnosis, RunState::Running);
        let named = |text: &str| {
            let mut wrong = diagnosis.groups.iter().flat_map(|g| &g.members).filter(|m| !m.power_right);
            wrong.any(|m| text.contains(&format!("{} (confidence", describe_wiring(&m.wiring))))
        };
        for text in printed.all() {
            prop_assert!(best(&diagnosis) >= bars::ONE_WIRING || !named(&text), "{text}");
        }
    }

    #[test]
    fn below_the_bar_nothing_is_moved((installation, diagnosis) in any_case()) {
        prop_assume!(best(&diagnosis) < bars::ONE_WIRING && wrong_wiring(&diagnosis).is_some());
        let printed = Printed::of(&installation, &diagnosis, RunState::Running);
        for text in [&printed.sheet, &printed.report] {
            prop_assert!(text.to_lowercase().contains("move nothing"), "{text}");
        }
        for (kind, story) in &printed.alarms {
            let text = said(story).to_lowercase();
            prop_assert!(*kind != AlarmKind::MeteringMiswired || text.contains("move nothing"), "{text}");
        }
        prop_assert!(printed.headline.starts_with("power is metered wrong ("), "{}", printed.headline);
    }

    #[test]
    fn live_checks_are_for_direct_low_voltage((installation, diagnosis) in any_case()) {
        let printed = Printed::of(&installation, &diagnosis, RunState::Running);
        let open = !possibly_open(printed.assessment(), &installation).is_empty();
        for text in printed.all() {
            for word in ["LIVE:", "at the breaker", "at the same breaker"] {
                prop_assert!(installation.direct_low_voltage() || !text.contains(word), "{word}: {text}");
            }
            prop_assert!(!open || !text.contains("LIVE:"), "{text}");
        }
    }

    #[test]
    fn a_category_follows_from_the_voltage((installation, diagnosis) in any_case()) {
        let printed = Printed::of(&installation, &diagnosis, RunState::Running);
        for text in printed.all() {
            match tester_rating(&installation) {
                None => prop_assert!(!text.contains("CAT I"), "{text}"),
                Some(rating) => prop_assert_eq!(text.matches("CAT I").count(), text.matches(rating).count(), "{}", text),
            }
        }
    }

    #[test]
    fn waits_follow_from_the_load((installation, diagnosis) in any_case()) {
        let stores = matches!(
            installation.load,
            LoadBehaviour::MotorWithCapacitor | LoadBehaviour::Drive | LoadBehaviour::Unknown
        );
        let printed = Printed::of(&installation, &diagnosis, RunState::Running);
        for text in printed.all() {
            for word in ["wait 5 minutes", "at least 5 minutes"] {
                prop_assert!(stores || !text.contains(word), "{word}: {text}");
            }
        }
    }

    #[test]
    fn shorting_is_for_current_outputs((installation, diagnosis) in any_case()) {
        let printed = Printed::of(&installation, &diagnosis, RunState::Running);
        for text in printed.all() {
            for word in ["horting block", "hort the CT", "may be open and live", "Never open a CT secondary"] {
                prop_assert!(installation.ct_secondary.may_be_current() || !text.contains(word), "{word}: {text}");
            }
        }
    }

    #[test]
    fn a_short_is_never_called_harmless_by_itself((installation, diagnosis) in any_case()) {
        for text in Printed::of(&installation, &diagnosis, RunState::Running).all() {
            prop_assert!(!text.contains("harmless") || text.contains("treat it as open"), "{text}");
        }
    }

    #[test]
    fn nothing_is_tightened_by_an_alarm((installation, diagnosis) in any_case()) {
        let printed = Printed::of(&installation, &diagnosis, RunState::Running);
        let alarms = printed.alarms.iter().map(|(_, story)| said(story));
        for text in alarms.chain([printed.headline.clone()]) {
            let text = text.replace("Never close, tighten or short it under load", "");
            prop_assert!(!text.to_lowercase().contains("tighten") && !text.contains("ind the loose"), "{text}");
        }
    }

    #[test]
    fn a_wrong_reading_stops_no_pump((installation, diagnosis) in any_case()) {
        let printed = Printed::of(&installation, &diagnosis, RunState::Running);
        for (kind, story) in &printed.alarms {
            let stops = matches!(
                kind,
                AlarmKind::SupplyPhaseLost | AlarmKind::CtNoCurrent | AlarmKind::PhaseMissingStopped
            );
            prop_assert!(stops || !said(story).to_lowercase().contains("stop this pump"), "{kind:?}: {story:?}");
            prop_assert!(stops || !said(story).to_lowercase().contains("stop the pump"), "{kind:?}: {story:?}");
        }
        prop_assert!(!printed.headline.to_lowercase().contains("stop the pump"), "{}", printed.headline);
    }

    #[test]
    fn a_panel_needs_a_visit((installation, diagnosis) in any_case()) {
        let printed = Printed::of(&installation, &diagnosis, RunState::Running);
        for (kind, story) in &printed.alarms {
            prop_assert!(!story.at_panel() || !said(story).contains("o site visit needed"), "{kind:?}: {story:?}");
        }
    }

    #[test]
    fn nothing_is_called_safe((installation, diagnosis) in any_case()) {
        for text in Printed::of(&installation, &diagnosis, RunState::Running).all() {
            for word in ["is safe", "are safe", "is dead", "are dead", "now de-energized", "is isolated", "safe to"] {
                prop_assert!(!text.to_lowercase().contains(word), "{word}: {text}");
            }
        }
    }

    #[test]
    fn a_phase_is_lost_only_while_the_pump_runs((installation, diagnosis) in any_case()) {
        let printed = Printed::of(&installation, &diagnosis, RunState::Stopped);
        prop_assert!(printed.alarms.iter().all(|(kind, _)| *kind != AlarmKind::SupplyPhaseLost), "{:?}", printed.alarms);
    }
}

#[test]
fn repaired_is_what_the_audit_says_after() {
    let assessment = snapshot_after("Alder Creek Lift", &exchanged()).circuits[0].assessment.clone().unwrap();
    let account = |verdict| Account {
        wiring: None,
        probability: 0.99,
        verdict,
        mean_current_a: 60.0,
        registered_factor: Some(0.82),
        corrected_factor: Some(0.82),
    };
    let verdicts = [Verdict::Sound, Verdict::Fault, Verdict::Undecided];
    let afters = verdicts.map(|verdict| Some(account(verdict))).into_iter().chain([None]);
    let mut repaired = 0;
    for after in afters {
        let proof = Proof { changed_at: assessment.at, before: account(Verdict::Fault), after };
        let said = words::proof_words(&proof).starts_with("repaired:");
        assert_eq!(said, proof.outcome() == Outcome::Repaired);
        assert!(!said || proof.after.is_some_and(|after| after.verdict == Verdict::Sound), "{proof:?}");
        repaired += usize::from(said);
    }
    assert_eq!(repaired, 1);
}
