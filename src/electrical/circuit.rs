//! Per-channel complex power of one circuit from whatever subset the monitor reports.
//!
//! Everything is also given per unit of V x I, because that is what wiring changes: a unit phasor at the angle
//! between the voltage and the current each channel sees, whatever the load.

use num_complex::Complex64;

use super::angle::{arg_deg, magnitude, wrap_deg};
use super::voltage::Voltages;
use crate::reading::{CircuitReading, Measured, MonitorReading};

/// What the power-factor and reactive registers mean.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Meaning {
    /// The sign of PF is the sign of P.
    pub power_factor_signed: bool,
    /// Q is a magnitude.
    pub reactive_unsigned: bool,
    /// Channels 1 and 3 are the elements of two-element metering: their voltages are those between leads 1-2 and 3-2.
    pub between_lines: bool,
    /// Channels that the service does not have.
    pub unused: [bool; 3],
}

/// What one channel registers.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct ChannelPower {
    /// RMS voltage, V.
    pub voltage_v: Option<f64>,
    /// RMS current, A.
    pub current_a: Option<f64>,
    /// V x I, VA.
    pub volt_amps: Option<f64>,
    /// Active power, W, signed.
    pub active_w: Option<f64>,
    /// Reactive power, var, signed (inductive positive).
    pub reactive_var: Option<f64>,
    /// |P| / S when only an unsigned power factor is known.
    pub unsigned_power_factor: Option<f64>,
    /// Kept, because several look at it on every reading.
    lag_deg: Option<f64>,
}

impl ChannelPower {
    /// P / (V I).
    pub fn p_per_unit(&self) -> Option<f64> {
        Some(self.active_w? / self.volt_amps.filter(|va| *va > 0.0)?)
    }

    /// Q / (V I).
    pub fn q_per_unit(&self) -> Option<f64> {
        Some(self.reactive_var? / self.volt_amps.filter(|va| *va > 0.0)?)
    }

    /// Angle by which the current lags the voltage of this channel, degrees.
    pub fn lag_deg(&self) -> Option<f64> {
        self.lag_deg
    }
}

/// What a circuit registers in total.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct TotalPower {
    /// Active power, W.
    pub active_w: Option<f64>,
    /// Reactive power, var.
    pub reactive_var: Option<f64>,
    /// Apparent power, VA: as reported, else the sum of V x I.
    pub apparent_va: Option<f64>,
    /// |PF| when only that is known.
    pub unsigned_power_factor: Option<f64>,
}

/// A circuit reading, reconstructed.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Circuit {
    /// Per channel.
    pub channel: [ChannelPower; 3],
    /// Total.
    pub total: TotalPower,
}

impl Circuit {
    /// Mean current of the channels whose current is known, A; zero where none is.
    pub fn mean_current_a(&self) -> f64 {
        let known = || self.channel.iter().filter_map(|c| c.current_a);
        known().sum::<f64>() / known().count().max(1) as f64
    }
}

/// Rebuilds what each channel registers. A sign that the registers do not carry is left unknown, never assumed.
pub fn reconstruct(
    reading: &MonitorReading,
    circuit: &CircuitReading,
    voltages: &Voltages,
    meaning: Meaning,
) -> Circuit {
    let channel = [0, 1, 2].map(|k| {
        // A measured magnitude to neutral wins; the phasor covers three-wire monitors that report line voltages only.
        let voltage_v = if meaning.between_lines {
            // Channel 3's element is between leads 3 and 2; channel 2 has none.
            let line = [reading.voltage_ll_v[0], Measured::NotMapped, reading.voltage_ll_v[1]][k];
            line.good().or(reading.voltage_ln_v[k].good())
        } else {
            reading.voltage_ln_v[k].good().or_else(|| voltages.phasor_v[k].map(magnitude))
        };
        let current_a = circuit.current_a[k].good();
        let volt_amps = voltage_v.zip(current_a).map(|(v, i)| v * i).or_else(|| circuit.apparent_power_va[k].good());
        let mut power = ChannelPower { voltage_v, current_a, volt_amps, ..ChannelPower::default() };
        power.active_w = circuit.active_power_w[k].good().or_else(|| {
            let pf = circuit.power_factor[k].good().filter(|_| meaning.power_factor_signed)?;
            Some(pf * volt_amps?)
        });
        power.reactive_var = circuit.reactive_power_var[k].good().filter(|_| !meaning.reactive_unsigned);
        if let Some(lag_deg) = angle_between(reading, circuit, k)
            && let Some(va) = volt_amps
        {
            power.active_w = power.active_w.or(Some(va * lag_deg.to_radians().cos()));
            power.reactive_var = power.reactive_var.or(Some(va * lag_deg.to_radians().sin()));
        }
        power.unsigned_power_factor = circuit.power_factor[k].good().map(f64::abs);
        let complex = power.active_w.zip(power.reactive_var);
        power.lag_deg = complex.map(|(w, var)| arg_deg(Complex64::new(w, var)));
        power
    });
    let metered = || channel.iter().enumerate().filter(|(k, _)| !meaning.unused[*k]).map(|(_, c)| c);
    let sum_va = metered().map(|c| c.volt_amps).sum::<Option<f64>>();
    let apparent_va = circuit.total_apparent_power_va.good().or(sum_va);
    let sum_w = metered().map(|c| c.active_w).sum::<Option<f64>>();
    let sum_var = metered().map(|c| c.reactive_var).sum::<Option<f64>>();
    let total = TotalPower {
        active_w: circuit
            .total_active_power_w
            .good()
            .or_else(|| {
                let pf = circuit.total_power_factor.good().filter(|_| meaning.power_factor_signed)?;
                Some(pf * apparent_va?)
            })
            .or(sum_w),
        reactive_var: circuit.total_reactive_power_var.good().filter(|_| !meaning.reactive_unsigned).or(sum_var),
        apparent_va,
        unsigned_power_factor: circuit.total_power_factor.good().map(f64::abs),
    };
    Circuit { channel, total }
}

