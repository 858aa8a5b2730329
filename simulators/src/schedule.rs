//! What a pump does at a moment: stopped, starting or running, from its schedule.
//!
//! Pure: time comes in as an argument. Must never know what kind of load the pump is.

use crate::station_file::PumpFile;

/// State of a pump at one moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum RunPoint {
    /// Contactor open.
    Stopped,
    /// Between standstill and speed.
    Starting {
        /// 0 at the start, 1 when up to speed.
        progress: f64,
        /// Load it starts against.
        load: f64,
    },
    /// Up to speed.
    Running {
        /// Load as a fraction of full load.
        load: f64,
    },
}

impl RunPoint {
    /// True when the contactor is closed.
    pub fn is_energized(self) -> bool {
        self != RunPoint::Stopped
    }
}

/// A checked schedule.
#[derive(Debug, Clone)]
pub(crate) struct Schedule {
    /// Time and load (`None`: stop), in order.
    steps: Vec<(f64, Option<f64>)>,
    repeat_s: Option<f64>,
    start_s: f64,
}

impl Schedule {
    /// Checks a pump's schedule; the error is a sentence.
    pub(crate) fn new(pump: &PumpFile) -> Result<Schedule, String> {
        let mut steps: Vec<(f64, Option<f64>)> = Vec::with_capacity(pump.schedule.len());
        for step in &pump.schedule {
            let load = match (step.load, step.stop) {
                (Some(load), false) if (0.0..=2.0).contains(&load) => Some(load),
                (Some(load), false) => return Err(format!("schedule load must be 0 to 2, not {load}")),
                (None, true) => None,
                _ => return Err(format!("schedule step at {} s needs either load or stop", step.at_s)),
            };
            if !step.at_s.is_finite() || step.at_s < 0.0 {
                return Err(format!("schedule time {} must not be negative", step.at_s));
            }
            if steps.last().is_some_and(|last| step.at_s <= last.0) {
                return Err(format!("schedule times must rise, {} s does not", step.at_s));
            }
            steps.push((step.at_s, load));
        }
        if !pump.start_s.is_finite() || pump.start_s < 0.0 {
            return Err("start_s must not be negative".to_owned());
        }
        if let Some(repeat_s) = pump.repeat_s {
            let last = steps.last().map_or(0.0, |step| step.0);
            if !repeat_s.is_finite() || repeat_s <= last {
                return Err(format!("repeat_s must be more than the last step's {last} s"));
            }
        }
        Ok(Schedule { steps, repeat_s: pump.repeat_s, start_s: pump.start_s })
    }

    /// State at a time.
    pub(crate) fn at(&self, t_s: f64) -> RunPoint {
        let Some((load, since_s)) = self.energized_since(t_s) else { return RunPoint::Stopped };
        if since_s < self.start_s {
            RunPoint::Starting { progress: since_s / self.start_s, load }
        } else {
            RunPoint::Running { load }
        }
    }

