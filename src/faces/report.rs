//! The audit of some stations as a text for people: one block a circuit, what is wrong lead by lead, how sure, what else
//! it could be, and the figures behind it.
//!
//! Cautions come first whenever the text names a lead. Must never decide anything.

use std::fmt::Write;

use super::cautions::{self, CAUTIONS};
use super::energy_text;
use super::json;
use crate::audit::advice;
use crate::audit::assessment::{
    Assessment, CorrectedPower, Diagnosis, Finding, Outcome, RunState, Verdict, WiringGroup,
};
use crate::audit::remedy::{self, Move};
use crate::audit::wiring::{CurrentSeen, Gain, Registers, Wiring};
use crate::audit::words;
use crate::config::checks::RecordedCheck;
use crate::reading::{CircuitReading, Instant2, Measured, MonoMs, Phase};
use crate::station::snapshot::{CircuitSnapshot, Freshness, MonitorSnapshot, StationSnapshot};

/// Wirings less probable than this are left out of a text for people; the JSON has them all.
pub const WORTH_PRINTING: f64 = 0.01;
/// More alternatives than this are counted, not listed.
const ALTERNATIVES: usize = 8;
const COLUMN: usize = 12;

/// The report of some stations as of `now`.
pub fn text<S: AsRef<StationSnapshot>>(stations: &[S], now: Instant2) -> String {
    let mut out = String::new();
    let assessments = stations.iter().flat_map(|s| s.as_ref().circuits.iter().filter_map(|c| c.assessment.as_deref()));
    if assessments.into_iter().any(cautions::needed) {
        out.push_str(&caution_text());
        out.push('\n');
    }
    for station in stations.iter().map(AsRef::as_ref) {
        for circuit in &station.circuits {
            circuit_text(&mut out, station, circuit, now);
            out.push('\n');
        }
    }
    out
}

/// The cautions as they stand before a report.
pub fn caution_text() -> String {
    let mut out = String::from("CAUTION: read this before touching anything\n");
    for (n, caution) in CAUTIONS.iter().enumerate() {
        paragraph(&mut out, &format!("{}. ", n + 1), caution);
    }
    out
}

fn circuit_text(out: &mut String, station: &StationSnapshot, circuit: &CircuitSnapshot, now: Instant2) {
    let assessment = circuit.assessment.as_deref();
    let verdict = assessment.map_or(Verdict::NoEvidence, |a| a.diagnosis.verdict);
    line(out, &format!("{} / {}: {}", station.station, circuit.name, words::verdict_words(verdict).to_uppercase()));
    if let Some(assessment) = assessment {
        paragraph(out, "  ", &words::headline(assessment));
    }
    if let Some(failure) = &circuit.core_failure {
        paragraph(out, "  ", &format!("the audit of this circuit failed inside and started anew: {failure}"));
    }
    if let Some(monitor) = station.monitor_of(circuit) {
        monitor_text(out, monitor, now.mono);
        if let (Some(reading), Some(values)) = (&monitor.reading, station.reported(circuit)) {
            let shown = |value| monitor.shown(value, now.mono);
            row(out, "volts to neutral", reading.voltage_ln_v.map(shown), None, 1.0, 1);
            row(out, "volts 12, 23, 31", reading.voltage_ll_v.map(shown), None, 1.0, 1);
            reported_rows(out, values, &shown);
        }
    }
    let Some(assessment) = assessment else { return };
    if station.monitor_of(circuit).is_some_and(|m| m.reading.is_none()) {
        return; // Without a single value, all that follows would say so once more.
    }
    let live = station.monitor_of(circuit).is_some_and(|m| m.freshness(now.mono).is_live());
    conclusions_text(out, assessment, &circuit.checks, live);
    energy_text::energies(out, circuit, station.tariff.as_ref(), now);
    energy_text::pump(out, station, circuit, now);
}

/// What an assessment concludes, lead by lead, with the evidence behind it. Whoever prints it prints the cautions first.
pub fn conclusions(assessment: &Assessment) -> String {
    let mut out = String::new();
    conclusions_text(&mut out, assessment, &[], true);
    out
}

