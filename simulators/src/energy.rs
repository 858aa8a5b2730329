//! Energy registers: registered power integrated over station time, the same whatever moments are asked for.
//!
//! Power is taken once per second of station time, so the registers do not depend on how often the monitor is polled.
//! Must never run backwards: a question about the past is answered by integrating afresh.

/// Import and export of one circuit, Wh.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Registers {
    /// Towards the load.
    pub(crate) import_wh: f64,
    /// From the load, as the monitor believes.
    pub(crate) export_wh: f64,
}

impl Registers {
    fn add(&mut self, power_w: f64, hours: f64) {
        if 0.0 <= power_w {
            self.import_wh += power_w * hours;
        } else {
            self.export_wh -= power_w * hours;
        }
    }
}

/// Integral up to a whole second, continued on demand.
#[derive(Debug, Default)]
pub(crate) struct Integral {
    done_s: u64,
    registers: Vec<Registers>,
}

impl Integral {
    /// Registers of all circuits at a time; `power_w` gives their registered powers at the middle of a second.
    pub(crate) fn at(&mut self, t_s: f64, circuits: usize, power_w: impl Fn(f64) -> Vec<f64>) -> Vec<Registers> {
        let whole_s = t_s.max(0.0).floor() as u64;
        if whole_s < self.done_s || self.registers.len() != circuits {
            *self = Integral { done_s: 0, registers: vec![Registers::default(); circuits] };
        }
        while self.done_s < whole_s {
            let powers = power_w(self.done_s as f64 + 0.5);
            for (registers, power) in self.registers.iter_mut().zip(powers) {
                registers.add(power, 1.0 / 3600.0);
            }
            self.done_s += 1;
        }
        let mut now = self.registers.clone();
        let rest_s = t_s.max(0.0) - whole_s as f64;
        if 0.0 < rest_s {
            for (registers, power) in now.iter_mut().zip(power_w(whole_s as f64 + 0.5)) {
                registers.add(power, rest_s / 3600.0);
            }
        }
        now
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn power(t_s: f64) -> Vec<f64> {
        vec![if t_s < 10.0 { 36_000.0 } else { -3_600.0 }]
    }

    #[test]
    fn energy_is_the_integral_of_power_by_direction() {
        let registers = Integral::default().at(20.0, 1, power)[0];
        assert!((registers.import_wh - 100.0).abs() < 1e-9);
        assert!((registers.export_wh - 10.0).abs() < 1e-9);
    }

    #[test]
    fn the_answer_does_not_depend_on_the_questions_before_it() {
        let mut often = Integral::default();
        for tick in 0..85 {
            often.at(f64::from(tick) * 0.2, 1, power);
        }
        assert_eq!(often.at(17.3, 1, power), Integral::default().at(17.3, 1, power));
        assert_eq!(often.at(4.0, 1, power), Integral::default().at(4.0, 1, power), "back in time");
    }
}
