//! Do the monitor's own numbers agree with each other? Disagreement points at the register map, not at the leads.

use super::{CHANNEL_NAMES, Found, Input, first_missing, not_running};
use crate::audit::assessment::Check;
use crate::audit::detail::{Detail, Missing};
use crate::reading::Measured;

/// Tolerance of S = V I and of S^2 >= P^2 + Q^2: two class 1 quantities and rounding of registers.
const TOLERANCE: f64 = 0.03;
/// Tolerance of sums against totals, of the sum of V I.
const SUM_TOLERANCE: f64 = 0.02;
/// Tolerance of PF against P / S: PF is often given to two digits.
const PF_TOLERANCE: f64 = 0.04;

/// S = V I per channel.
pub fn apparent_power(input: &Input, found: &mut Found) {
    let check = Check::ApparentPowerConsistency;
    for &k in input.context.service.channels() {
        let reported = input.reading.apparent_power_va[k];
        let channel = &input.circuit.channel[k];
        let product = channel.voltage_v.zip(channel.current_a).map(|(v, i)| v * i);
        let Some((s, vi)) = reported.good().zip(product) else {
            let missing = first_missing(&[(reported, "apparent power per channel")])
                .unwrap_or(Missing::Words("voltage or current of the channel is missing"));
            found.not_checkable(check, Some(k), missing);
            continue;
        };
        if let Some(why) = not_running(input.run) {
            found.idle(check, Some(k), why);
            continue;
        }
        let right = (s - vi).abs() <= TOLERANCE * s.abs().max(vi);
        let detail = Detail::Apparent { channel: k, reported: s, product: vi };
        found.judged(check, Some(k), right, detail);
    }
}

/// S^2 >= P^2 + Q^2 per channel, with S from V I.
pub fn power_triangle(input: &Input, found: &mut Found) {
    let check = Check::PowerTriangle;
    for &k in input.context.service.channels() {
        let channel = &input.circuit.channel[k];
        let reading = input.reading;
        // Reported values only: what was reconstructed from V and I obeys the triangle by construction.
        let reported = reading.active_power_w[k].good().zip(reading.reactive_power_var[k].good());
        let Some(((p, q), vi)) = reported.zip(channel.volt_amps) else {
            let missing = first_missing(&[
                (reading.active_power_w[k], "kW per channel"),
                (reading.reactive_power_var[k], "kvar per channel"),
            ])
            .unwrap_or(Missing::Words("voltage or current of the channel is missing"));
            found.not_checkable(check, Some(k), missing);
            continue;
        };
        if let Some(why) = not_running(input.run) {
            found.idle(check, Some(k), why);
            continue;
        }
        let largest = vi * (1.0 + TOLERANCE);
        // Clear of the limit the squares tell; the exact root costs far more.
        let right = p * p + q * q <= 0.999 * largest * largest || p.hypot(q) <= largest;
        let detail = Detail::Triangle { channel: k, active: p, reactive: q, product: vi };
        found.judged(check, Some(k), right, detail);
    }
}

/// Channels sum to the totals, and PF = P / S where both are reported.
pub fn sums_and_power_factor(input: &Input, found: &mut Found) {
    sum_of_channels(input, found);
    power_factor(input, found);
}

fn sum_of_channels(input: &Input, found: &mut Found) {
    let check = Check::SumOfChannels;
    let reading = input.reading;
    let used = input.context.service.channels();
    let sum = |values: &[Measured; 3]| used.iter().map(|k| values[*k].good()).sum::<Option<f64>>();
    let total = reading.total_active_power_w.good();
    // What the map lacks is found out at the first look.
    let compared = total.and_then(|total| {
        let va = used.iter().map(|k| input.circuit.channel[*k].volt_amps).sum::<Option<f64>>()?;
        Some((total, sum(&reading.active_power_w)?, va))
    });
    let Some((total, watts, va)) = compared else {
        let missing = first_missing(&[
            (reading.total_active_power_w, "total kW"),
            (reading.active_power_w[0], "kW on channel 1"),
            (reading.active_power_w[1], "kW on channel 2"),
            (reading.active_power_w[2], "kW on channel 3"),
        ])
        .unwrap_or(Missing::Words("voltage or current of a channel is missing"));
        found.not_checkable(check, None, missing);
        return;
    };
    if let Some(why) = not_running(input.run) {
        found.idle(check, None, why);
        return;
    }
    let mut right = (watts - total).abs() <= SUM_TOLERANCE * va;
    let mut reactive = None;
    if let Some(total) = reading.total_reactive_power_var.good()
        && let Some(vars) = sum(&reading.reactive_power_var)
        && !input.context.reactive_unsigned
    {
        right &= (vars - total).abs() <= SUM_TOLERANCE * va;
        reactive = Some((vars, total));
    }
    let detail = Detail::Sums { active: (watts, total), reactive };
    found.judged(check, None, right, detail);
}

fn power_factor(input: &Input, found: &mut Found) {
    let check = Check::PowerFactorConsistency;
    let reading = input.reading;
    let mut compared = 0;
    let mut wrong = Vec::new();
    let mut compare = |what: &str, pf: Option<f64>, p: Option<f64>, s: Option<f64>| {
        if let (Some(pf), Some(p), Some(s)) = (pf, p, s)
            && s > 0.0
        {
            compared += 1;
            let ratio = (p / s).abs();
            if (pf.abs() - ratio).abs() > PF_TOLERANCE {
                wrong.push(format!("{what}: PF reads {pf:.2}, P / S gives {ratio:.2}"));
            }
        }
    };
    compare(
        "total",
        reading.total_power_factor.good(),
        reading.total_active_power_w.good(),
        reading.total_apparent_power_va.good(),
    );
    for (k, name) in CHANNEL_NAMES.iter().enumerate() {
        let channel = &input.circuit.channel[k];
        compare(name, reading.power_factor[k].good(), reading.active_power_w[k].good(), channel.volt_amps);
    }
    if compared == 0 {
        let missing = first_missing(&[
            (reading.total_power_factor, "PF"),
            (reading.total_active_power_w, "total kW"),
            (reading.total_apparent_power_va, "total kVA"),
        ])
        .unwrap_or(Missing::Words("apparent power is zero"));
        found.not_checkable(check, None, missing);
    } else if let Some(why) = not_running(input.run) {
        found.idle(check, None, why);
    } else if wrong.is_empty() {
        found.judged(check, None, true, Detail::Words("PF equals P / S"));
    } else {
        found.judged(check, None, false, Detail::Text(wrong.join("; ")));
    }
}