fn conclusions_text(out: &mut String, assessment: &Assessment, checks: &[RecordedCheck], live: bool) {
    let run_state = if live { assessment.run_state } else { RunState::Unknown };
    line(out, &format!("  Pump: {}", words::run_state_words(run_state)));
    diagnosis_text(out, &assessment.diagnosis);
    together_text(out, assessment);
    checks_text(out, checks, &assessment.diagnosis);
    advice_text(out, &assessment.diagnosis);
    findings_text(out, &assessment.findings, live);
    match &assessment.corrected {
        Some(power) if live => corrected_text(out, power),
        Some(_) => line(out, "  Corrected power: none (the monitor gives no values of now)"),
        None => {
            line(out, "  Corrected power: none (the pump is stopped, or no wiring is probable enough to correct by)");
        }
    }
}

fn monitor_text(out: &mut String, monitor: &MonitorSnapshot, now: MonoMs) {
    let seconds = |age_ms: u64| age_ms as f64 / 1000.0;
    let state = match monitor.freshness(now) {
        Freshness::Waiting => "not polled yet".to_owned(),
        Freshness::NeverAnswered => "HAS NEVER ANSWERED".to_owned(),
        Freshness::Live { age_ms } => format!("{:.1} s ago", seconds(age_ms)),
        Freshness::Stale { age_ms } => format!("OLD VALUES, {:.1} s ago", seconds(age_ms)),
    };
    line(
        out,
        &format!(
            "  Reported by {} ({}, unit {}, map {}), {state}",
            monitor.name, monitor.address, monitor.unit, monitor.map_name
        ),
    );
    for failure in &monitor.health.failures {
        paragraph(out, "    ", &format!("read failed: {failure}"));
    }
    if let Some(fault) = &monitor.register_fault {
        paragraph(out, "    ", &format!("REGISTER MAP: {}", fault.text()));
    }
}

fn reported_rows(out: &mut String, values: &CircuitReading, shown: &impl Fn(Measured) -> Measured) {
    let total = |value| Some(shown(value));
    row(out, "amps", values.current_a.map(shown), None, 1.0, 1);
    row(out, "kW", values.active_power_w.map(shown), total(values.total_active_power_w), 1000.0, 2);
    row(out, "kvar", values.reactive_power_var.map(shown), total(values.total_reactive_power_var), 1000.0, 2);
    row(out, "kVA", values.apparent_power_va.map(shown), total(values.total_apparent_power_va), 1000.0, 2);
    row(out, "power factor", values.power_factor.map(shown), total(values.total_power_factor), 1.0, 3);
}

/// One row of the table of reported values; nothing when the map offers none of them.
fn row(out: &mut String, name: &str, values: [Measured; 3], total: Option<Measured>, unit: f64, decimals: usize) {
    if !values.iter().chain(&total).any(|v| v.is_mapped()) {
        return;
    }
    let _ = write!(out, "    {name:<18}");
    for value in values {
        let _ = write!(out, "{:>COLUMN$}", cell(value, unit, decimals));
    }
    if let Some(total) = total.filter(|t| t.is_mapped()) {
        let _ = write!(out, "   total{:>COLUMN$}", cell(total, unit, decimals));
    }
    out.push('\n');
}

pub(super) fn cell(value: Measured, unit: f64, decimals: usize) -> String {
    match value {
        Measured::Good(v) => number(v / unit, decimals),
        Measured::Stale(v) => format!("old {}", number(v / unit, decimals)),
        Measured::OutOfRange(v) => format!("!{}", number(v / unit, decimals)),
        Measured::NotAvailable => "blank".to_owned(),
        Measured::Failed => "no answer".to_owned(),
        Measured::NotMapped => "-".to_owned(),
    }
}

/// A number without the sign of a zero: "-0.00 kW" would look like reversed power.
fn number(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    match text.strip_prefix('-') {
        Some(digits) if digits.chars().all(|c| matches!(c, '0' | '.')) => digits.to_owned(),
        _ => text,
    }
}

