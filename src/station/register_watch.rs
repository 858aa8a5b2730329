//! Watches one monitor for a wrong register map: only while its readings look wrong, so that a healthy one pays for a few
//! comparisons a poll.
//!
//! Three readings in a row that look wrong begin a suspicion, ten of a running pump that look right end it. Must never
//! change the map.

use std::sync::Arc;

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use crate::audit::assessment::{Assessment, Check, Outcome, RunState};
use crate::audit::register_fault::expected::Expected;
use crate::audit::register_fault::glance::looks_wrong;
use crate::audit::register_fault::ledger::{ENOUGH, Ledger};
use crate::audit::register_fault::plausibility::score;
use crate::audit::register_fault::{RegisterFault, SAID_ABOVE};
use crate::modbus::alternatives::{Change, RawImage, changes};
use crate::modbus::map::MeterMap;
use crate::reading::MonitorReading;

/// Wrong readings in a row that begin a suspicion.
const TO_SUSPECT: u32 = 3;
/// Right readings in a row, of a running pump, that end it.
const TO_CLEAR: u32 = 10;
/// A fault that was said is taken back below this.
const TAKEN_BACK_BELOW: f64 = crate::audit::bars::REGISTER_FAULT_TAKEN_BACK;
/// After this many readings, one in so many is still weighed: they hardly tell anything new.
const WELL_KNOWN: u32 = 60;
const THEN_EVERY: u32 = 10;

/// What the circuits of a monitor say of a reading, as far as the map may be to blame.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Signs {
    /// A check has failed that a wrong map makes fail.
    pub failing: bool,
    /// A pump runs, so that load-dependent checks speak.
    pub running: bool,
    /// Values are frozen while the pump runs.
    pub frozen: bool,
}

impl Signs {
    /// Adds what one circuit's assessment says.
    pub fn note(&mut self, assessment: &Assessment) {
        self.running |= assessment.run_state == RunState::Running;
        for finding in assessment.findings.iter().filter(|finding| finding.outcome == Outcome::Failed) {
            match finding.check {
                Check::PlausibleValues
                | Check::ApparentPowerConsistency
                | Check::PowerTriangle
                | Check::PowerFactorConsistency
                | Check::SumOfChannels
                | Check::VoltageMissing => self.failing = true,
                Check::ValuesMoving => self.frozen = true,
                _ => {}
            }
        }
    }
}

/// One monitor under watch.
#[derive(Debug)]
pub struct RegisterWatch {
    expected: Expected,
    wrong: u32,
    right: u32,
    suspicion: Option<Box<Suspicion>>,
    shown: Option<Arc<RegisterFault>>,
    /// A suspicion of before a restart, until it is known whether it is of the map that is read by.
    kept: Option<KeptSuspicion>,
}

/// What of a watch outlives a restart.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct KeptWatch {
    wrong: u32,
    right: u32,
    suspicion: Option<KeptSuspicion>,
}

/// The same of a suspicion. The texts of a fault are made anew from the first reading.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct KeptSuspicion {
    /// Of the map and the changes weighed: evidence says nothing of others.
    weighed: [u8; 32],
    ledger: Ledger,
    seen: u32,
    said: Option<usize>,
}

/// The explanations that compete while something looks wrong.
#[derive(Debug)]
struct Suspicion {
    map: Arc<MeterMap>,
    changes: Vec<Change>,
    ledger: Ledger,
    seen: u32,
    said: Option<usize>,
}

impl RegisterWatch {
    /// A monitor of which this is known.
    pub fn new(expected: Expected) -> RegisterWatch {
        RegisterWatch { expected, wrong: 0, right: 0, suspicion: None, shown: None, kept: None }
    }

    /// What is sure enough to be shown.
    pub fn shown(&self) -> Option<Arc<RegisterFault>> {
        self.shown.clone()
    }

    /// What is to outlive a restart.
    pub fn kept(&self) -> KeptWatch {
        // One that has not been taken up yet is kept on.
        let suspicion = self.suspicion.as_ref().map(|suspicion| suspicion.kept()).or_else(|| self.kept.clone());
        KeptWatch { wrong: self.wrong, right: self.right, suspicion }
    }

    /// Goes on with what was kept.
    pub fn resume(&mut self, kept: KeptWatch) {
        (self.wrong, self.right, self.kept) = (kept.wrong, kept.right, kept.suspicion);
    }

    /// Takes up a suspicion of before a restart, if it is of this map, and says again what was said.
    fn take_up(&mut self, reading: &MonitorReading, raw: &RawImage) {
        let Some(kept) = self.kept.take() else { return };
        let Some(mut suspicion) = Suspicion::resumed(&raw.map, kept) else {
            (self.wrong, self.right) = (0, 0);
            return;
        };
        if suspicion.said.is_some() {
            self.shown = suspicion.fault(reading, raw).map(Arc::new);
        }
        self.suspicion = Some(Box::new(suspicion));
    }

