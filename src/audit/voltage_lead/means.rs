//! The running mean of what a monitor's voltage channels show, of constant size, with its epochs.
//!
//! When three readings in a row disagree with the mean, the state of the leads has changed (or the running pumps have, on
//! a phase they hold up): the mean is dropped and an epoch begins. Must never weigh states by anything but the mean.

use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::VoltageService;
use super::model::Model;
use super::weigh::{VoltageDiagnosis, weigh_by};
use crate::electrical::angle::wrap_deg;

/// What the voltage channels show, as read or as mean. `None` is not mapped, blank or failed; 0 is a reading.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct VoltageMeans {
    /// To neutral, V.
    pub ln_v: [Option<f64>; 3],
    /// Between channels 1-2, 2-3, 3-1, V.
    pub ll_v: [Option<f64>; 3],
    /// Of the voltages to neutral, degrees, any reference. All three or they are not used.
    pub angle_deg: [Option<f64>; 3],
}

/// What adding a reading did.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Change {
    /// The reading says nothing at all, or not a possible value; it was left out.
    Ignored,
    /// It agrees with the mean, or is the first.
    Agrees,
    /// It disagrees with the mean and was left out so far.
    Contradicts,
    /// Enough of them disagreed: the mean starts again from this reading.
    NewEpoch,
}

/// Readings after which the mean forgets the oldest.
const MEMORY_READINGS: f64 = 60.0;
/// Readings in a row that contradict the mean before an epoch begins.
const CONTRADICTIONS: u32 = 3;
/// A voltage further from its mean than this share of nominal contradicts it; less is the supply's own wandering.
const STEP_SHARE: f64 = 0.06;
/// The same for angles between live channels, degrees.
const STEP_DEG: f64 = 10.0;
/// Movement of the mean since it was last weighed, share of nominal, below which the old weights stand.
const NEGLIGIBLE_SHARE: f64 = 0.003;
/// The same for angles, degrees.
const NEGLIGIBLE_DEG: f64 = 0.5;
/// A channel below this share of nominal has no angle to speak of.
const LIVE_SHARE: f64 = 0.2;

/// Evidence of one monitor's voltage channels.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct VoltageEvidence {
    service: VoltageService,
    #[serde(skip)]
    model: Model,
    mean: Option<VoltageMeans>,
    /// The mean when it was last weighed.
    weighed_at: Option<VoltageMeans>,
    /// What came of it.
    #[serde(skip)]
    diagnosis: Option<Arc<VoltageDiagnosis>>,
    readings: u64,
    contradictions: u32,
}

impl VoltageEvidence {
    /// Nothing seen yet.
    pub fn new(service: VoltageService) -> VoltageEvidence {
        let model = Model::of(service);
        VoltageEvidence {
            service,
            model,
            mean: None,
            weighed_at: None,
            diagnosis: None,
            readings: 0,
            contradictions: 0,
        }
    }

    /// Works out again what follows from what was kept.
    pub fn resume(&mut self) {
        self.model = Model::of(self.service);
        self.diagnosis = self.weighed_at.map(|at| Arc::new(weigh_by(&self.model, self.service, &at)));
    }

    /// Readings behind the present mean.
    pub fn readings(&self) -> u64 {
        self.readings
    }

    /// The present mean.
    pub fn mean(&self) -> Option<&VoltageMeans> {
        self.mean.as_ref()
    }

    /// Adds a steady reading.
    pub fn add(&mut self, reading: &VoltageMeans) -> Change {
        let reading = reading.relative_to_first_angle();
        if !reading.is_possible() || reading.is_empty() {
            return Change::Ignored;
        }
        let Some(mean) = &mut self.mean else {
            self.begin(reading);
            return Change::Agrees;
        };
        let unit_v = self.service.unit_v();
        let moved = mean.movement(&reading, unit_v);
        if moved.is_none_or(|(share, deg)| share > STEP_SHARE || deg > STEP_DEG) {
            self.contradictions += 1;
            if self.contradictions < CONTRADICTIONS {
                return Change::Contradicts;
            }
            self.begin(reading);
            return Change::NewEpoch;
        }
        self.contradictions = 0;
        self.readings += 1;
        mean.blend(&reading, 1.0 / (self.readings as f64).min(MEMORY_READINGS));
        Change::Agrees
    }

    /// What the mean tells; `None` before the first reading. Weighed again only when the mean has moved.
    pub fn diagnosis(&mut self) -> Option<&Arc<VoltageDiagnosis>> {
        let mean = self.mean.as_ref()?;
        let unit_v = self.service.unit_v();
        let stands = self.weighed_at.as_ref().is_some_and(|at| {
            at.movement(mean, unit_v).is_some_and(|(share, deg)| share < NEGLIGIBLE_SHARE && deg < NEGLIGIBLE_DEG)
        });
        if !stands {
            self.weighed_at = Some(*mean);
            self.diagnosis = Some(Arc::new(weigh_by(&self.model, self.service, mean)));
        }
        self.diagnosis.as_ref()
    }