fn diagnosis_text(out: &mut String, diagnosis: &Diagnosis) {
    let printed = printed_members(&diagnosis.groups);
    // A fault that no lead is blamed for is told by its numbers; a list of leads "as they should be" would deny it.
    let leads_tell = match diagnosis.verdict {
        Verdict::NoEvidence => false,
        Verdict::Fault => words::wrong_wiring(diagnosis).is_some(),
        Verdict::Sound | Verdict::Undecided => true,
    };
    if let Some((probability, wiring)) = printed.first()
        && leads_tell
    {
        // A list of leads reads like a fact: where another wiring may as well be true, it says how likely this one is.
        if *probability < advice::SETTLED {
            line(
                out,
                &format!("  Lead by lead, if it is the likeliest ({}; not settled)", words::percent(*probability)),
            );
        } else {
            line(out, "  Lead by lead");
        }
        for lead in lead_by_lead(wiring) {
            line(out, &format!("    {lead}"));
        }
    }
    line(out, "  How sure");
    if diagnosis.readings_used == 0 {
        line(out, "    no steady reading of the running pump yet");
        return;
    }
    line(out, &format!("    power is registered right: {}", words::percent(diagnosis.sound_probability)));
    line(out, &format!("    no wiring considered explains it: {}", words::percent(diagnosis.unexplained_probability)));
    line(
        out,
        &format!(
            "    based on {} steady readings at {} load level{}; the map offers {}",
            diagnosis.readings_used,
            diagnosis.load_levels,
            if diagnosis.load_levels == 1 { "" } else { "s" },
            words::level_words(diagnosis.level)
        ),
    );
    if printed.len() > 1 {
        line(out, "  What else it could be");
        for (probability, wiring) in printed.iter().skip(1).take(ALTERNATIVES) {
            paragraph(out, "    ", &format!("{}: {}", words::percent(*probability), words::describe_wiring(wiring)));
        }
        if printed.len() > ALTERNATIVES + 1 {
            line(out, &format!("    and {} more of 1 % or above", printed.len() - ALTERNATIVES - 1));
        }
    }
}

/// The most reasons worth a line.
const REASONS: usize = 5;

/// Why, what the monitor's circuits tell together, and what a change of the wiring came to.
fn together_text(out: &mut String, assessment: &Assessment) {
    let diagnosis = &assessment.diagnosis;
    if !diagnosis.why.is_empty() && diagnosis.verdict != Verdict::NoEvidence {
        let leader = diagnosis.groups.first().and_then(|g| g.members.first());
        let kind = if leader.is_some_and(|m| m.power_right) { "right" } else { "wrong" };
        line(out, &format!("  Why (for power registered {kind}, in decibans: 10 dB are odds of 10 to 1)"));
        for reason in diagnosis.why.iter().take(REASONS) {
            let words = words::reason_words(reason.kind);
            line(out, &format!("    {words}: {}", words::deciban_words(reason.decibans)));
        }
    }
    if let Some(leads) = assessment.voltage_leads.as_deref().filter(|leads| leads.fault().is_some()) {
        line(out, "  Voltage leads");
        for (state, probability) in leads.ranked.iter().filter(|(_, p)| *p >= WORTH_PRINTING).take(ALTERNATIVES) {
            paragraph(out, "    ", &format!("{}: {}", words::percent(*probability), state.words()));
        }
        if let Some(check) = leads.check {
            paragraph(out, "    ", &format!("next check (see the cautions above): {}", check.words()));
        }
    }
    if let Some(joint) = assessment.joint.as_deref().filter(|_| diagnosis.verdict != Verdict::Sound)
        && let Some(best) = joint.best.first()
    {
        line(out, &format!("  All circuits of the monitor together ({}):", words::percent(best.probability)));
        for (n, wiring) in best.wirings.iter().enumerate() {
            let words = wiring.as_ref().map_or("none of the wirings considered".to_owned(), words::describe_wiring);
            paragraph(out, "    ", &format!("circuit {} of the monitor: {words}", n + 1));
        }
        let next = joint.best.get(1).map_or(joint.others_at_most, |next| next.probability);
        line(out, &format!("    any other combination: at most {}", words::percent(next)));
    }
    if let Some(proof) = &assessment.proof {
        line(out, &format!("  Change of the wiring, {}", json::rfc3339(proof.changed_at.wall)));
        paragraph(out, "    ", &words::proof_words(proof));
    }
}

