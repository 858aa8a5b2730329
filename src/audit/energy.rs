//! The energy account of one circuit: registered and true energy since the audit began and under the present wiring, and
//! the monitor's own register beside the integral of its power.
//!
//! A difference is given only where the diagnosis carries it; otherwise the reason stands in its place. Must never fill in
//! time that was not seen, but for the one estimate that says it does.

use serde::{Deserialize, Serialize};

use super::absence::Absence;
use super::assessment::{Assessment, RunState, Verdict};
use super::misregistration::{COVERAGE, EnergyMeter, MS_PER_HOUR, Misregistration, registered_w, registers_power};
use crate::reading::{CircuitReading, Instant2, Measured, MonoMs};

/// Sums that leave out more of the time than this say too little of the period.
pub const MOST_LEFT_OUT: f64 = 0.2;
/// Time audited before a rate is carried back to the date of a fault, ms: an hour.
pub const LEAST_FOR_ESTIMATE_MS: u64 = 3_600_000;

/// Why a difference of energies, or what follows from it, is not given.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Withheld {
    /// The map offers no active power.
    NotRegistered,
    /// Nothing to judge the wiring by yet.
    NoEvidence,
    /// Evidence seen, but it does not decide.
    Undecided,
    /// At no time was power corrected.
    NotCorrected,
    /// Too much of the time is left out.
    LeftOut,
}

impl Withheld {
    /// All reasons.
    pub const ALL: [Withheld; 5] =
        [Withheld::NotRegistered, Withheld::NoEvidence, Withheld::Undecided, Withheld::NotCorrected, Withheld::LeftOut];

    /// Stable word, for metrics and JSON.
    pub fn key(self) -> &'static str {
        match self {
            Withheld::NotRegistered => "not_registered",
            Withheld::NoEvidence => "no_evidence",
            Withheld::Undecided => "undecided",
            Withheld::NotCorrected => "not_corrected",
            Withheld::LeftOut => "left_out",
        }
    }

    /// The reason in two or three words, for a cell of a table.
    pub fn short(self) -> &'static str {
        match self {
            Withheld::NotRegistered => "no kW in map",
            Withheld::NoEvidence => "no data yet",
            Withheld::Undecided => "not decided",
            Withheld::NotCorrected => "not corrected",
            Withheld::LeftOut => "time left out",
        }
    }

    /// The reason in words.
    pub fn words(self) -> &'static str {
        match self {
            Withheld::NotRegistered => "the monitor's map offers no active power",
            Withheld::NoEvidence => "not enough data to judge the wiring yet",
            Withheld::Undecided => "the readings do not decide how the monitor is wired",
            Withheld::NotCorrected => "no power could be corrected yet",
            Withheld::LeftOut => {
                "in more than a fifth of the time power could not be corrected, or readings are missing"
            }
        }
    }
}

/// Whether the sums of a period may be given under a verdict.
pub fn withheld(sums: &Misregistration, verdict: Verdict) -> Option<Withheld> {
    match verdict {
        Verdict::NoEvidence => Some(Withheld::NoEvidence),
        Verdict::Undecided => Some(Withheld::Undecided),
        Verdict::Sound | Verdict::Fault if sums.covered_ms == 0 => Some(Withheld::NotCorrected),
        Verdict::Sound | Verdict::Fault => (sums.left_out_share() > MOST_LEFT_OUT).then_some(Withheld::LeftOut),
    }
}

/// Sums from an instant on.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Period {
    /// First reading of it; `None` before there is one.
    pub from: Option<Instant2>,
    /// The sums.
    pub sums: Misregistration,
    /// False while no reading has offered active power.
    pub registered: bool,
}

impl Period {
    /// Why the sums may not be given under a verdict; `None` when they may.
    pub fn withheld(&self, verdict: Verdict) -> Option<Withheld> {
        if self.from.is_some() && !self.registered {
            return Some(Withheld::NotRegistered);
        }
        withheld(&self.sums, verdict)
    }
}

/// What the monitor's own energy registers counted, beside the integral of its power over exactly the same time.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct RegisterAdvance {
    /// Advance of the import register, Wh.
    pub import_wh: f64,
    /// Advance of the export register, Wh; `None` when the map has none.
    pub export_wh: Option<f64>,
    /// Integral of registered power where it was positive, Wh.
    pub integral_import_wh: f64,
    /// Integral of registered power where it was negative, as a positive number, Wh.
    pub integral_export_wh: f64,
    /// Time compared, ms.
    pub covered_ms: u64,
    /// Times a register went backwards (reset, roll-over, or a net register under negative power); those steps are left out.
    pub backward_steps: u64,
}

