//! Time for one reading through reconstruction, checks, evidence, diagnosis and correction, per evidence level.
//!
//! `cargo bench --bench core`. Readings differ from one to the next (2 % of noise on every power), and the load moves
//! between three levels, so that nothing is saved by seeing the same numbers again.

use divan::{Bencher, black_box};
use wattassay::audit::auditor::CircuitAuditor;
use wattassay::audit::context::{BlankingRule, CircuitContext, LoadBehaviour};
use wattassay::audit::monitor::MonitorAuditor;
use wattassay::reading::Measured::{self, Good};
use wattassay::reading::{CircuitReading, Instant2, MonitorReading, MonoMs, UnixMs};

fn main() {
    divan::main();
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Level {
    /// V, I, P, Q per channel.
    PerChannelPq,
    /// V, I, P per channel.
    PerChannelP,
    /// V, I per channel, totals of P and Q.
    Totals,
    /// V, I per channel, P and PF blank.
    Blank,
}

fn context(level: Level) -> CircuitContext {
    CircuitContext {
        load: LoadBehaviour::InductionMotor,
        full_load_current_a: Some(77.0),
        full_load_power_factor: Some(0.86),
        ct_primary_a: Some(200.0),
        blanking: BlankingRule { when_not_positive: level == Level::Blank, when_stopped: false },
        ..CircuitContext::unknown(480.0)
    }
}

/// A station whose CTs 2 and 3 are exchanged.
fn readings(level: Level) -> Vec<MonitorReading> {
    let mut random = fastrand::Rng::with_seed(7);
    (0..1200u64)
        .map(|n| {
            // Twenty readings a load level, so that most are steady, as in a station.
            let (amps, lag_deg) = [(75.0, 31.0), (60.0, 36.0), (48.0, 44.0)][(n / 20 % 3) as usize];
            let mut noisy = |value: f64| Good(value * (1.0 + 0.02 * (random.f64() - 0.5)));
            let seen = [0.0, 120.0, -120.0].map(|shift: f64| (lag_deg + shift).to_radians());
            let va = 277.0 * amps;
            let mut circuit = CircuitReading { current_a: [0; 3].map(|_| noisy(amps)), ..CircuitReading::default() };
            match level {
                Level::PerChannelPq | Level::PerChannelP => {
                    circuit.active_power_w = seen.map(|angle| noisy(va * angle.cos()));
                    if level == Level::PerChannelPq {
                        circuit.reactive_power_var = seen.map(|angle| noisy(va * angle.sin()));
                    }
                }
                Level::Totals => {
                    circuit.total_active_power_w = Good(0.01 * va * random.f64());
                    circuit.total_reactive_power_var = Good(0.01 * va * random.f64());
                }
                Level::Blank => circuit.total_active_power_w = Measured::NotAvailable,
            }
            MonitorReading {
                at: Instant2 { wall: UnixMs(1000 * n as i64), mono: MonoMs(1000 * n) },
                voltage_ln_v: [Good(277.0); 3],
                voltage_angle_deg: [Good(0.0), Good(-120.0), Good(120.0)],
                circuits: vec![circuit],
                ..MonitorReading::default()
            }
        })
        .collect()
}

#[divan::bench(args = [Level::PerChannelPq, Level::PerChannelP, Level::Totals, Level::Blank], sample_size = 1200)]
fn one_reading(bencher: Bencher, level: Level) {
    let readings = readings(level);
    let mut auditor = CircuitAuditor::new(context(level));
    let mut next = 0;
    bencher.bench_local(|| {
        next = (next + 1) % readings.len();
        black_box(auditor.observe(black_box(&readings[next])))
    });
}

/// A monitor with eight circuits, voltage leads and the joint ranking included.
#[divan::bench(args = [Level::PerChannelPq, Level::PerChannelP, Level::Totals], sample_size = 1200)]
fn one_reading_of_eight_circuits(bencher: Bencher, level: Level) {
    let mut readings = readings(level);
    for reading in &mut readings {
        let circuit = reading.circuits[0].clone();
        reading.circuits = vec![circuit; 8];
    }
    let contexts = (0..8).map(|slot| CircuitContext { slot, ..context(level) }).collect();
    let mut auditor = MonitorAuditor::new(contexts);
    let mut next = 0;
    bencher.bench_local(|| {
        next = (next + 1) % readings.len();
        black_box(auditor.observe(black_box(&readings[next])))
    });
}