fn checks_text(out: &mut String, checks: &[RecordedCheck], diagnosis: &Diagnosis) {
    if checks.is_empty() {
        return;
    }
    let counted = diagnosis.verdict != Verdict::NoEvidence;
    line(
        out,
        if counted {
            "  Found at the panel, and counted"
        } else {
            "  Found at the panel, not counted before the pump has been seen running"
        },
    );
    for check in checks {
        paragraph(out, "    ", &recorded_words(check));
    }
}

/// One check as a person entered it, in words.
pub fn recorded_words(check: &RecordedCheck) -> String {
    let outcome = check.outcome;
    format!("{}: {} ({}, {})", outcome.check.title(), outcome.finding.words(), check.by, json::rfc3339(check.at))
}

/// What to check next, or what mends it. The cautions stand before the whole report.
fn advice_text(out: &mut String, diagnosis: &Diagnosis) {
    let advice = advice::advice(diagnosis);
    if !advice.checks.is_empty() {
        line(out, "  Next check (see the cautions above)");
    }
    for (n, worth) in advice.checks.iter().enumerate() {
        paragraph(out, &format!("    {}. ", n + 1), &format!("{} [{}]", worth.check.words(), worth.words()));
    }
    if let Some((probability, moves)) = &advice.remedy {
        line(out, &format!("  Remedy (see the cautions above), if confirmed; {} sure", words::percent(*probability)));
        for (n, step) in moves.iter().enumerate() {
            paragraph(out, &format!("    {}. ", n + 1), &step.words());
        }
        let leader = diagnosis.groups.first().and_then(|g| g.members.first());
        if let Some(other) = leader.and_then(|m| remedy::without_voltage_leads(&m.wiring)) {
            let moves: Vec<String> = other.iter().map(|m| m.words()).collect();
            let text = format!(
                "Or, leaving the voltage leads alone (power is right then, labels may differ): {}",
                moves.join(" ")
            );
            paragraph(out, "    ", &text);
        }
        if moves.iter().any(|m| matches!(m, Move::TurnPair(_))) {
            paragraph(out, "    ", TURN_INSTEAD);
        }
        paragraph(out, "    ", AFTERWARDS);
    }
    if let Some(phase) = advice.lost_phase {
        line(out, "  Remedy (see the cautions above)");
        paragraph(out, "    ", &lost_phase_words(phase));
    }
}

/// For where a pair's leads cannot be exchanged at its terminals.
pub const TURN_INSTEAD: &str = "Where a pair's two leads cannot be exchanged: turn the CT over on its conductor (power off), or \
                                exchange the leads at the shorting block.";

/// What proves a remedy.
pub const AFTERWARDS: &str = "Afterwards: run the same pump; the audit says by itself whether the repair passed.";

/// What to do about a supply phase that is lost.
pub fn lost_phase_words(phase: Phase) -> String {
    format!(
        "Move no lead of the monitor. Stop the pump and find why phase {} gives it no current: fuse, contactor pole, cable.",
        phase.label()
    )
}

/// Wirings worth a person's time, most probable first.
pub(super) fn printed_members(groups: &[WiringGroup]) -> Vec<(f64, Wiring)> {
    let mut members: Vec<(f64, Wiring)> =
        groups.iter().flat_map(|g| &g.members).map(|m| (m.probability, m.wiring)).collect();
    members.retain(|(probability, _)| *probability >= WORTH_PRINTING);
    // The first member of the leading group leads, as in the headline, whatever a later group's members carry.
    if let Some(leader) = groups.first().and_then(|g| g.members.first()) {
        members.retain(|(_, wiring)| *wiring != leader.wiring);
        members.sort_by(|a, b| b.0.total_cmp(&a.0));
        members.insert(0, (leader.probability, leader.wiring));
    }
    members
}