/// Registers and power at one reading.
#[derive(Debug, Clone, Copy, Serialize, Deserialize)]
struct RegisterSample {
    at: MonoMs,
    import_wh: f64,
    export_wh: Option<f64>,
    power_w: f64,
}

/// The account of one circuit.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct EnergyAccount {
    max_gap_ms: u64,
    since_start: EnergyMeter,
    since_change: EnergyMeter,
    started_at: Option<Instant2>,
    changed_at: Option<Instant2>,
    registered: bool,
    last: Option<RegisterSample>,
    advance: Option<RegisterAdvance>,
}

/// What an account shows.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct EnergyReport {
    /// Since the audit began.
    pub since_start: Period,
    /// Since the wiring last changed; the same as since the start when it never did.
    pub since_change: Period,
    /// The monitor's registers; `None` where none is mapped or two readings of it have not come yet.
    pub register: Option<RegisterAdvance>,
}

impl EnergyAccount {
    /// An account that leaves out gaps longer than `max_gap_ms`.
    pub fn new(max_gap_ms: u64) -> EnergyAccount {
        EnergyAccount {
            max_gap_ms,
            since_start: EnergyMeter::with_max_gap(max_gap_ms),
            since_change: EnergyMeter::with_max_gap(max_gap_ms),
            started_at: None,
            changed_at: None,
            registered: false,
            last: None,
            advance: None,
        }
    }

    /// Goes on after an absence, leaving out gaps longer than `max_gap_ms` from now on.
    pub fn resume(&mut self, max_gap_ms: u64, absence: &Absence) {
        self.max_gap_ms = max_gap_ms;
        for meter in [&mut self.since_start, &mut self.since_change] {
            meter.resume(max_gap_ms, absence);
        }
        for at in [&mut self.started_at, &mut self.changed_at] {
            *at = at.map(|at| absence.instant(at));
        }
        self.last = self.last.and_then(|last| Some(RegisterSample { at: absence.mono(last.at)?, ..last }));
    }

    /// Longest gap that is bridged, ms.
    pub fn max_gap_ms(&self) -> u64 {
        self.max_gap_ms
    }

    /// Begins the sums of the present wiring anew: somebody moved a lead. What was summed since the start stays, and the
    /// span across the change belongs to no wiring.
    pub fn restart(&mut self, at: Instant2) {
        self.since_change = EnergyMeter::with_max_gap(self.max_gap_ms);
        self.changed_at = Some(at);
    }

    /// Takes one reading of the circuit and the assessment that followed from it.
    pub fn observe(&mut self, at: Instant2, circuit: &CircuitReading, assessment: &Assessment) {
        self.started_at.get_or_insert(at);
        self.changed_at.get_or_insert(at);
        self.registered |= registers_power(circuit);
        let power_w = if registers_power(circuit) { registered_w(circuit) } else { None };
        if let Some(power_w) = power_w {
            let running = assessment.run_state != RunState::Stopped;
            for meter in [&mut self.since_start, &mut self.since_change] {
                meter.observe(at.mono, power_w, running, assessment.corrected.as_ref());
            }
        }
        self.compare_registers(at.mono, circuit, power_w);
    }

    /// What the account shows now.
    pub fn report(&self) -> EnergyReport {
        let registered = self.registered;
        EnergyReport {
            since_start: Period { from: self.started_at, sums: self.since_start.sums(), registered },
            since_change: Period { from: self.changed_at, sums: self.since_change.sums(), registered },
            register: self.advance,
        }
    }