    /// Load now and seconds since the contactor closed; `None` when stopped. Infinite when it never opened.
    fn energized_since(&self, t_s: f64) -> Option<(f64, f64)> {
        let (cycle_s, first_cycle) = match self.repeat_s {
            Some(repeat_s) => (t_s.rem_euclid(repeat_s), t_s < repeat_s),
            None => (t_s, true),
        };
        let current = self.steps.iter().rposition(|step| step.0 <= cycle_s);
        // Before the first step of a later cycle the last step of the cycle before still holds. Before the first step
        // of all the pump is stopped.
        let (mut index, mut age_s) = match (current, self.repeat_s) {
            (Some(index), _) => (index, cycle_s - self.steps[index].0),
            (None, Some(repeat_s)) if !first_cycle && !self.steps.is_empty() => {
                let last = self.steps.len() - 1;
                (last, cycle_s + repeat_s - self.steps[last].0)
            }
            _ => return None,
        };
        let load = self.steps[index].1?;
        for _ in 0..self.steps.len() {
            let reaches_t_s = t_s - age_s;
            let previous = if index == 0 {
                // A whole cycle earlier or none at all: half a cycle tells them apart whatever the rounding.
                let before_this = self.repeat_s.is_some_and(|repeat_s| repeat_s / 2.0 < reaches_t_s - self.steps[0].0);
                if !before_this {
                    return Some((load, age_s));
                }
                self.steps.len() - 1
            } else {
                index - 1
            };
            if self.steps[previous].1.is_none() {
                return Some((load, age_s));
            }
            let gap_s = (self.steps[index].0 - self.steps[previous].0)
                + if index == 0 { self.repeat_s.unwrap_or(0.0) } else { 0.0 };
            age_s += gap_s;
            index = previous;
        }
        Some((load, f64::INFINITY))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::station_file::{LoadKind, StepFile};

    fn schedule(steps: &[(f64, Option<f64>)], repeat_s: Option<f64>) -> Schedule {
        Schedule::new(&pump(steps, repeat_s)).unwrap()
    }

    fn pump(steps: &[(f64, Option<f64>)], repeat_s: Option<f64>) -> PumpFile {
        PumpFile {
            name: "Pump 1".to_owned(),
            load: LoadKind::Resistive,
            rated_power_w: 1000.0,
            rated_voltage_v: 460.0,
            full_load_current_a: 2.0,
            full_load_power_factor: 1.0,
            locked_rotor_current_a: None,
            capacitor_var: None,
            unbalance: [1.0; 3],
            lost_phase: None,
            lost_from_s: 0.0,
            lost_to_s: None,
            schedule: steps.iter().map(|&(at_s, load)| StepFile { at_s, load, stop: load.is_none() }).collect(),
            repeat_s,
            start_s: 2.0,
            wander: 0.0,
            water: None,
        }
    }

    #[test]
    fn a_pump_starts_runs_swings_and_stops_every_cycle() {
        let plan = schedule(&[(5.0, Some(0.8)), (20.0, Some(0.6)), (40.0, None)], Some(60.0));
        assert_eq!(plan.at(4.9), RunPoint::Stopped);
        assert_eq!(plan.at(6.0), RunPoint::Starting { progress: 0.5, load: 0.8 });
        assert_eq!(plan.at(7.0), RunPoint::Running { load: 0.8 });
        assert_eq!(plan.at(20.5), RunPoint::Running { load: 0.6 });
        assert_eq!(plan.at(45.0), RunPoint::Stopped);
        assert_eq!(plan.at(61.0), RunPoint::Stopped);
        assert_eq!(plan.at(66.0), RunPoint::Starting { progress: 0.5, load: 0.8 });
    }

    #[test]
    fn a_pump_that_never_stops_starts_only_once() {
        let plan = schedule(&[(0.0, Some(0.8)), (30.0, Some(0.5))], Some(60.0));
        assert_eq!(plan.at(1.0), RunPoint::Starting { progress: 0.5, load: 0.8 });
        assert_eq!(plan.at(30.5), RunPoint::Running { load: 0.5 });
        assert_eq!(plan.at(60.5), RunPoint::Running { load: 0.8 });
        assert_eq!(plan.at(600.0), RunPoint::Running { load: 0.8 });
    }

    #[test]
    fn a_run_over_the_end_of_the_cycle_is_one_run() {
        let plan = schedule(&[(10.0, None), (59.5, Some(0.7))], Some(60.0));
        assert_eq!(plan.at(59.75), RunPoint::Starting { progress: 0.125, load: 0.7 });
        assert_eq!(plan.at(60.5), RunPoint::Starting { progress: 0.5, load: 0.7 });
        assert_eq!(plan.at(65.0), RunPoint::Running { load: 0.7 });
        assert_eq!(plan.at(71.0), RunPoint::Stopped);
    }

    #[test]
    fn senseless_schedules_are_refused() {
        for (steps, repeat_s, words) in [
            (vec![(5.0, Some(0.8)), (5.0, None)], None, "rise"),
            (vec![(5.0, Some(3.0))], None, "0 to 2"),
            (vec![(5.0, Some(0.5))], Some(5.0), "more than"),
            (vec![(-1.0, Some(0.5))], None, "negative"),
        ] {
            let error = Schedule::new(&pump(&steps, repeat_s)).unwrap_err();
            assert!(error.contains(words), "{error}");
        }
        let mut both = pump(&[(1.0, Some(0.5))], None);
        both.schedule[0].stop = true;
        assert!(Schedule::new(&both).is_err());
    }
}