pub(super) fn lead_by_lead(wiring: &Wiring) -> Vec<String> {
    let mut leads = Vec::with_capacity(7);
    for (k, (seen, meant)) in wiring.voltage.iter().zip(Phase::ALL).enumerate() {
        leads.push(if *seen == meant {
            format!("voltage lead {}: on phase {}, as it should be", k + 1, meant.label())
        } else {
            format!("voltage lead {}: WRONG, on phase {}, should be on {}", k + 1, seen.label(), meant.label())
        });
    }
    for (k, (seen, meant)) in wiring.current.iter().zip(Phase::ALL).enumerate() {
        let lead = match *seen {
            CurrentSeen::Nothing => "WRONG, gives no current: open, shorted, a lead off, or on another pump".to_owned(),
            CurrentSeen::Conductor { phase, reversed: false } if phase == meant => {
                format!("sees phase {}, as it should", meant.label())
            }
            CurrentSeen::Unused => continue,
            CurrentSeen::AllBut { .. } => {
                format!("WRONG, closed around two conductors ({})", words::current_label(*seen))
            }
            CurrentSeen::OtherCircuit { slot, .. } => {
                format!("WRONG, on another pump (slot {} of this monitor)", slot + 1)
            }
            CurrentSeen::Conductor { phase, reversed } => {
                let mut wrong = Vec::new();
                if phase != meant {
                    wrong.push(format!("sees phase {}, should see {}", phase.label(), meant.label()));
                }
                if reversed {
                    wrong.push("the wrong way round".to_owned());
                }
                format!("WRONG, {}", wrong.join(", and "))
            }
        };
        let ratio = match wiring.gain[k] {
            Gain::AsRated => String::new(),
            gain => format!("; shows {} of its current", words::gain_words(gain)),
        };
        leads.push(format!("CT {}: {lead}{ratio}", k + 1));
    }
    if wiring.registers != Registers::AsDeclared {
        leads.push(format!("meter map: {}", words::registers_words(wiring.registers)));
    }
    if wiring.supply_rotates_back {
        leads.push("supply: rotates the other way than configured".to_owned());
    }
    if let Some(lost) = wiring.lost_phase {
        leads.push(format!("supply to the pump: phase {} carries no current (not a metering mistake)", lost.label()));
    }
    leads
}

fn findings_text(out: &mut String, findings: &[Finding], live: bool) {
    let of = |wanted: fn(&Outcome) -> bool| findings.iter().filter(move |f| wanted(&f.outcome));
    let failed: Vec<_> = of(|o| *o == Outcome::Failed).collect();
    if failed.is_empty() {
        line(out, "  Failing checks: none");
    } else {
        line(out, "  Failing checks");
        for finding in failed {
            let channel = finding.channel.map_or_else(String::new, |k| format!(", channel {}", k + 1));
            paragraph(out, "    ", &format!("{}{channel}: {}", words::check_title(finding.check), finding.detail));
        }
    }
    if !live {
        return; // Nothing is checkable without values; the failed reads are told above.
    }
    let mut missing: Vec<String> = Vec::new();
    for finding in findings {
        if let Outcome::NotCheckable(why) = &finding.outcome {
            let text = format!("{}: {why}", words::check_title(finding.check));
            if !missing.contains(&text) {
                missing.push(text);
            }
        }
    }
    if !missing.is_empty() {
        line(out, "  Not checkable");
        for text in missing {
            paragraph(out, "    ", &text);
        }
    }
}

