//! What stations are drawn: the distributions as data, and the draw itself.
//!
//! Must never use anything of the core.

use super::faults::Possible;

/// Supply: each phase magnitude is 1 + U(-a, a) with a = U(0, this).
pub const SUPPLY_UNBALANCE: f64 = 0.03;
/// Load: each phase current is scaled by 1 + U(-b, b) with b = U(0, this); comes on top of what the supply causes.
pub const LOAD_UNBALANCE: f64 = 0.15;
/// Drift of each supply magnitude from state to state, one standard deviation.
pub const SUPPLY_DRIFT: f64 = 0.002;
/// Drift of each phase's load share from state to state, one standard deviation.
pub const LOAD_DRIFT: f64 = 0.01;
/// Accuracy class of monitor and CTs, percent, uniform: gain errors are uniform within it.
pub const CLASS_PERCENT: (f64, f64) = (0.5, 2.0);
/// Phase displacement of a CT, degrees per percent of class, one standard deviation (IEC 61869-2 limits class 1 to 60
/// minutes at rated current; from memory).
pub const DISPLACEMENT_DEG_PER_CLASS: f64 = 0.5;
/// Load of a state as a fraction of full load, uniform.
pub const LOAD: (f64, f64) = (0.3, 1.0);
/// Two states of one station differ by at least this much load.
pub const LOAD_APART: f64 = 0.12;
/// The motor's full-load power factor strays from its plate's by up to this, uniform.
pub const PLATE_TOLERANCE: f64 = 0.025;
/// Noise of one reading of V, I, and P and Q against V I, one standard deviation.
pub const READING_NOISE: f64 = 0.001;
/// Nominal voltage between phases, V.
pub const LINE_V: f64 = 480.0;

/// Motors drawn, all alike often: shaft W, full-load A, power factor (NEC table 430.250 currents at 460 V).
pub const PLATES: [Plate; 4] = [
    Plate { rated_power_w: 18_642.0, full_load_current_a: 34.0, power_factor: 0.83 },
    Plate { rated_power_w: 44_742.0, full_load_current_a: 77.0, power_factor: 0.86 },
    Plate { rated_power_w: 74_570.0, full_load_current_a: 124.0, power_factor: 0.86 },
    Plate { rated_power_w: 149_140.0, full_load_current_a: 240.0, power_factor: 0.87 },
];

/// A nameplate at 460 V.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Plate {
    /// Shaft power, W.
    pub rated_power_w: f64,
    /// Full-load current, A.
    pub full_load_current_a: f64,
    /// Full-load power factor on the plate.
    pub power_factor: f64,
}

/// Kinds of load, with how often each is drawn.
pub const KINDS: [(Kind, f64); 4] =
    [(Kind::Motor, 0.75), (Kind::Drive, 0.15), (Kind::Capacitor, 0.06), (Kind::Resistive, 0.04)];

/// What a circuit feeds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Induction motor on line.
    Motor,
    /// Diode front end.
    Drive,
    /// Motor with capacitor behind the CTs.
    Capacitor,
    /// Heater.
    Resistive,
}

/// One steady state of a station.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct State {
    /// Load, fraction of full.
    pub load: f64,
    /// Magnitude of each supply phase.
    pub supply: [f64; 3],
    /// Scale of each phase current.
    pub share: [f64; 3],
}

/// A station drawn.
#[derive(Debug, Clone, PartialEq)]
pub struct Draw {
    /// Seed of its meter's gain errors and noise.
    pub seed: u64,
    /// The truth.
    pub truth: Possible,
    /// Nameplate.
    pub plate: Plate,
    /// Load.
    pub kind: Kind,
    /// What the motor's power factor really is at full load.
    pub power_factor: f64,
    /// Class, percent.
    pub class_percent: f64,
    /// Phase displacement of each CT, degrees.
    pub displacement_deg: [f64; 3],
    /// States, in the order they come.
    pub states: Vec<State>,
}

/// Normal deviate (Box and Muller).
pub fn normal(random: &mut fastrand::Rng) -> f64 {
    (-2.0 * (1.0 - random.f64()).ln()).sqrt() * (std::f64::consts::TAU * random.f64()).cos()
}

/// Uniform between two values.
pub fn uniform(random: &mut fastrand::Rng, (low, high): (f64, f64)) -> f64 {
    low + (high - low) * random.f64()
}

fn pick<T: Copy>(random: &mut fastrand::Rng, from: &[(T, f64)]) -> T {
    let mut left = random.f64();
    for (item, weight) in from {
        left -= weight;
        if left < 0.0 {
            return *item;
        }
    }
    from[0].0
}

/// Draws station `n` with so many states.
pub fn draw(n: u64, possible: &[Possible], states: usize) -> Draw {
    let mut random = fastrand::Rng::with_seed(n.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ 0x0135_2905);
    let weights: Vec<(usize, f64)> = possible.iter().enumerate().map(|(i, p)| (i, p.weight)).collect();
    let truth = possible[pick(&mut random, &weights)];
    let kind = pick(&mut random, &KINDS);
    let plate = PLATES[random.usize(..PLATES.len())];
    let class_percent = uniform(&mut random, CLASS_PERCENT);
    let spread = |random: &mut fastrand::Rng, most: f64| {
        let share = most * random.f64();
        [0; 3].map(|_| 1.0 + uniform(random, (-share, share)))
    };
    let supply = spread(&mut random, SUPPLY_UNBALANCE);
    let share = spread(&mut random, LOAD_UNBALANCE);
    let mut loads: Vec<f64> = Vec::new();
    while loads.len() < states {
        let load = uniform(&mut random, LOAD);
        if loads.iter().all(|l| (l - load).abs() >= LOAD_APART) {
            loads.push(load);
        }
    }
    let states = loads
        .into_iter()
        .map(|load| State {
            load,
            supply: supply.map(|s| s * (1.0 + SUPPLY_DRIFT * normal(&mut random))),
            share: share.map(|s| s * (1.0 + LOAD_DRIFT * normal(&mut random))),
        })
        .collect();
    Draw {
        seed: random.u64(..) >> 1,
        truth,
        plate,
        kind,
        power_factor: plate.power_factor + uniform(&mut random, (-PLATE_TOLERANCE, PLATE_TOLERANCE)),
        class_percent,
        displacement_deg: [0; 3].map(|_| DISPLACEMENT_DEG_PER_CLASS * class_percent * normal(&mut random)),
        states,
    }
}
