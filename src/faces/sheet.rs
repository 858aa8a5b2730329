//! The field sheet: what one printed page tells a technician about one circuit. Here its content, from a snapshot; the text
//! and HTML renderers only lay it out.
//!
//! Cautions come first, always. Must never decide anything, nor show old values as if of now.

use std::borrow::Cow;
use std::fmt::Write;

use super::json::rfc3339;
use super::phasor_svg::Arrow;
use super::report;
use crate::audit::advice;
use crate::audit::assessment::{Assessment, CorrectedPower, Verdict};
use crate::audit::context::ServiceKind;
use crate::audit::field_check::FieldCheck;
use crate::audit::plan;
use crate::audit::wiring::Wiring;
use crate::audit::words;
use crate::config::model::StationConfig;
use crate::electrical::angle::wrap_deg;
use crate::reading::{CircuitReading, Instant2, Measured, MonitorReading, Phase, Rotation, UnixMs};
use crate::station::context::service_kind;
use crate::station::snapshot::{CircuitSnapshot, Freshness, MonitorSnapshot, StationSnapshot};

/// Alternatives listed; the report has them all.
const ALTERNATIVES: usize = 2;
/// Below this a channel shows no current worth an arrow, A.
const NO_CURRENT_A: f64 = 0.1;
/// Failing checks listed.
const REASONS: usize = 3;
/// A leader below this is one of many: its leads are not listed as if they were the finding.
const WORTH_LEADS: f64 = 0.5;

/// What the sheet needs to know that no snapshot carries.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Expected {
    /// Voltage system.
    pub service: ServiceKind,
    /// Rotation at the monitor's terminals.
    pub rotation: Rotation,
    /// Voltage between phases, V.
    pub nominal_voltage_v: f64,
}

impl Expected {
    /// What a station's configuration says.
    pub fn of(station: &StationConfig) -> Expected {
        Expected {
            service: service_kind(station.service),
            rotation: station.rotation,
            nominal_voltage_v: station.nominal_voltage_v,
        }
    }

    /// Angles of the voltage channels of leads as intended, degrees against channel 1.
    fn voltage_deg(self) -> [f64; 3] {
        [0, 1, 2].map(|k| self.deg(self.service.voltage_step(k, Phase::ALL)))
    }

    /// Angle of the voltage that a phase's current meets in its own load, degrees against channel 1.
    fn current_deg(self, phase: Phase) -> f64 {
        self.deg(self.service.current_step(phase))
    }

    fn deg(self, step: i32) -> f64 {
        let mirror = if self.rotation == Rotation::Acb { -1.0 } else { 1.0 };
        wrap_deg(mirror * 30.0 * f64::from(step - self.service.voltage_step(0, Phase::ALL)))
    }

    /// True when a channel's voltage exists in this service.
    fn has(self, k: usize) -> bool {
        self.service.channels().contains(&k)
    }

    /// Voltage that a phase's current is reckoned with, V, when channel `k` reads `volts`.
    fn phase_v(self, k: usize, volts: f64) -> f64 {
        let share = volts / self.service.nominal_channel_v(k, self.nominal_voltage_v);
        share
            * match self.service {
                ServiceKind::SinglePhase => self.nominal_voltage_v,
                ServiceKind::SplitPhase => 0.5 * self.nominal_voltage_v,
                _ => self.nominal_voltage_v / 3f64.sqrt(),
            }
    }
}

/// One arrow's values, for table and picture; `None` where the monitor gives none.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Phasor {
    /// Volts or amps.
    pub size: Option<f64>,
    /// Degrees against voltage 1.
    pub angle_deg: Option<f64>,
}

/// Voltages and currents of the three channels.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Picture {
    /// Voltage channels.
    pub voltage: [Phasor; 3],
    /// Current channels.
    pub current: [Phasor; 3],
    /// What must be known about where the angles come from.
    pub note: String,
}