    fn compare_registers(&mut self, at: MonoMs, circuit: &CircuitReading, power_w: Option<f64>) {
        let export = circuit.energy_export_wh;
        let (Some(import_wh), Some(power_w)) = (circuit.energy_import_wh.good(), power_w) else { return };
        if matches!(export, Measured::Failed | Measured::Stale(_) | Measured::OutOfRange(_)) {
            return;
        }
        let sample = RegisterSample { at, import_wh, export_wh: export.good(), power_w };
        let Some(last) = self.last.replace(sample) else { return };
        let span_ms = at.since(last.at);
        if span_ms > self.max_gap_ms {
            return;
        }
        let advance = self.advance.get_or_insert_default();
        let import_step_wh = sample.import_wh - last.import_wh;
        let export_step_wh = last.export_wh.zip(sample.export_wh).map(|(before, after)| after - before);
        if import_step_wh < 0.0 || export_step_wh.is_some_and(|step| step < 0.0) {
            advance.backward_steps += 1;
            return;
        }
        advance.import_wh += import_step_wh;
        if let Some(step_wh) = export_step_wh {
            *advance.export_wh.get_or_insert(0.0) += step_wh;
        }
        let hours = span_ms as f64 / MS_PER_HOUR;
        let clipped = |clip: fn(f64) -> f64| f64::midpoint(clip(last.power_w), clip(power_w)) * hours;
        advance.integral_import_wh += clipped(|power_w| power_w.max(0.0));
        advance.integral_export_wh += clipped(|power_w| (-power_w).max(0.0));
        advance.covered_ms += span_ms;
    }
}

/// Energy misregistered since a date that a person gave: an estimate, for most of that time was not audited.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SinceFault {
    /// From the date to now, ms.
    pub elapsed_ms: u64,
    /// The difference an hour under the present wiring, as audited, times the time since the date, Wh.
    pub estimate_wh: f64,
    /// Lowest it can be, Wh.
    pub lowest_wh: f64,
    /// Highest it can be, Wh.
    pub highest_wh: f64,
}

/// Why there is no such estimate.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NoEstimate {
    /// The energies under it are withheld themselves.
    Withheld(Withheld),
    /// The circuit is sound: there is no fault to date.
    Sound,
    /// Less than an hour is audited, or the pump did not run in it.
    TooShort,
    /// The date lies ahead.
    NotYet,
}

impl NoEstimate {
    /// Stable word, for JSON.
    pub fn key(self) -> &'static str {
        match self {
            NoEstimate::Withheld(reason) => reason.key(),
            NoEstimate::Sound => "sound",
            NoEstimate::TooShort => "too_short",
            NoEstimate::NotYet => "date_ahead",
        }
    }

    /// The reason in words.
    pub fn words(self) -> &'static str {
        match self {
            NoEstimate::Withheld(reason) => reason.words(),
            NoEstimate::Sound => "metering is correct now, so there is no rate to carry back",
            NoEstimate::TooShort => "less than an hour is audited under this wiring, or the pump has not run in it",
            NoEstimate::NotYet => "the date lies ahead",
        }
    }
}

/// Carries the audited rate back over `elapsed_ms`, the time since the date given.
///
/// The estimate takes the pump to have run as much, and as hard, as in the time audited. How much it really ran is not
/// known, so the bounds reach from a pump that never ran (nothing misregistered) to one that always ran (the rate while
/// running, by [`COVERAGE`] standard uncertainties more). That it ran at much the same load stays assumed.
pub fn since_fault(period: &Period, verdict: Verdict, elapsed_ms: i64) -> Result<SinceFault, NoEstimate> {
    let elapsed_ms = u64::try_from(elapsed_ms).map_err(|_| NoEstimate::NotYet)?;
    if let Some(reason) = period.withheld(verdict) {
        return Err(NoEstimate::Withheld(reason));
    }
    if verdict != Verdict::Fault {
        return Err(NoEstimate::Sound);
    }
    let sums = &period.sums;
    if sums.covered_ms < LEAST_FOR_ESTIMATE_MS || sums.running_ms == 0 {
        return Err(NoEstimate::TooShort);
    }
    let elapsed = elapsed_ms as f64;
    let always = elapsed / sums.running_ms as f64;
    let reach_wh = COVERAGE * sums.uncertainty_wh;
    let ends = [0.0, (sums.difference_wh() - reach_wh) * always, (sums.difference_wh() + reach_wh) * always];
    Ok(SinceFault {
        elapsed_ms,
        estimate_wh: sums.difference_wh() * elapsed / sums.covered_ms as f64,
        lowest_wh: ends.into_iter().fold(f64::INFINITY, f64::min),
        highest_wh: ends.into_iter().fold(f64::NEG_INFINITY, f64::max),
    })
}

#[cfg(test)]
#[path = "energy_tests.rs"]
mod tests;
