//! How often the diagnosis is right, on random stations metered from sampled waveforms.
//!
//! `cargo bench --bench accuracy [-- STATIONS]`. Faults are drawn as they happen (most stations are sound); supply unbalance
//! up to 3 %, load unbalance up to 15 %, meters of class 0.5 to 2, loads from 30 % to full. Each station is seen at one and
//! at three load levels, at each of the four evidence levels. Printed per level: how often the true wiring is in the leading
//! group and is the first, false accusations of sound stations, miswired ones called sound, and how well the probability of
//! "power is registered right" is calibrated (Brier score, expected calibration error).

use wattassay::audit::assessment::Verdict;
use wattassay::audit::auditor::CircuitAuditor;
use wattassay::audit::context::{BlankingRule, CircuitContext, LoadBehaviour, PowerFactorMeaning};
use wattassay::audit::wiring::{CurrentSeen, Wiring};
use wattassay::reading::Measured::{Good, NotAvailable};
use wattassay::reading::{CircuitReading, Instant2, MonitorReading, MonoMs, UnixMs};
use wattassay_simulators::{MeterSample, Station, StationFile};

const LEVELS: [&str; 4] =
    ["a: V I P Q per channel", "b: V I P per channel", "c: V I, totals of P Q", "d: V I, PF, blanked"];

fn main() {
    let stations = std::env::args().skip(1).find_map(|a| a.parse().ok()).unwrap_or(3000u64);
    let mut random = fastrand::Rng::with_seed(20_261_125);
    let mut scores = vec![[Score::default(); 2]; 4];
    for n in 0..stations {
        let truth = draw_wiring(&mut random);
        let file = station_file(n, &truth, &mut random);
        let station = StationFile::from_toml(&file).and_then(|f| Station::new(&f)).expect("a playable station");
        for (level, by_states) in scores.iter_mut().enumerate() {
            for (states, score) in by_states.iter_mut().enumerate() {
                score.add(level, &station, &truth, if states == 0 { 1 } else { 3 });
            }
        }
    }
    println!("{stations} random stations");
    for (level, by_states) in scores.iter().enumerate() {
        for (states, score) in by_states.iter().enumerate() {
            println!("{:<24} {} load level{}: {}", LEVELS[level], [1, 3][states], ["", "s"][states], score.words());
        }
    }
}

/// One wiring, as mistakes happen: seven of ten stations are sound.
fn draw_wiring(random: &mut fastrand::Rng) -> Wiring {
    let mut wiring = Wiring::INTENDED;
    if random.f64() < 0.7 {
        return wiring;
    }
    loop {
        if random.f64() < 0.35 {
            let (i, j) = [(0, 1), (1, 2), (0, 2)][random.usize(..3)];
            wiring.current.swap(i, j);
        }
        if random.f64() < 0.1 {
            wiring.current.rotate_left(1);
        }
        if random.f64() < 0.2 {
            let (i, j) = [(0, 1), (1, 2), (0, 2)][random.usize(..3)];
            wiring.voltage.swap(i, j);
        }
        let all = random.f64() < 0.1;
        for k in 0..3 {
            if let CurrentSeen::Conductor { reversed, .. } = &mut wiring.current[k] {
                *reversed ^= all || random.f64() < 0.12;
            }
        }
        if random.f64() < 0.1 {
            wiring.current[random.usize(..3)] = CurrentSeen::Nothing;
        }
        if !power_right(&wiring) {
            return wiring;
        }
    }
}

fn power_right(wiring: &Wiring) -> bool {
    (0..3).all(|k| wiring.current[k] == CurrentSeen::Conductor { phase: wiring.voltage[k], reversed: false })
}

fn station_file(seed: u64, wiring: &Wiring, random: &mut fastrand::Rng) -> String {
    let voltage = wiring.voltage.map(|p| format!("\"{}\"", p.label())).join(", ");
    let current = wiring
        .current
        .map(|seen| match seen {
            CurrentSeen::Nothing => "\"open\"".to_owned(),
            CurrentSeen::Conductor { phase, reversed } => {
                format!("\"{}{}\"", if reversed { "-" } else { "" }, phase.label())
            }
        })
        .join(", ");
    let mut spread = |share: f64| [0; 3].map(|_| format!("{:.4}", 1.0 + share * (random.f64() - 0.5))).join(", ");
    let (supply, load) = (spread(0.03), spread(0.15));
    let steps: Vec<String> = [(0.75, 1.0), (0.5, 0.75), (0.3, 0.5)]
        .iter()
        .enumerate()
        .map(|(n, (low, high))| format!("{{ at_s = {}.0, load = {:.3} }}", 100 * n, low + (high - low) * random.f64()))
        .collect();
    format!(
        r#"
name = "Random {seed}"
seed = {seed}
[source]
line_voltage_v = 480.0
phase_scale = [{supply}]
noise = 0.002
[[pumps]]
name = "Pump 1"
load = "induction-motor"
rated_power_w = 44742.0
rated_voltage_v = 460.0
full_load_current_a = 77.0
full_load_power_factor = {pf:.3}
unbalance = [{load}]
schedule = [{steps}]
[[monitors]]
name = "PM-1"
listen = "127.0.0.1:0"
map = "generic-full"
circuits = ["Pump 1"]
voltage = [{voltage}]
currents = [[{current}]]
accuracy = {accuracy:.2}
"#,
        pf = 0.84 + 0.05 * random.f64(),
        accuracy = 0.5 + 1.5 * random.f64(),
        steps = steps.join(", "),
    )
}