/// A check with what it is expected to show.
#[derive(Debug, Clone, PartialEq)]
pub struct CheckRow {
    /// What to do.
    pub instruction: String,
    /// Done beside energised parts.
    pub live: bool,
    /// What it shows when the suspicion is right.
    pub expected: String,
    /// What is to be written in the box: "volts", "phase", ...
    pub unit: &'static str,
    /// What it is expected to settle; empty when it only confirms.
    pub worth: String,
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
    /// Verdict in capitals.
    pub verdict: String,
    /// What is suspected.
    pub suspicion: String,
    /// Lead by lead, where something is wrong.
    pub leads: Vec<String>,
    /// Why.
    pub reasons: Vec<String>,
    /// What else it could be.
    pub alternatives: Vec<String>,
    /// What people found already.
    pub found: Vec<String>,
    /// As the monitor reports.
    pub reported: Picture,
    /// As a rightly wired monitor would report the same load.
    pub intended: Picture,
    /// Heading of the checks.
    pub checks_title: &'static str,
    /// Checks in order.
    pub checks: Vec<CheckRow>,
    /// Heading of the remedy.
    pub remedy_title: Cow<'static, str>,
    /// Steps in order.
    pub remedy: Vec<String>,
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
        verdict: words::verdict_words(verdict).to_uppercase(),
        suspicion: assessment.map_or_else(|| "no reading of this circuit yet".to_owned(), words::headline),
        leads: Vec::new(),
        reasons: Vec::new(),
        alternatives: Vec::new(),
        found: circuit.checks.iter().map(report::recorded_words).collect(),
        reported: Picture::default(),
        intended: Picture::default(),
        checks_title: "Checks: none",
        checks: Vec::new(),
        remedy_title: "Remedy: none yet".into(),
        remedy: vec!["First settle what is wrong. Enter what the checks showed and print this sheet again.".to_owned()],
    };
    (sheet.reported, sheet.intended) = pictures(station, circuit, expected);
    if let Some(assessment) = assessment {
        tell(&mut sheet, assessment);
        act(&mut sheet, assessment);
    }
    sheet
}

/// The phasors of a circuit as its monitor reports them, and as they would be with every lead on its own phase.
pub fn pictures(station: &StationSnapshot, circuit: &CircuitSnapshot, expected: Expected) -> (Picture, Picture) {
    let reading = station.monitor_of(circuit).and_then(|m| m.reading.as_deref());
    let reported = match (reading, station.reported(circuit)) {
        (Some(reading), Some(values)) => reported(reading, values, expected),
        _ => Picture::default(),
    };
    let assessment = circuit.assessment.as_deref();
    let corrected = assessment.and_then(|a| a.corrected.as_ref());
    let leader = assessment.and_then(|a| a.diagnosis.groups.first()?.members.first().map(|m| m.wiring));
    let intended = intended(&reported, corrected, &leader.unwrap_or(Wiring::INTENDED), expected);
    (reported, intended)
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
    let members = report::printed_members(&diagnosis.groups);
    if let Some((_, wiring)) = members.first().filter(|(probability, _)| *probability >= WORTH_LEADS) {
        sheet.leads = report::lead_by_lead(wiring)
            .into_iter()
            .filter(|l| l.contains("WRONG") || l.starts_with("supply"))
            .collect();
    }
    for finding in
        assessment.findings.iter().filter(|f| f.outcome == crate::audit::assessment::Outcome::Failed).take(REASONS)
    {
        let channel = finding.channel.map_or_else(String::new, |k| format!(", channel {}", k + 1));
        sheet.reasons.push(format!("{}{channel}: {}", words::check_title(finding.check), finding.detail));
    }
    sheet.reasons.push(format!(
        "Power is registered right: {}. No wiring considered explains the readings: {}. From {} steady readings at {} load \
         level{} of {}.",
        words::percent(diagnosis.sound_probability),
        words::percent(diagnosis.unexplained_probability),
        diagnosis.readings_used,
        diagnosis.load_levels,
        if diagnosis.load_levels == 1 { "" } else { "s" },
        words::level_words(diagnosis.level)
    ));
    let others = members.len().saturating_sub(1);
    for (probability, wiring) in members.iter().skip(1).take(ALTERNATIVES) {
        sheet.alternatives.push(format!("{}: {}", words::percent(*probability), words::describe_wiring(wiring)));
    }
    if others > ALTERNATIVES {
        sheet.alternatives.push(format!("and {} more of 1 % or above", others - ALTERNATIVES));
    }
}

fn act(sheet: &mut Sheet, assessment: &Assessment) {
    let diagnosis = &assessment.diagnosis;
    let advice = advice::advice(diagnosis);
    let leader = advice::open_wirings(diagnosis).first().map(|w| w.wiring);
    let row = |check: FieldCheck, expected: String, worth: &str| CheckRow {
        instruction: check.words(),
        live: check.energised(),
        expected,
        unit: unit(check),
        worth: worth.to_owned(),
    };
    if !advice.checks.is_empty() {
        sheet.checks_title = "Checks, the most telling for the effort first";
        let shows = |check: FieldCheck| leader.map_or_else(String::new, |w| check.shows(&w).words());
        sheet.checks = advice.checks.iter().map(|w| row(w.check, shows(w.check), w.words())).collect();
    }
    if let (Some((probability, moves)), Some(wiring)) = (&advice.remedy, &leader) {
        sheet.checks_title = "Confirm before moving anything";
        sheet.checks =
            advice::confirm(wiring, moves).into_iter().map(|c| row(c, c.shows(wiring).words(), "")).collect();
        sheet.remedy_title =
            format!("Remedy, only if every check confirms ({} sure)", words::percent(*probability)).into();
        sheet.remedy = moves.iter().map(|m| m.words()).collect();
        sheet.remedy.push(report::AFTERWARDS.to_owned());
    } else if let Some(phase) = advice.lost_phase {
        sheet.remedy_title = "Remedy".into();
        sheet.remedy = vec![report::lost_phase_words(phase)];
        sheet.checks_title = "Confirm";
        let check = FieldCheck::ClampCurrent(phase.index());
        sheet.checks = vec![row(check, "clamp meter and monitor both show about 0 A".to_owned(), "")];
    } else if diagnosis.verdict == Verdict::Sound {
        sheet.remedy_title = "Remedy: nothing to move".into();
        sheet.remedy = Vec::new();
    } else if diagnosis.verdict == Verdict::Fault && advice.checks.is_empty() {
        sheet.remedy_title = "Remedy: no lead to move".into();
        sheet.remedy = vec![
            "No lead is found wrong, but the numbers are: look at the monitor's settings and its register map."
                .to_owned(),
        ];
    } else if diagnosis.verdict == Verdict::NoEvidence {
        sheet.remedy = vec!["Run the pump for a minute and print this sheet again.".to_owned()];
    }
}

