//! The field sheet: what one printed page tells a technician about one circuit. Here its content, from a snapshot; the text
//! and HTML renderers only lay it out.
//!
//! Cautions come first, always. Must never decide anything, nor show old values as if of now.

use std::borrow::Cow;

use super::cautions::{Caution, cautions};
use super::findings_format::entry_lines;
use super::json::rfc3339;
use super::leads::lead_by_lead;
use super::picture::{Expected, Picture, pictures};
use super::sentences::{failed_words, lost_phase_words, recorded_words};
use super::text::plural;
use crate::audit::advice;
use crate::audit::assessment::{Assessment, Verdict};
use crate::audit::blame::failed;
use crate::audit::field_check::{Access, FieldCheck};
use crate::audit::procedure::{Place, Procedure};
use crate::audit::statement;
use crate::audit::words;
use crate::reading::{Instant2, UnixMs};
use crate::station::snapshot::{CircuitSnapshot, Freshness, MonitorSnapshot, StationSnapshot};

/// Alternatives listed; the report has them all.
const ALTERNATIVES: usize = 3;
/// Failing checks listed.
const REASONS: usize = 3;

/// A check with what it is expected to show.
#[derive(Debug, Clone, PartialEq)]
pub struct CheckRow {
    /// The check, for how its result is entered.
    pub check: FieldCheck,
    /// What to do.
    pub instruction: String,
    /// Done beside energised parts.
    pub live: bool,
    /// What it shows when the suspicion is right; empty while no wiring is settled.
    pub expected: String,
    /// What is to be written in the box: "volts", "phase", ...
    pub unit: &'static str,
    /// What it is expected to settle; empty when it only confirms.
    pub worth: String,
}

/// A part of the remedy.
#[derive(Debug, Clone, PartialEq)]
pub struct RemedyPart {
    /// Heading; empty where the remedy has one part only.
    pub title: &'static str,
    /// Its lines are steps with a box to tick, numbered through all parts.
    pub ticked: bool,
    /// Lines in order.
    pub lines: Vec<String>,
}

/// The whole page.
#[derive(Debug, Clone, PartialEq)]
pub struct Sheet {
    /// Station and circuit.
    pub title: String,
    /// Lines of where and when: monitor, print time, age of the data.
    pub origin: Vec<String>,
    /// Set when the values are not of now.
    pub warning: Option<String>,
    /// What is dangerous now: before the cautions.
    pub hazards: Vec<String>,
    /// To be read first.
    pub cautions: Vec<Caution>,
    /// Verdict in capitals.
    pub verdict: String,
    /// What is suspected.
    pub suspicion: String,
    /// Lead by lead, where something is wrong.
    pub leads: Vec<String>,
    /// Why.
    pub reasons: Vec<String>,
    /// Heading of the alternatives.
    pub alternatives_title: &'static str,
    /// What else it could be.
    pub alternatives: Vec<String>,
    /// What people found already.
    pub found: Vec<String>,
    /// Channels that the service has, from 0.
    pub channels: &'static [usize],
    /// As the monitor reports.
    pub reported: Picture,
    /// As a rightly wired monitor would report the same load.
    pub intended: Picture,
    /// Heading of the checks.
    pub checks_title: &'static str,
    /// Checks in order.
    pub checks: Vec<CheckRow>,
    /// An entry of the findings file for the first check, a line each; empty when there is no check.
    pub entry_example: Vec<String>,
    /// Heading of the remedy.
    pub remedy_title: Cow<'static, str>,
    /// Its parts in order: the whole procedure, or a note where there is none.
    pub remedy: Vec<RemedyPart>,
}

