//! Admittances of the loads that are drawn, tabulated for the brute-force optimum: to the main and the opposing sequence,
//! and of a load that has lost a phase, over power factor, voltage and load.
//!
//! Uses the simulator's motor model, because the optimum is to know the generator; never anything of the core.

use wattassay_simulators::{C64, MotorModel, Nameplate};

use super::generator::{Kind, LINE_V, LOAD, PLATE_TOLERANCE, PLATES, Plate};

const FACTORS: usize = 5;
const VOLTAGES: [f64; 3] = [0.94, 1.0, 1.06];
const LOADS: usize = 24;

/// Displacement power factor of a drive's front end, its standing loss, its reaction to the opposing sequence, and RMS over
/// fundamental of its current: the simulator's documented figures.
const DRIVE: (f64, f64, f64, f64) = (0.97, 0.05, 2.0, 1.067_85);

/// Admittances in one state, S per phase.
#[derive(Debug, Clone, Copy)]
pub struct Admittances {
    /// To the sequence of the supply's rotation.
    pub main: C64,
    /// To the opposing one.
    pub opposing: C64,
    /// Between the two live conductors of a load that has lost the third.
    pub single_phase: C64,
}

impl Admittances {
    fn mix(a: &Admittances, b: &Admittances, share: f64) -> Admittances {
        let mix = |a: C64, b: C64| a * (1.0 - share) + b * share;
        Admittances {
            main: mix(a.main, b.main),
            opposing: mix(a.opposing, b.opposing),
            single_phase: mix(a.single_phase, b.single_phase),
        }
    }
}

/// Table of one kind of load of one plate.
pub struct LoadTable {
    grid: Vec<[[Admittances; LOADS]; 3]>,
    /// RMS current over its fundamental.
    pub distortion: f64,
}

/// Nominal volts to neutral.
pub fn phase_v() -> f64 {
    LINE_V / 3f64.sqrt()
}

fn load_at(n: usize) -> f64 {
    LOAD.0 - 0.03 + (LOAD.1 - LOAD.0 + 0.06) * n as f64 / (LOADS - 1) as f64
}

/// Place on an even grid: index below and share of the one above.
fn place(x: f64, low: f64, high: f64, points: usize) -> (usize, f64) {
    let at = ((x - low) / (high - low) * (points - 1) as f64).clamp(0.0, (points - 1) as f64);
    let index = (at as usize).min(points.saturating_sub(2));
    (index, at - index as f64)
}

impl LoadTable {
    fn new(kind: Kind, plate: &Plate) -> LoadTable {
        let factors = if matches!(kind, Kind::Motor | Kind::Capacitor) { FACTORS } else { 1 };
        let grid = (0..factors)
            .map(|f| {
                let off = PLATE_TOLERANCE * (2.0 * f as f64 / (FACTORS - 1) as f64 - 1.0);
                let load = Load::new(kind, plate, plate.power_factor + off);
                VOLTAGES.map(|v| std::array::from_fn(|n| load.admittances(v * phase_v(), load_at(n))))
            })
            .collect();
        LoadTable { grid, distortion: if kind == Kind::Drive { DRIVE.3 } else { 1.0 } }
    }

    /// Every table there is, asked for by kind and plate.
    pub fn all() -> Vec<(Kind, Plate, LoadTable)> {
        let kinds = [Kind::Motor, Kind::Drive, Kind::Capacitor, Kind::Resistive];
        kinds.into_iter().flat_map(|k| PLATES.map(|p| (k, p, LoadTable::new(k, &p)))).collect()
    }