fn unit(check: FieldCheck) -> &'static str {
    match check {
        FieldCheck::PhaseIdentity(..) => "volts",
        FieldCheck::TracePair(_) => "phase A / B / C",
        FieldCheck::LoopResistance(_) => "ohms",
        FieldCheck::Polarity(_) => "right / reversed",
        FieldCheck::ClampCurrent(_) => "clamp A / monitor A",
        FieldCheck::Display => "kW, kvar, PF with signs",
        FieldCheck::Rotation => "ABC / ACB",
    }
}

fn usable(value: Measured) -> Option<f64> {
    match value {
        Measured::Good(v) | Measured::Stale(v) => Some(v),
        _ => None,
    }
}

/// The phasors as the monitor reports them. Angles it does not give are taken from power where that says them.
fn reported(monitor: &MonitorReading, circuit: &CircuitReading, expected: Expected) -> Picture {
    let nominal = expected.voltage_deg();
    let measured = monitor.voltage_angle_deg.map(usable);
    let all_measured = (0..3).all(|k| measured[k].is_some() || !expected.has(k));
    let mut picture = Picture::default();
    let mut notes = Vec::new();
    if !all_measured {
        notes.push(format!(
            "voltage angles are assumed (rotation {}), the monitor gives none",
            expected.rotation.label()
        ));
    }
    let mut assumed_lag = false;
    let mut without = false;
    for k in 0..3 {
        if !expected.has(k) {
            continue;
        }
        let voltage_deg = if all_measured { measured[k].unwrap_or(0.0) } else { nominal[k] };
        picture.voltage[k] = Phasor { size: usable(monitor.voltage_ln_v[k]), angle_deg: Some(voltage_deg) };
        let size = usable(circuit.current_a[k]);
        let (p, q) = (usable(circuit.active_power_w[k]), usable(circuit.reactive_power_var[k]));
        let from_pf = || {
            let va = size? * usable(monitor.voltage_ln_v[k])?;
            let pf = usable(circuit.power_factor[k]).or_else(|| Some(p? / va))?;
            pf.is_finite().then(|| pf.clamp(-1.0, 1.0).acos().to_degrees())
        };
        let alive = size.is_some_and(|a| a >= NO_CURRENT_A);
        let angle_deg = match (usable(circuit.current_angle_deg[k]), p, q) {
            _ if !alive => None,
            (Some(angle), ..) => Some(angle),
            (None, Some(p), Some(q)) => Some(wrap_deg(voltage_deg - q.atan2(p).to_degrees())),
            _ => from_pf().map(|lag| {
                assumed_lag = true;
                wrap_deg(voltage_deg - lag)
            }),
        };
        without |= alive && angle_deg.is_none();
        picture.current[k] = Phasor { size, angle_deg };
    }
    if assumed_lag {
        notes.push("currents are drawn as lagging; the monitor does not say lag or lead".to_owned());
    }
    if picture.current.iter().all(|c| c.size.is_some_and(|a| a < NO_CURRENT_A)) {
        notes.push("no current when this was printed: the pump is stopped".to_owned());
    }
    if without {
        notes.push("the monitor gives no angle of the currents: they are not drawn".to_owned());
    }
    picture.note = notes.join("; ");
    picture
}

