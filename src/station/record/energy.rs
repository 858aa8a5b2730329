//! The energy of a circuit as the history keeps it: registered and corrected, summed over the same time. Must never sum over a
//! time in which one of the two was not known.

use crate::audit::assessment::{Assessment, RunState};
use crate::history::quantity::place;
use crate::history::store::{Query, SourceId, Statistic, Store, StoreError, Tier, Values};
use crate::reading::{CircuitReading, Instant2, MonoMs};

/// Energy summed from power, by the trapezoidal rule, only where both the registered and the corrected power were known:
/// the two sums are then of the same time and may be compared.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) struct Energy {
    registered_wh: f64,
    corrected_wh: f64,
    covered_s: f64,
    last: Option<(MonoMs, f64, f64)>,
}

impl Energy {
    const PLACES: [usize; 3] = [place::REGISTERED_ENERGY_WH, place::CORRECTED_ENERGY_WH, place::ENERGY_COVERED_S];

    pub(super) fn add(&mut self, at: Instant2, powers_w: Option<(f64, f64)>, gap_ms: u64) {
        let Some((registered_w, corrected_w)) = powers_w else {
            self.last = None;
            return;
        };
        if let Some((then, registered_then_w, corrected_then_w)) = self.last {
            let took_ms = at.mono.since(then);
            if took_ms <= gap_ms {
                let took_h = took_ms as f64 / 3.6e6;
                self.registered_wh += f64::midpoint(registered_w, registered_then_w) * took_h;
                self.corrected_wh += f64::midpoint(corrected_w, corrected_then_w) * took_h;
                self.covered_s += took_ms as f64 / 1000.0;
            }
        }
        self.last = Some((at.mono, registered_w, corrected_w));
    }

    pub(super) fn sums(&self) -> [f64; 3] {
        [self.registered_wh, self.corrected_wh, self.covered_s]
    }

    pub(super) fn put(&self, values: &mut Values) {
        Self::PLACES.into_iter().zip(self.sums()).for_each(|(place, sum)| values[place] = sum);
    }

    pub(super) fn bytes(&self, at_ms: i64) -> Vec<u8> {
        serde_json::json!({ "at_unix_ms": at_ms, "sums": self.sums() }).to_string().into_bytes()
    }

    pub(super) fn restore(store: &mut dyn Store, source: SourceId, key: &str) -> Result<Energy, StoreError> {
        let Some(bytes) = store.state(key)? else { return Ok(Energy::default()) };
        let kept: serde_json::Value = serde_json::from_slice(&bytes).unwrap_or_default();
        let mut sums = [0, 1, 2].map(|n| kept["sums"][n].as_f64().unwrap_or(0.0));
        let since = Query {
            source,
            tier: Tier::Detail,
            statistic: Statistic::Mean,
            from_ms: kept["at_unix_ms"].as_i64().unwrap_or(i64::MAX),
            to_ms: i64::MAX,
            quantities: Self::PLACES.to_vec(),
        };
        if let Some((_, newest)) = store.rows(&since)?.iter().last()
            && let Ok(newest) = <[f64; 3]>::try_from(newest)
            && newest.iter().all(|sum| sum.is_finite())
        {
            sums = newest;
        }
        let [registered_wh, corrected_wh, covered_s] = sums;
        Ok(Energy { registered_wh, corrected_wh, covered_s, last: None })
    }
}

pub(super) fn registered_w(reported: &CircuitReading) -> Option<f64> {
    reported.total_active_power_w.good()
}

/// The corrected power: zero when stopped.
pub(super) fn corrected_w(assessment: &Assessment) -> Option<f64> {
    match assessment.run_state {
        RunState::Stopped => Some(0.0),
        _ => assessment.corrected.map(|corrected| corrected.total_w),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reading::UnixMs;

    fn at(seconds: u64) -> Instant2 {
        Instant2 { wall: UnixMs(1_795_000_000_000 + seconds as i64 * 1000), mono: MonoMs(seconds * 1000) }
    }

    #[test]
    fn energy_is_summed_where_both_powers_are_known() {
        let mut energy = Energy::default();
        // 3600 W for 10 s is 10 Wh; then a gap, an unknown, and 10 s more.
        energy.add(at(0), Some((1800.0, 3600.0)), 12_000);
        energy.add(at(10), Some((1800.0, 3600.0)), 12_000);
        energy.add(at(100), Some((1800.0, 3600.0)), 12_000);
        energy.add(at(110), None, 12_000);
        energy.add(at(120), Some((1800.0, 3600.0)), 12_000);
        energy.add(at(130), Some((1800.0, 0.0)), 12_000);
        assert_eq!(energy.sums(), [10.0, 15.0, 20.0]);
    }
}