fn reading(sample: &MeterSample, level: usize, at_ms: u64) -> MonitorReading {
    let from = &sample.circuits[0];
    let mut circuit = CircuitReading { current_a: from.current_a.map(Good), ..CircuitReading::default() };
    let total = from.total_active_power_w;
    match level {
        0 => {
            circuit.active_power_w = from.active_power_w.map(Good);
            circuit.reactive_power_var = from.reactive_power_var.map(Good);
        }
        1 => circuit.active_power_w = from.active_power_w.map(Good),
        2 => {
            circuit.total_active_power_w = Good(total);
            circuit.total_reactive_power_var = Good(from.total_reactive_power_var);
        }
        _ => {
            let shown = |value: f64| if total > 0.0 { Good(value) } else { NotAvailable };
            circuit.total_active_power_w = shown(total);
            circuit.total_power_factor = shown(from.total_power_factor.abs());
        }
    }
    MonitorReading {
        at: Instant2 { wall: UnixMs(at_ms as i64), mono: MonoMs(at_ms) },
        voltage_ln_v: sample.voltage_ln_v.map(Good),
        voltage_angle_deg: if level == 0 { sample.voltage_angle_deg.map(Good) } else { Default::default() },
        circuits: vec![circuit],
        ..MonitorReading::default()
    }
}

fn context(level: usize) -> CircuitContext {
    CircuitContext {
        load: LoadBehaviour::InductionMotor,
        full_load_current_a: Some(77.0),
        full_load_power_factor: Some(0.86),
        ct_primary_a: Some(200.0),
        power_factor: PowerFactorMeaning { signed_by_power: level < 3 },
        blanking: BlankingRule { when_not_positive: level == 3, when_stopped: false },
        ..CircuitContext::unknown(480.0)
    }
}

/// Bins of the reliability table.
const BINS: usize = 10;

#[derive(Debug, Clone, Copy, Default)]
struct Score {
    cases: f64,
    faults: f64,
    first: f64,
    in_group: f64,
    group_size: f64,
    accused: f64,
    missed: f64,
    undecided: f64,
    brier: f64,
    bins: [(f64, f64, f64); BINS],
}

impl Score {
    fn add(&mut self, level: usize, station: &Station, truth: &Wiring, states: u64) {
        let mut auditor = CircuitAuditor::new(context(level));
        let mut last = None;
        for state in 0..states {
            for second in 0..8 {
                // Past the start of each step.
                let t_s = (100 * state + 20 + second) as f64;
                let sample = station.meter(0, t_s).expect("a monitor");
                last = Some(auditor.observe(&reading(&sample, level, (1000.0 * t_s) as u64)));
            }
        }
        let diagnosis = last.expect("readings").diagnosis;
        let sound = power_right(truth);
        self.cases += 1.0;
        self.faults += f64::from(u8::from(!sound));
        let group = diagnosis.groups.first();
        let count = |yes: bool| f64::from(u8::from(yes));
        self.first += count(group.is_some_and(|g| g.members[0].wiring == *truth));
        self.in_group += count(group.is_some_and(|g| g.members.iter().any(|m| m.wiring == *truth)));
        self.group_size +=
            group.map_or(0.0, |g| g.members.iter().filter(|m| m.probability > 0.01 * g.probability).count() as f64);
        self.accused += count(sound && diagnosis.verdict == Verdict::Fault);
        self.missed += count(!sound && diagnosis.verdict == Verdict::Sound);
        self.undecided += count(!matches!(diagnosis.verdict, Verdict::Sound | Verdict::Fault));
        let (said, is) = (diagnosis.sound_probability, count(sound));
        self.brier += (said - is).powi(2);
        let bin = &mut self.bins[((said * BINS as f64) as usize).min(BINS - 1)];
        bin.0 += 1.0;
        bin.1 += said;
        bin.2 += is;
    }

    fn words(&self) -> String {
        let share = |n: f64, of: f64| format!("{:.2} %", 100.0 * n / of.max(1.0));
        let calibration: f64 =
            self.bins.iter().map(|(n, said, is)| if *n > 0.0 { (said - is).abs() } else { 0.0 }).sum();
        format!(
            "true wiring first {}, in the leading group {} (of {:.1} wirings); sound accused {}, faults called sound {}, \
             undecided {}; Brier {:.4}, calibration error {:.4}",
            share(self.first, self.cases),
            share(self.in_group, self.cases),
            self.group_size / self.cases,
            share(self.accused, self.cases - self.faults),
            share(self.missed, self.faults),
            share(self.undecided, self.cases),
            self.brier / self.cases,
            calibration / self.cases
        )
    }
}