/// The phasors of the same load, every lead on its own phase.
fn intended(reported: &Picture, corrected: Option<&CorrectedPower>, wiring: &Wiring, expected: Expected) -> Picture {
    /// Lag of a loaded motor, degrees, where the readings do not carry one yet.
    const TYPICAL_LAG_DEG: f64 = 32.0;
    let nominal = expected.voltage_deg();
    let mut picture = Picture::default();
    let sizes: Vec<f64> = reported.current.iter().filter_map(|c| c.size).filter(|a| *a >= NO_CURRENT_A).collect();
    let mean_a = (!sizes.is_empty()).then(|| sizes.iter().sum::<f64>() / sizes.len() as f64);
    for k in 0..3 {
        if !expected.has(k) {
            continue;
        }
        // Phase k's voltage is what the channel shows that is on this phase now.
        let on_phase =
            wiring.voltage_channel_of(Phase::from_index(k)).filter(|_| expected.service.symmetrical()).unwrap_or(k);
        let nominal_v = expected.service.nominal_channel_v(k, expected.nominal_voltage_v);
        let volts = reported.voltage[on_phase].size.unwrap_or(nominal_v);
        picture.voltage[k] = Phasor { size: Some(volts), angle_deg: Some(nominal[k]) };
        let current_deg = expected.current_deg(Phase::from_index(k));
        picture.current[k] = match corrected {
            Some(power) => {
                let s = power.per_phase_va[k];
                let size = if volts > 0.0 { s.norm() / expected.phase_v(k, volts) } else { 0.0 };
                let angle = (size > 0.0).then(|| wrap_deg(current_deg - s.im.atan2(s.re).to_degrees()));
                Phasor { size: Some(size), angle_deg: angle }
            }
            None => Phasor { size: mean_a, angle_deg: mean_a.map(|_| wrap_deg(current_deg - TYPICAL_LAG_DEG)) },
        };
    }
    picture.note = match (corrected, mean_a) {
        (Some(_), _) => "computed from the readings for the wiring suspected".to_owned(),
        (None, Some(_)) => {
            "an example: a motor that lags by 32 degrees, since the readings do not settle its own lag".to_owned()
        }
        (None, None) => "no current: only the voltages are drawn".to_owned(),
    };
    picture
}

impl Picture {
    /// What can be drawn of it.
    pub fn arrows(&self) -> Vec<Arrow> {
        let mut arrows = Vec::new();
        for (letter, phasors) in [("V", &self.voltage), ("I", &self.current)] {
            let longest = phasors.iter().filter_map(|p| p.size).fold(0.0, f64::max);
            for (k, phasor) in phasors.iter().enumerate() {
                if let (Some(size), Some(angle_deg)) = (phasor.size, phasor.angle_deg)
                    && size > 0.02 * longest
                    && longest.is_finite()
                {
                    arrows.push(Arrow {
                        label: format!("{letter}{}", k + 1),
                        length: size / longest,
                        angle_deg,
                        current: letter == "I",
                        channel: k,
                    });
                }
            }
        }
        arrows
    }
}

/// The plan of checks as a text to follow, behind the cautions; short when nothing is left to settle.
pub fn plan_text(station: &StationSnapshot, circuit: &CircuitSnapshot) -> String {
    let mut out = report::caution_text();
    let _ = writeln!(out, "\n{} / {}: plan of checks", station.station, circuit.name);
    let open = circuit.assessment.as_deref().map(|a| &a.diagnosis);
    let open = open.filter(|d| matches!(d.verdict, Verdict::Fault | Verdict::Undecided));
    let lines = open
        .and_then(|d| plan::plan(&advice::open_wirings(d), plan::DEPTH))
        .map(|root| plan::lines(&root))
        .unwrap_or_default();
    if lines.is_empty() {
        let judged = circuit.assessment.as_deref().is_some_and(|a| a.diagnosis.verdict != Verdict::NoEvidence);
        out.push_str(if judged {
            "  Nothing that a check at the panel would settle.\n"
        } else {
            "  Nothing to plan by yet: let the pump run for a minute, and print the plan again.\n"
        });
    }
    for line in lines {
        report::paragraph(&mut out, &format!("{:>3}. ", line.step), &line.instruction);
        for (found, then) in line.ways {
            report::paragraph(&mut out, "       - ", &format!("{found}: {then}"));
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Element voltages of a two-element service stand 60 degrees apart; a resistive load's currents 30 degrees either side.
    #[test]
    fn pictures_follow_the_service() {
        let expected = Expected { service: ServiceKind::TwoElement, rotation: Rotation::Abc, nominal_voltage_v: 480.0 };
        let near = |found: f64, deg: f64| assert!((found - deg).abs() < 1e-9, "{found} for {deg}");
        near(expected.voltage_deg()[0], 0.0);
        near(expected.voltage_deg()[2], 60.0);
        near(expected.current_deg(Phase::A), -30.0);
        near(expected.current_deg(Phase::C), 90.0);
        near(expected.phase_v(0, 480.0), 480.0 / 3f64.sqrt());
        let wye = Expected { service: ServiceKind::Wye4, ..expected };
        near(wye.voltage_deg()[1], -120.0);
        near(wye.phase_v(1, 270.0), 270.0);
    }
}