    /// Takes one reading, the words it was decoded from, and what the circuits say of it.
    pub fn take(&mut self, reading: &MonitorReading, raw: Option<&RawImage>, signs: Signs) {
        let Some(raw) = raw else { return };
        self.take_up(reading, raw);
        if signs.frozen {
            // One moment shown again and again says nothing more of the map, and a gateway that does so is no wrong map.
            return;
        }
        if signs.failing || looks_wrong(reading, &self.expected) {
            self.wrong = self.wrong.saturating_add(1);
            self.right = 0;
        } else {
            self.wrong = 0;
            // A standing pump neither clears nor confirms.
            self.right = self.right.saturating_add(u32::from(signs.running));
        }
        if self.wrong >= TO_SUSPECT {
            let expected = &self.expected;
            let suspicion = match &mut self.suspicion {
                Some(known) if Arc::ptr_eq(&known.map, &raw.map) => known,
                other => other.insert(Box::new(Suspicion::of(&raw.map))),
            };
            if suspicion.weigh(reading, raw, expected) {
                self.shown = suspicion.fault(reading, raw).map(Arc::new);
            }
        } else if self.right >= TO_CLEAR && self.suspicion.take().is_some() {
            self.shown = None;
        }
    }
}

impl Suspicion {
    fn of(map: &Arc<MeterMap>) -> Suspicion {
        let (changes, odds): (Vec<Change>, Vec<f64>) = changes(map).into_iter().unzip();
        Suspicion { map: Arc::clone(map), changes, ledger: Ledger::new(&odds), seen: 0, said: None }
    }

    /// Goes on with what was kept; `None` when that was of another map, or of other changes to it.
    fn resumed(map: &Arc<MeterMap>, kept: KeptSuspicion) -> Option<Suspicion> {
        let fresh = Suspicion::of(map);
        let fits = kept.weighed == fresh.weighed()
            && kept.ledger.alterations() == fresh.changes.len()
            && kept.said.is_none_or(|said| said < fresh.changes.len());
        fits.then_some(Suspicion { ledger: kept.ledger, seen: kept.seen, said: kept.said, ..fresh })
    }

    fn kept(&self) -> KeptSuspicion {
        let (ledger, weighed) = (self.ledger.clone(), self.weighed());
        KeptSuspicion { weighed, ledger, seen: self.seen, said: self.said }
    }

    /// The hash of what gives the ledger its meaning. The debug form shows every field, and every number to its last digit.
    fn weighed(&self) -> [u8; 32] {
        Sha256::digest(format!("{:?} {:?}", self.map, self.changes)).into()
    }

    /// Weighs one reading; false when it was left out because enough is known.
    fn weigh(&mut self, reading: &MonitorReading, raw: &RawImage, expected: &Expected) -> bool {
        self.seen = self.seen.wrapping_add(1);
        if self.ledger.readings() >= WELL_KNOWN && !self.seen.is_multiple_of(THEN_EVERY) {
            return false;
        }
        weigh(&mut self.ledger, &self.changes, reading, raw, expected);
        true
    }

    fn fault(&mut self, reading: &MonitorReading, raw: &RawImage) -> Option<RegisterFault> {
        let (leader, probability) = self.ledger.conclusion().leader?;
        let enough = if self.said == Some(leader) { TAKEN_BACK_BELOW } else { SAID_ABOVE };
        let sure = self.ledger.readings() >= ENOUGH && probability >= enough;
        self.said = sure.then_some(leader);
        sure.then(|| raw.told(self.changes[leader], Some(probability), reading.at))
    }
}

fn weigh(ledger: &mut Ledger, changes: &[Change], reading: &MonitorReading, raw: &RawImage, expected: &Expected) {
    let right = score(reading, expected);
    let altered = changes.iter().map(|change| score(&raw.decoded(*change, reading.at), expected).fits);
    ledger.take(right.fits, right.nothing, altered);
}

/// What a single reading tells of the map it was made with, for somebody who tries one by hand.
pub fn of_one_reading(reading: &MonitorReading, raw: &RawImage, expected: &Expected) -> Option<RegisterFault> {
    let (change, probability, _) = leading(reading, raw, expected)?;
    (probability >= SAID_ABOVE).then(|| raw.told(change, Some(probability), reading.at))
}

/// The likeliest change by one reading, its probability, and that of the map being right.
pub(crate) fn leading(reading: &MonitorReading, raw: &RawImage, expected: &Expected) -> Option<(Change, f64, f64)> {
    let (changes, odds): (Vec<Change>, Vec<f64>) = changes(&raw.map).into_iter().unzip();
    let mut ledger = Ledger::new(&odds);
    weigh(&mut ledger, &changes, reading, raw, expected);
    let conclusion = ledger.conclusion();
    conclusion.leader.map(|(index, probability)| (changes[index], probability, conclusion.right))
}

#[cfg(test)]
#[path = "register_watch_tests.rs"]
pub(crate) mod tests;