fn corrected_text(out: &mut String, power: &CorrectedPower) {
    line(out, "  Corrected power (as the intended wiring would register it)");
    for phase in Phase::ALL {
        let s = power.per_phase_va[phase.index()] / 1000.0;
        line(out, &format!("    phase {}  {:>9.2} kW {:>9.2} kvar", phase.label(), s.re, s.im));
    }
    line(
        out,
        &format!(
            "    total    {:>9.2} kW {:>9.2} kvar   PF {:.3}   (give or take {:.2} kW)",
            power.total_w / 1000.0,
            power.total_var / 1000.0,
            power.power_factor,
            power.uncertainty_w / 1000.0
        ),
    );
}

fn line(out: &mut String, text: &str) {
    out.push_str(text);
    out.push('\n');
}

/// Breaks long text at 100 columns, later lines indented under the first.
pub(super) fn paragraph(out: &mut String, lead: &str, text: &str) {
    const WIDTH: usize = 100;
    let indent = " ".repeat(lead.len());
    let mut column = lead.len();
    out.push_str(lead);
    for (n, word) in text.split_whitespace().enumerate() {
        if n > 0 && column + 1 + word.chars().count() > WIDTH {
            out.push('\n');
            out.push_str(&indent);
            column = indent.len();
        } else if n > 0 {
            out.push(' ');
            column += 1;
        }
        out.push_str(word);
        column += word.chars().count();
    }
    out.push('\n');
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::station::fixtures::{exchanged, failed_event, instant, snapshot_after, station_config};
    use crate::station::state::StationState;

    fn report(wiring: &Wiring, now_ms: u64) -> String {
        text(&[snapshot_after("Alder Creek Lift", wiring)], instant(now_ms))
    }

    #[test]
    fn the_report_of_a_miswired_pump() {
        insta::assert_snapshot!(report(&exchanged(), 7200));
    }

    #[test]
    fn the_report_of_a_sound_pump() {
        insta::assert_snapshot!(report(&Wiring::INTENDED, 7200));
    }

    #[test]
    fn cautions_come_before_the_first_lead() {
        let text = report(&exchanged(), 7200);
        assert!(text.starts_with("CAUTION"));
        assert!(text.find("Never open a CT secondary").unwrap() < text.find("exchanged").unwrap());
        assert!(!report(&Wiring::INTENDED, 7200).contains("CAUTION"));
    }

    #[test]
    fn old_values_are_never_printed_as_if_live() {
        let text = report(&Wiring::INTENDED, 60_000);
        assert!(text.contains("OLD VALUES, 53.0 s ago"), "{text}");
        assert!(text.contains("old 277.1"), "{text}");
        assert!(text.contains("Pump: unknown") && text.contains("Corrected power: none"), "{text}");
    }

    #[test]
    fn a_monitor_that_never_answered_is_named_with_the_reason() {
        let mut state = StationState::new(&station_config("Alder Creek Lift")).unwrap();
        state.take(0, failed_event(0));
        let text = text(&[Box::new(state.snapshot(instant(0)))], instant(100));
        assert!(text.contains("HAS NEVER ANSWERED") && text.contains("read failed: "), "{text}");
        assert!(text.contains("NOTHING TO JUDGE BY YET"), "{text}");
    }

    #[test]
    fn every_lead_is_named() {
        let sees = |phase, reversed| CurrentSeen::Conductor { phase, reversed };
        let wiring = Wiring {
            voltage: [Phase::A, Phase::C, Phase::B],
            current: [sees(Phase::A, true), CurrentSeen::Nothing, sees(Phase::B, true)],
            lost_phase: Some(Phase::C),
            ..Wiring::INTENDED
        };
        assert_eq!(
            lead_by_lead(&wiring),
            [
                "voltage lead 1: on phase A, as it should be",
                "voltage lead 2: WRONG, on phase C, should be on B",
                "voltage lead 3: WRONG, on phase B, should be on C",
                "CT 1: WRONG, the wrong way round",
                "CT 2: WRONG, gives no current: open, shorted, a lead off, or on another pump",
                "CT 3: WRONG, sees phase B, should see C, and the wrong way round",
                "supply to the pump: phase C carries no current (not a metering mistake)",
            ]
        );
    }
}