/// Lag of current behind voltage of channel `k` from reported angles, degrees.
fn angle_between(reading: &MonitorReading, circuit: &CircuitReading, k: usize) -> Option<f64> {
    let current = circuit.current_angle_deg[k].good()?;
    // Channel 1 is the reference by definition, so its own angle may be left out of the map.
    let voltage = match reading.voltage_angle_deg[k] {
        Measured::NotMapped if k == 0 => 0.0,
        other => other.good()?,
    };
    Some(wrap_deg(voltage - current))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::electrical::voltage;
    use crate::reading::Measured::Good;
    use crate::reading::Rotation;

    fn balanced() -> MonitorReading {
        let circuit = CircuitReading { current_a: [Good(100.0); 3], ..CircuitReading::default() };
        MonitorReading { voltage_ln_v: [Good(277.0); 3], circuits: vec![circuit], ..MonitorReading::default() }
    }

    fn rebuilt(reading: &MonitorReading, meaning: Meaning) -> Circuit {
        let voltages = voltage::reconstruct(reading, 277.0, Rotation::Abc);
        reconstruct(reading, &reading.circuits[0], &voltages, meaning)
    }

    #[test]
    fn signed_power_factor_gives_active_power() {
        let mut reading = balanced();
        reading.circuits[0].power_factor = [Good(-0.85); 3];
        let signed = rebuilt(&reading, Meaning { power_factor_signed: true, ..Meaning::default() });
        assert!((signed.channel[0].active_w.unwrap() + 23_545.0).abs() < 1.0);
        assert!((signed.total.active_w.unwrap() + 70_635.0).abs() < 1.0);
        let unsigned = rebuilt(&reading, Meaning::default());
        assert_eq!(unsigned.channel[0].active_w, None);
        assert_eq!(unsigned.channel[0].unsigned_power_factor, Some(0.85));
        assert_eq!(unsigned.total.active_w, None);
    }

    #[test]
    fn angles_alone_give_both_powers() {
        let mut reading = balanced();
        reading.voltage_angle_deg = [Measured::NotMapped, Good(-120.0), Good(120.0)];
        reading.circuits[0].current_angle_deg = [Good(-31.788), Good(-151.788), Good(88.212)];
        let circuit = rebuilt(&reading, Meaning::default());
        for channel in circuit.channel {
            assert!((channel.active_w.unwrap() - 23_545.0).abs() < 1.0);
            assert!((channel.reactive_var.unwrap() - 14_592.0).abs() < 1.0);
            assert!((channel.lag_deg().unwrap() - 31.788).abs() < 1e-6);
        }
    }

    #[test]
    fn an_unsigned_reactive_register_is_not_taken_as_signed() {
        let mut reading = balanced();
        reading.circuits[0].active_power_w = [Good(23_545.0); 3];
        reading.circuits[0].reactive_power_var = [Good(14_592.0); 3];
        let circuit = rebuilt(&reading, Meaning { reactive_unsigned: true, ..Meaning::default() });
        assert_eq!(circuit.channel[0].reactive_var, None);
        assert!((circuit.channel[0].p_per_unit().unwrap() - 0.85).abs() < 1e-4);
    }

    #[test]
    fn missing_values_stay_missing() {
        let mut reading = balanced();
        reading.voltage_ln_v[1] = Measured::Failed;
        reading.circuits[0].active_power_w = [Good(1.0), Good(1.0), Measured::NotAvailable];
        let circuit = rebuilt(&reading, Meaning::default());
        assert_eq!(circuit.channel[1].volt_amps, None);
        assert_eq!(circuit.channel[1].p_per_unit(), None);
        assert_eq!(circuit.total.active_w, None);
        assert_eq!(circuit.total.apparent_va, None);
    }
}