/// The sheet of one circuit as of `now`.
pub fn sheet(station: &StationSnapshot, circuit: &CircuitSnapshot, expected: Expected, now: Instant2) -> Sheet {
    let monitor = station.monitor_of(circuit);
    let assessment = circuit.assessment.as_deref();
    let verdict = assessment.map_or(Verdict::NoEvidence, |a| a.diagnosis.verdict);
    let (origin, warning) = origin(monitor, now);
    let mut sheet = Sheet {
        title: format!("{} / {}", station.station, circuit.name),
        origin,
        warning,
        hazards: Vec::new(),
        cautions: cautions(&circuit.installation),
        verdict: words::verdict_words(verdict).to_uppercase(),
        suspicion: assessment.map_or_else(
            || "no reading of this circuit yet".to_owned(),
            |a| words::headline_with_check(a, &circuit.installation, &circuit.done()),
        ),
        leads: Vec::new(),
        reasons: Vec::new(),
        alternatives_title: "What else it could be (probability of each)",
        alternatives: Vec::new(),
        found: circuit.checks.iter().map(recorded_words).collect(),
        channels: circuit.installation.service.channels(),
        reported: Picture::default(),
        intended: Picture::default(),
        checks_title: "Checks: none",
        checks: Vec::new(),
        entry_example: Vec::new(),
        remedy_title: "Remedy: none yet".into(),
        remedy: note(
            "Move nothing. First settle what is wrong: enter what the checks showed and print this sheet again.",
        ),
    };
    (sheet.reported, sheet.intended) = pictures(station, circuit, expected);
    if let Some(assessment) = assessment {
        tell(&mut sheet, assessment);
        act(&mut sheet, assessment, &station.place_of(circuit), &circuit.done());
        let first = sheet.checks.first().map(|row| entry_lines(&station.station, &circuit.name, row.check));
        sheet.entry_example = first.unwrap_or_default();
    }
    sheet
}

fn note(text: &str) -> Vec<RemedyPart> {
    vec![RemedyPart { title: "", ticked: false, lines: vec![text.to_owned()] }]
}

/// A procedure in its parts.
fn parts(procedure: &Procedure) -> Vec<RemedyPart> {
    let mut parts: Vec<RemedyPart> = Vec::new();
    for line in procedure.lines() {
        let (title, ticked) = (line.section.title(), line.section.is_ticked());
        match parts.last_mut() {
            Some(part) if part.title == title => part.lines.push(line.text),
            _ => parts.push(RemedyPart { title, ticked, lines: vec![line.text] }),
        }
    }
    parts
}

fn origin(monitor: Option<&MonitorSnapshot>, now: Instant2) -> (Vec<String>, Option<String>) {
    let mut lines = Vec::new();
    let mut warning = None;
    if let Some(monitor) = monitor {
        lines.push(format!(
            "Monitor {} at {}, unit {}, map {}",
            monitor.name, monitor.address, monitor.unit, monitor.map_name
        ));
        let seconds = |age_ms: u64| age_ms as f64 / 1000.0;
        let read_at = monitor.health.last_good.map_or_else(String::new, |at| seconds_of(at.wall));
        let age = match monitor.freshness(now.mono) {
            Freshness::Live { age_ms } => format!("Values of {read_at}, {:.1} s old when printed", seconds(age_ms)),
            Freshness::Stale { age_ms } => {
                warning = Some(format!(
                    "OLD VALUES: {:.1} s old when printed. They do not show the present.",
                    seconds(age_ms)
                ));
                format!("Values of {read_at}, OLD")
            }
            Freshness::Waiting => "Monitor not read yet".to_owned(),
            Freshness::NeverAnswered => {
                warning = Some(match monitor.health.failures.first() {
                    Some(failure) => format!("THE MONITOR HAS NEVER ANSWERED: {failure}"),
                    None => "THE MONITOR HAS NEVER ANSWERED".to_owned(),
                });
                "No values".to_owned()
            }
        };
        lines.push(age);
    }
    lines.push(format!("Printed {} (UTC)", seconds_of(now.wall)));
    (lines, warning)
}

/// A time without its fraction of a second, which nobody reads on paper.
fn seconds_of(at: UnixMs) -> String {
    rfc3339(UnixMs(at.0 - at.0.rem_euclid(1000)))
}