    /// The table over load for a power factor (0..1 within its tolerance) and a main-sequence voltage.
    pub fn over_load(&self, factor: f64, main_v: f64) -> impl Fn(usize) -> Admittances + '_ {
        let (f, of_f) = place(factor, 0.0, 1.0, self.grid.len());
        let (v, of_v) = place(main_v / phase_v(), VOLTAGES[0], VOLTAGES[2], 3);
        move |n| {
            let at = |f: usize| Admittances::mix(&self.grid[f][v][n], &self.grid[f][v + 1][n], of_v);
            if self.grid.len() == 1 { at(0) } else { Admittances::mix(&at(f), &at(f + 1), of_f) }
        }
    }

    /// Load at which `ln_of` (rising with load) reaches `ln_target`: admittances there, and the slope of load over ln.
    pub fn solve(
        at: &impl Fn(usize) -> Admittances,
        ln_of: impl Fn(&Admittances) -> f64,
        ln_target: f64,
    ) -> Option<(Admittances, f64, f64)> {
        let (mut low, mut high) = (0, LOADS - 1);
        let (mut ln_low, mut ln_high) = (ln_of(&at(low)), ln_of(&at(high)));
        if !(ln_low..=ln_high).contains(&ln_target) {
            return None;
        }
        while high - low > 1 {
            let middle = usize::midpoint(low, high);
            let ln = ln_of(&at(middle));
            if ln <= ln_target { (low, ln_low) = (middle, ln) } else { (high, ln_high) = (middle, ln) }
        }
        let rise = (ln_high - ln_low).max(1e-9);
        let share = (ln_target - ln_low) / rise;
        let step = load_at(high) - load_at(low);
        Some((Admittances::mix(&at(low), &at(high), share), load_at(low) + share * step, step / rise))
    }
}

/// One load at one power factor.
struct Load {
    kind: Kind,
    model: Option<MotorModel>,
    capacitor_s: f64,
    full_va: f64,
    conductance_s: f64,
}

impl Load {
    fn new(kind: Kind, plate: &Plate, factor: f64) -> Load {
        let full_va = 3f64.sqrt() * 460.0 * plate.full_load_current_a;
        let motor = || {
            MotorModel::fit(&Nameplate {
                rated_power_w: plate.rated_power_w,
                rated_voltage_v: 460.0,
                full_load_current_a: plate.full_load_current_a,
                full_load_power_factor: factor,
                locked_rotor_current_a: None,
            })
            .expect("a possible plate")
        };
        let to_095 = full_va * factor * (factor.acos().tan() - 0.95f64.acos().tan());
        Load {
            kind,
            model: matches!(kind, Kind::Motor | Kind::Capacitor).then(motor),
            capacitor_s: if kind == Kind::Capacitor { to_095.max(0.0) / 460f64.powi(2) } else { 0.0 },
            full_va,
            conductance_s: plate.rated_power_w / 460f64.powi(2),
        }
    }

    fn pair(&self, main_v: f64, opposing_v: f64, load: f64) -> (C64, C64) {
        match (&self.model, self.kind) {
            (Some(model), _) => {
                let slip = model.slip(main_v, opposing_v, load).unwrap_or(1.0);
                let capacitor = C64::new(0.0, self.capacitor_s);
                (1.0 / model.forward_impedance(slip) + capacitor, 1.0 / model.backward_impedance(slip) + capacitor)
            }
            (None, Kind::Drive) => {
                let (factor, standing, opposing, distortion) = DRIVE;
                let input_w = self.full_va / distortion * factor * (standing + (1.0 - standing) * load);
                let va = C64::from_polar(input_w / factor, -factor.acos());
                let main = va / (3.0 * (main_v.powi(2) + opposing * opposing_v.powi(2)));
                (main, main * opposing)
            }
            _ => (C64::new(self.conductance_s * load, 0.0), C64::new(self.conductance_s * load, 0.0)),
        }
    }

    fn admittances(&self, voltage_v: f64, load: f64) -> Admittances {
        let (main, opposing) = self.pair(voltage_v, 0.0, load);
        // With one conductor open the two sequence admittances are in series between the live ones.
        let (mut main_v, mut opposing_v) = (0.95 * voltage_v, 0.05 * voltage_v);
        let mut single_phase = main;
        for _ in 0..30 {
            let (y1, y2) = self.pair(main_v, opposing_v, load);
            single_phase = y1 * y2 / (y1 + y2);
            let amps = single_phase.norm() * voltage_v * 3f64.sqrt();
            main_v += 0.6 * (amps / 3f64.sqrt() / y1.norm() - main_v);
            opposing_v += 0.6 * (amps / 3f64.sqrt() / y2.norm() - opposing_v);
        }
        Admittances { main, opposing, single_phase }
    }
}