    fn begin(&mut self, reading: VoltageMeans) {
        self.mean = Some(reading);
        self.readings = 1;
        self.contradictions = 0;
    }
}

impl VoltageMeans {
    fn is_empty(&self) -> bool {
        self.ln_v.iter().chain(&self.ll_v).all(Option::is_none)
    }

    fn is_possible(&self) -> bool {
        let magnitudes = self.ln_v.iter().chain(&self.ll_v).flatten().all(|v| v.is_finite() && *v >= 0.0);
        magnitudes && self.angle_deg.iter().flatten().all(|a| a.is_finite())
    }

    /// Monitors may leave channel 1 out as the reference that it is, and may let the reference turn.
    fn relative_to_first_angle(mut self) -> VoltageMeans {
        if let [first, Some(second), Some(third)] = self.angle_deg {
            let first = first.unwrap_or(0.0);
            self.angle_deg = [Some(0.0), Some(wrap_deg(second - first)), Some(wrap_deg(third - first))];
        } else {
            self.angle_deg = [None; 3];
        }
        self
    }

    /// Largest difference of a voltage as share of nominal, and of an angle between live channels in degrees. `None` when
    /// one has a value the other lacks.
    fn movement(&self, other: &VoltageMeans, unit_v: f64) -> Option<(f64, f64)> {
        let (mut volts, mut deg) = (0.0f64, 0.0f64);
        for (mine, theirs) in [(&self.ln_v, &other.ln_v), (&self.ll_v, &other.ll_v)] {
            for (mine, theirs) in mine.iter().zip(theirs) {
                match (mine, theirs) {
                    (Some(a), Some(b)) => volts = volts.max((a - b).abs()),
                    (None, None) => {}
                    _ => return None,
                }
            }
        }
        let live = |k: usize| self.ln_v[k].is_none_or(|v| v > LIVE_SHARE * unit_v);
        for k in 1..3 {
            match (self.angle_deg[k], other.angle_deg[k]) {
                (Some(a), Some(b)) if live(k) && live(0) => deg = deg.max(wrap_deg(a - b).abs()),
                (Some(_), Some(_)) | (None, None) => {}
                _ => return None,
            }
        }
        Some((volts / unit_v, deg))
    }

    fn blend(&mut self, reading: &VoltageMeans, share: f64) {
        for (means, values) in [(&mut self.ln_v, reading.ln_v), (&mut self.ll_v, reading.ll_v)] {
            for (mean, value) in means.iter_mut().zip(values) {
                if let (Some(mean), Some(value)) = (mean, value) {
                    *mean += share * (value - *mean);
                }
            }
        }
        for (mean, value) in self.angle_deg.iter_mut().zip(reading.angle_deg) {
            if let (Some(mean), Some(value)) = (mean, value) {
                *mean = wrap_deg(*mean + share * wrap_deg(value - *mean));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::VoltageState;
    use super::super::tests::{WYE_480, means, with_angles};
    use super::*;

    #[test]
    fn an_epoch_begins_when_three_readings_disagree() {
        let mut evidence = VoltageEvidence::new(WYE_480);
        let sound = means([277.0; 3], [480.0; 3]);
        let blown = means([277.0, 2.0, 277.0], [277.0, 277.0, 480.0]);
        assert_eq!(evidence.diagnosis(), None);
        for _ in 0..10 {
            assert_eq!(evidence.add(&sound), Change::Agrees);
        }
        assert_eq!(evidence.diagnosis().unwrap().ranked[0].0, VoltageState::Sound);
        assert_eq!(evidence.add(&blown), Change::Contradicts);
        assert_eq!(evidence.add(&sound), Change::Agrees, "a dip of one reading changes nothing");
        assert_eq!(evidence.add(&blown), Change::Contradicts);
        assert_eq!(evidence.add(&blown), Change::Contradicts);
        assert_eq!(evidence.diagnosis().unwrap().ranked[0].0, VoltageState::Sound);
        assert_eq!(evidence.add(&blown), Change::NewEpoch);
        assert_eq!(evidence.readings(), 1);
        assert!(evidence.diagnosis().unwrap().groups[0].states.contains(&VoltageState::FuseBlown(1)));
        assert_eq!(evidence.add(&VoltageMeans::default()), Change::Ignored);
        assert_eq!(evidence.add(&means([-5.0, 2.0, 1.0], [1.0; 3])), Change::Ignored);
        // A value that goes missing is a change of what is known, not an average with nothing.
        let fewer = VoltageMeans { ll_v: [None; 3], ..blown };
        assert_eq!(evidence.add(&fewer), Change::Contradicts);
    }

    #[test]
    fn a_turning_reference_is_no_change() {
        let mut evidence = VoltageEvidence::new(WYE_480);
        for turn in [0.0, 77.0, 154.0, -100.0] {
            let seen = with_angles(means([277.0; 3], [480.0; 3]), [0.0, -120.0, 120.0].map(|a| a + turn));
            assert_eq!(evidence.add(&seen), Change::Agrees);
        }
        assert_eq!(evidence.diagnosis().unwrap().ranked[0].0, VoltageState::Sound);
    }
}