fn tell(sheet: &mut Sheet, assessment: &Assessment) {
    let diagnosis = &assessment.diagnosis;
    if diagnosis.verdict == Verdict::NoEvidence {
        return;
    }
    let settled = diagnosis.settled();
    if let Some(settled) = settled {
        sheet.leads =
            lead_by_lead(&settled.wiring).into_iter().filter(|lead| lead.wrong).map(|lead| lead.words).collect();
    }
    sheet.reasons.extend(failed(&assessment.findings, |_| true).into_iter().take(REASONS).map(failed_words));
    sheet.reasons.push(format!(
        "Metering is correct: {}. Power is metered wrong: {}. No wiring considered explains the readings: {}. From {} steady \
         readings at {} load level{} of {}.",
        words::percent(diagnosis.sound_probability),
        words::percent(diagnosis.wrong_probability()),
        words::percent(diagnosis.unexplained_probability),
        diagnosis.readings_used,
        diagnosis.load_levels,
        plural(diagnosis.load_levels),
        words::level_words(diagnosis.level)
    ));
    let mut others = statement::listed(diagnosis);
    others.retain(|m| settled.is_none_or(|settled| settled.wiring != m.wiring));
    if settled.is_none() && !others.is_empty() {
        sheet.alternatives_title = "Wirings that are possible (probability of each; none is settled, move nothing)";
    }
    for one in others.iter().take(ALTERNATIVES) {
        sheet.alternatives.push(format!(
            "{}: {}",
            words::percent(one.probability),
            words::describe_wiring(&one.wiring)
        ));
    }
    if others.len() > ALTERNATIVES {
        sheet.alternatives.push(format!("and {} more of 1 % or above", others.len() - ALTERNATIVES));
    }
}

fn act(sheet: &mut Sheet, assessment: &Assessment, place: &Place, done: &[FieldCheck]) {
    let diagnosis = &assessment.diagnosis;
    let installation = &place.installation;
    let advice = advice::advice(assessment, installation, done);
    sheet.hazards = advice.open_ct.iter().map(words::open_ct_words).collect();
    let row = |check: FieldCheck, expected: String, worth: &str| CheckRow {
        check,
        instruction: check.words(installation),
        live: check.access() == Access::Live,
        expected,
        unit: check.box_words(installation),
        worth: worth.to_owned(),
    };
    if !advice.checks.is_empty() {
        sheet.checks_title = "Checks, in the order to do them";
        // Without a settled wiring there is no suspicion that a check could confirm: what it shows is not foretold.
        sheet.checks = advice.checks.iter().map(|w| row(w.check, String::new(), w.words())).collect();
    }
    if let Some(remedy) = &advice.remedy {
        sheet.checks_title = "Confirm before moving anything";
        sheet.checks =
            remedy.confirm(installation).into_iter().map(|c| row(c, c.shows(&remedy.wiring).words(), "")).collect();
        sheet.remedy_title =
            format!("Remedy, only if every check confirms ({})", words::confidence(remedy.probability)).into();
        sheet.remedy = parts(&remedy.procedure(place));
    } else if let Some(phase) = advice.lost_phase {
        sheet.remedy_title = "Remedy".into();
        sheet.remedy = note(&lost_phase_words(phase));
        // Nobody goes to a conductor that may carry nothing because a fuse has blown: another instrument tells as much.
        let check = FieldCheck::PanelAmmeter(phase.index());
        if FieldCheck::offered(installation).contains(&check) {
            sheet.checks_title = "Confirm";
            sheet.checks = vec![row(check, "both show about 0 A".to_owned(), "")];
        }
    } else if diagnosis.verdict == Verdict::Sound {
        sheet.remedy_title = "Remedy: nothing to move".into();
        sheet.remedy = Vec::new();
    } else if diagnosis.verdict == Verdict::Fault && advice.checks.is_empty() {
        sheet.remedy_title = "Remedy: no lead to move".into();
        sheet.remedy =
            note("No lead is found wrong, but the numbers are: look at the monitor's settings and its register map.");
    } else if diagnosis.verdict == Verdict::NoEvidence {
        sheet.remedy = note("Run the pump for a minute and print this sheet again.");
    }
}
