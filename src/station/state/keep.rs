//! The image of what a station has learnt of a monitor and its circuits, for the history's store, and its return.
//!
//! An image is a version byte, the SHA-256 of what it was learnt under (the circuits' names and audit contexts, and the register
//! map), the SHA-256 of what follows, and then the state in CBOR, field by field with names. Must never take up what was learnt
//! under other settings, and never fail on an image: what cannot be taken up is told and the audit begins anew.

use std::sync::Arc;

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use super::{Circuit, DiagnosisKey, Monitor, StationState};
use crate::audit::absence::Absence;
use crate::audit::energy::EnergyAccount;
use crate::audit::monitor::MonitorAuditor;
use crate::reading::Instant2;
use crate::station::news::Debounced;
use crate::station::register_watch::KeptWatch;
use crate::station::snapshot::SteadyRun;

/// Raised whenever a state comes to mean something else under the same names.
const VERSION: u8 = 1;
/// Bytes of a SHA-256.
const HASH: usize = 32;

/// What is kept of a monitor, borrowed to write it and owned once read.
#[derive(Serialize, Deserialize)]
struct Image<Audit, OfCircuit> {
    at: Instant2,
    audit: Audit,
    circuits: Vec<OfCircuit>,
    /// The watch over the register map; an image of before it was kept has none.
    #[serde(default)]
    registers: Option<KeptWatch>,
}

#[derive(Serialize, Deserialize)]
struct OfCircuit<Energy, Told> {
    energy: Energy,
    told: Told,
    /// The last steady reading of the running pump; an image of before it was kept has none.
    #[serde(default)]
    last_run: Option<SteadyRun>,
}

type Kept = Image<MonitorAuditor, OfCircuit<EnergyAccount, Debounced<DiagnosisKey>>>;

/// Why an image is not taken up.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum NotTakenUp {
    /// Another version of the program kept it.
    #[error("it was kept by another version of wattassay")]
    OtherVersion,
    /// Learnt under another configuration.
    #[error("the settings of its circuits or its register map are not those under which it was learnt")]
    Foreign,
    /// Not what was written.
    #[error("what was kept is damaged")]
    Damaged,
}

/// What came of one monitor's image.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TakenUp {
    /// The monitor.
    pub monitor: String,
    /// How long ago it was kept, ms, where the wall clock tells; or why the audit begins anew.
    pub outcome: Result<Option<u64>, NotTakenUp>,
}

impl TakenUp {
    /// Says it in the log.
    pub fn log(&self, station: &str) {
        let monitor = &self.monitor;
        match self.outcome {
            Ok(Some(away_ms)) => tracing::info!(
                station,
                "{station} / {monitor}: goes on with what was learnt before the restart, kept {:.0} s ago",
                away_ms as f64 / 1000.0
            ),
            Ok(None) => tracing::warn!(
                station,
                "{station} / {monitor}: goes on with what was learnt before the restart; the clock has gone back since, so \
                 it is not known how long ago that was"
            ),
            Err(why) => {
                tracing::warn!(station, "{station} / {monitor}: what was learnt before the restart is not used: {why}");
            }
        }
    }
}

impl StationState {
    /// The image of a monitor as it is at `at`; `None` where there is nothing to keep.
    pub fn image(&self, monitor: usize, at: Instant2) -> Option<Vec<u8>> {
        let entry = self.monitors.get(monitor)?;
        let circuits = entry.circuits.iter().map(|c| &self.circuits[*c]);
        let circuits = circuits
            .map(|c| OfCircuit {
                energy: &c.energy,
                told: &c.diagnosis,
                last_run: c.shown.last_run.as_deref().cloned(),
            })
            .collect();
        let image = Image { at, audit: entry.audit.auditor()?, circuits, registers: Some(entry.registers.kept()) };
        let mut body = Vec::new();
        ciborium::into_writer(&image, &mut body).ok()?;
        let learnt_under = learnt_under(entry, &self.circuits);
        let sum: [u8; HASH] = Sha256::digest(&body).into();
        Some([&[VERSION][..], &learnt_under, &sum, &body].concat())
    }

    /// How often the wiring of any of a monitor's circuits has been seen to change.
    pub fn epochs(&self, monitor: usize) -> u32 {
        let auditor = self.monitors.get(monitor).and_then(|entry| entry.audit.auditor());
        auditor.map_or(0, MonitorAuditor::epochs)
    }

    /// Takes up the monitors' images, one a monitor in the station's order, where nothing has been learnt since. What came of
    /// each is returned.
    pub fn take_up(&mut self, images: &[Option<Vec<u8>>], now: Instant2) -> Vec<TakenUp> {
        let mut came = Vec::new();
        for (index, image) in images.iter().enumerate() {
            let Some(entry) = self.monitors.get(index).filter(|entry| entry.shown.health.polls == 0) else { continue };
            let Some(image) = image else { continue };
            let monitor = entry.shown.name.clone();
            let outcome = opened(image, &learnt_under(entry, &self.circuits), entry.circuits.len());
            came.push(TakenUp { monitor, outcome: outcome.map(|kept| self.resume(index, kept, now)) });
        }
        came
    }

    fn resume(&mut self, monitor: usize, kept: Kept, now: Instant2) -> Option<u64> {
        let absence = Absence::new(kept.at, now);
        let entry = &mut self.monitors[monitor];
        let mut audit = kept.audit;
        audit.resume(&absence);
        entry.audit = Box::new(audit);
        if let Some(registers) = kept.registers {
            entry.registers.resume(registers);
        }
        for (index, kept) in entry.circuits.iter().zip(kept.circuits) {
            let circuit = &mut self.circuits[*index];
            let max_gap_ms = circuit.energy.max_gap_ms();
            circuit.energy = kept.energy;
            circuit.energy.resume(max_gap_ms, &absence);
            circuit.shown.energy = circuit.energy.report();
            circuit.diagnosis = kept.told;
            circuit.shown.last_run = kept.last_run.map(Arc::new);
        }
        absence.away_ms()
    }
}

/// The hash of everything that gives what was learnt its meaning.
fn learnt_under(monitor: &Monitor, circuits: &[Circuit]) -> [u8; HASH] {
    let names: Vec<&str> = monitor.circuits.iter().map(|c| circuits[*c].shown.name.as_str()).collect();
    // The debug form shows every field, and every number to its last digit.
    Sha256::digest(format!("{names:?} {:?} {:?}", monitor.contexts, monitor.map)).into()
}

fn opened(image: &[u8], learnt_under: &[u8; HASH], circuits: usize) -> Result<Kept, NotTakenUp> {
    let (version, rest) = image.split_first().ok_or(NotTakenUp::Damaged)?;
    if *version != VERSION {
        return Err(NotTakenUp::OtherVersion);
    }
    let (under, rest) = rest.split_first_chunk::<HASH>().ok_or(NotTakenUp::Damaged)?;
    let (sum, body) = rest.split_first_chunk::<HASH>().ok_or(NotTakenUp::Damaged)?;
    if *sum != <[u8; HASH]>::from(Sha256::digest(body)) {
        return Err(NotTakenUp::Damaged);
    }
    if under != learnt_under {
        return Err(NotTakenUp::Foreign);
    }
    // Whole, and yet not to be read: the program has changed.
    let kept: Kept = ciborium::from_reader(body).map_err(|_| NotTakenUp::OtherVersion)?;
    let fits = kept.circuits.len() == circuits && kept.audit.circuits().len() == circuits;
    if fits { Ok(kept) } else { Err(NotTakenUp::Damaged) }
}

#[cfg(test)]
#[path = "keep_tests.rs"]
mod tests;
