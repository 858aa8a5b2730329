//! What a monitor shows in each state of its voltage leads: the forward model. Built once a service.
//!
//! Unit of voltage: nominal to neutral of an ordinary phase. The monitor is taken as three equal impedances from its
//! terminals to its zero. Common practice, no source, for what follows:
//! - A floating terminal is drawn to the zero, not quite: coupling along the lead leaves up to some ten per cent. Without
//!   a neutral lead it is drawn to the middle of the other two (or to a zero that is grounded inside).
//! - Line voltages are differences of the channels' voltages; some monitors show 0 for those that touch a dead channel.
//! - A phase that running motors hold up has 60 to 95 % of its voltage, some degrees off; a line-to-line load on a lost
//!   phase draws it towards another.
//!
//! A state that can show in several ways is a weighted set of [`Sighting`]s. Must never look at a reading.

use num_complex::Complex64;

use super::{VoltageService, VoltageState};
use crate::audit::context::ServiceKind;
use crate::electrical::angle::{arg_deg, polar_deg};

/// One way a state shows: three voltages to neutral and three between lines (1-2, 2-3, 3-1).
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Sighting {
    /// Magnitudes, in units of nominal to neutral: 1-N, 2-N, 3-N, 1-2, 2-3, 3-1.
    pub magnitude: [f64; 6],
    /// Angles of the voltages to neutral, degrees; of no meaning where the magnitude is small.
    pub angle_deg: [f64; 3],
    /// Spread of each magnitude on top of that of supply and meter.
    pub spread: [f64; 6],
    /// Spread of the angles, degrees, on top of that of supply and meter.
    pub angle_spread_deg: f64,
    /// Share of the state's probability.
    pub weight: f64,
}

/// A state, its probability before any evidence, and how it shows.
#[derive(Debug, Clone)]
pub(super) struct Candidate {
    pub state: VoltageState,
    pub prior: f64,
    pub sightings: Vec<Sighting>,
}

/// Everything a service can show.
#[derive(Debug, Clone, Default)]
pub(super) struct Model {
    pub candidates: Vec<Candidate>,
    /// Magnitudes of a sound supply: the scale of errors, and which of the six exist.
    pub sound: [f64; 6],
    /// Which of the six magnitudes tell anything in this system.
    pub in_use: [bool; 6],
    /// The angles of the voltages to neutral tell something.
    pub angles_in_use: bool,
}

/// What a floating terminal may show.
const FLOATING_SPREAD: f64 = 0.06;
/// Spread between the points at which a continuous unknown is sampled.
const SAMPLED_SPREAD: f64 = 0.05;
const SAMPLED_SPREAD_DEG: f64 = 6.0;
/// Sizes at which a motor may hold up a lost phase, and angles off its own.
const HELD_UP: [f64; 5] = [0.60, 0.69, 0.78, 0.87, 0.95];
const HELD_UP_ANGLE_DEG: [f64; 5] = [-24.0, -12.0, 0.0, 12.0, 24.0];
/// Sizes of a displaced zero.
const DISPLACED: [f64; 6] = [0.08, 0.16, 0.26, 0.38, 0.52, 0.7];
/// Pairs of terminals behind the three line voltages.
const LINES: [(usize, usize); 3] = [(0, 1), (1, 2), (2, 0)];

impl Model {
    pub(super) fn of(service: VoltageService) -> Model {
        let system = service.system;
        let sound = intended(system).seen(1.0).magnitude;
        let in_use = match system {
            ServiceKind::Wye4 | ServiceKind::Delta3 | ServiceKind::HighLegDelta => [true; 6],
            ServiceKind::TwoElement | ServiceKind::OpenDelta => [false, false, false, true, true, true],
            ServiceKind::SplitPhase => [true, true, false, true, false, false],
            ServiceKind::SinglePhase => [true, false, false, false, false, false],
        };
        let states = VoltageState::all(service);
        let total: f64 = states.iter().map(|s| s.1).sum();
        let candidates = states
            .into_iter()
            .map(|(state, odds)| Candidate { state, prior: odds / total, sightings: sightings(system, state) })
            .collect();
        // Two-element monitors disagree on what their angles mean; with a single channel there is nothing to compare.
        let angles_in_use = !system.between_lines() && system.voltage_channels() > 1;
        Model { candidates, sound, in_use, angles_in_use }
    }
}

/// Potentials of the three terminals and of the monitor's zero.
#[derive(Debug, Clone, Copy)]
struct Terminals {
    at: [Complex64; 3],
    zero: Complex64,
}

impl Terminals {
    fn seen(self, weight: f64) -> Sighting {
        let to_zero = self.at.map(|t| t - self.zero);
        let line = LINES.map(|(i, j)| (self.at[i] - self.at[j]).norm());
        Sighting {
            magnitude: [to_zero[0].norm(), to_zero[1].norm(), to_zero[2].norm(), line[0], line[1], line[2]],
            angle_deg: to_zero.map(arg_deg),
            spread: [0.0; 6],
            angle_spread_deg: 0.0,
            weight,
        }
    }

    /// With the zero in the middle of the three terminals: a monitor without neutral lead.
    fn balanced(at: [Complex64; 3]) -> Terminals {
        Terminals { at, zero: at.iter().sum::<Complex64>() / 3.0 }
    }

    fn with(mut self, k: usize, potential: Complex64) -> Terminals {
        self.at[k] = potential;
        self
    }
}

impl Sighting {
    fn spread_at(mut self, k: usize, spread: f64) -> Sighting {
        self.spread[k] = self.spread[k].max(spread);
        for (line, (i, j)) in LINES.into_iter().enumerate() {
            if i == k || j == k {
                self.spread[3 + line] = self.spread[3 + line].max(spread);
            }
        }
        self
    }

    fn spread_everywhere(mut self, spread: f64, angle_spread_deg: f64) -> Sighting {
        self.spread = [spread; 6];
        self.angle_spread_deg = angle_spread_deg;
        self
    }

    /// As a monitor shows it that gives no line voltage to a dead channel.
    fn lines_blanked(mut self, k: usize, weight: f64) -> Sighting {
        for (line, (i, j)) in LINES.into_iter().enumerate() {
            if i == k || j == k {
                self.magnitude[3 + line] = 0.0;
            }
        }
        self.weight = weight;
        self
    }
}

fn intended(system: ServiceKind) -> Terminals {
    let at = match system {
        ServiceKind::HighLegDelta => [polar_deg(1.0, 0.0), polar_deg(3f64.sqrt(), -90.0), polar_deg(1.0, 180.0)],
        ServiceKind::SplitPhase => [polar_deg(1.0, 0.0), polar_deg(1.0, 180.0), Complex64::ZERO],
        _ => [polar_deg(1.0, 0.0), polar_deg(1.0, -120.0), polar_deg(1.0, 120.0)],
    };
    Terminals { at, zero: Complex64::ZERO }
}

fn sightings(system: ServiceKind, state: VoltageState) -> Vec<Sighting> {
    let sound = intended(system);
    // Where there is no neutral lead, a changed terminal takes the monitor's zero along.
    let settle = |t: Terminals| if system.is_three_wire() { Terminals::balanced(t.at) } else { t };
    match state {
        VoltageState::Sound => vec![sound.seen(1.0)],
        VoltageState::AllDead => {
            let dead = Terminals { at: [Complex64::ZERO; 3], zero: Complex64::ZERO };
            vec![dead.seen(1.0).spread_everywhere(0.03, 0.0)]
        }
        VoltageState::LeadOff(k) | VoltageState::FuseBlown(k) => floating(system, k),
        VoltageState::PhaseLost(k) => lost(system, k),
        VoltageState::BackFed(k) => held_up(k, &sound, settle),
        VoltageState::PrimaryLost(k) => {
            // Open delta primary: the whole winding keeps its voltage, the other two are in series across it.
            let halves = [0, 1, 2].map(|j| sound.at[k] * if j == k { 1.0 } else { -0.5 });
            vec![Terminals { at: halves, zero: Complex64::ZERO }.seen(1.0).spread_everywhere(0.02, 2.0)]
        }
        VoltageState::TransformerReversed(k) => vec![settle(element(system, &sound, k, -1.0)).seen(1.0)],
        VoltageState::RatioWrong(k, ratio) => vec![settle(element(system, &sound, k, ratio.factor())).seen(1.0)],
        VoltageState::RatioWrongOnAll(ratio) => {
            vec![Terminals { at: sound.at.map(|t| t * ratio.factor()), zero: Complex64::ZERO }.seen(1.0)]
        }
        VoltageState::LeadOnNeutral(k) => {
            let on_neutral = sound.with(k, Complex64::ZERO).seen(0.8);
            vec![on_neutral.clone(), on_neutral.lines_blanked(k, 0.2)]
        }
        VoltageState::SamePhase(k, j) => vec![settle(sound.with(k, sound.at[j])).seen(1.0)],
        VoltageState::NeutralExchanged(k) => {
            vec![Terminals { zero: sound.at[k], ..sound.with(k, Complex64::ZERO) }.seen(1.0)]
        }
        VoltageState::NeutralOpen => {
            // Three equal impedances hold the zero in the middle, and nothing shows; unequal ones let it wander.
            let middle = match system {
                ServiceKind::HighLegDelta => Terminals::balanced(sound.at),
                _ => sound,
            };
            let mut ways = displaced(&sound, &DISPLACED, 0.6);
            ways.push(middle.seen(0.4).spread_everywhere(0.01, 1.0));
            ways
        }
        VoltageState::EarthFault => displaced(&sound, &[0.1, 0.25, 0.4, 0.55, 0.7, 0.85, 1.0], 1.0),
        VoltageState::HighLegOn(k) => {
            let mut at = sound.at;
            at.swap(k, 1);
            vec![Terminals { at, ..sound }.seen(1.0)]
        }
    }
}

/// A terminal with nothing on it: half of the monitors show its zero as zero, half what couples into the lead.
fn floating(system: ServiceKind, k: usize) -> Vec<Sighting> {
    let sound = intended(system);
    let (next, last) = ((k + 1) % 3, (k + 2) % 3);
    let mut ways = if system.is_three_wire() {
        let middle = (sound.at[next] + sound.at[last]) / 2.0;
        let between = Terminals { at: sound.with(k, middle).at, zero: middle };
        let other = if system.between_lines() && k != 1 {
            // The channel between this terminal and the common one has no voltage across it.
            Terminals::balanced(sound.with(k, sound.at[1]).at)
        } else {
            sound.with(k, Complex64::ZERO)
        };
        // A transformer whose primary is dead gives nothing; a direct lead mostly floats to the middle.
        let share = if system == ServiceKind::OpenDelta && k != 1 { 0.7 } else { 0.3 };
        vec![between.seen(0.8 - share), other.seen(share), between.seen(0.0).lines_blanked(k, 0.2)]
    } else {
        let drawn = sound.with(k, Complex64::ZERO).seen(0.8);
        vec![drawn.clone(), drawn.lines_blanked(k, 0.2)]
    };
    for way in &mut ways {
        way.weight *= 0.5;
    }
    ways.extend(ways.clone().into_iter().map(|way| way.spread_at(k, FLOATING_SPREAD)));
    ways
}

/// A phase of the supply gone: as a floating terminal, or drawn to another phase by what is connected between them.
fn lost(system: ServiceKind, k: usize) -> Vec<Sighting> {
    let sound = intended(system);
    let mut ways = floating(system, k);
    for way in &mut ways {
        way.weight *= 0.6;
    }
    for other in (0..system.voltage_channels()).filter(|j| *j != k) {
        for share in [0.5, 1.0] {
            let drawn = sound.with(k, sound.at[other] * share);
            let drawn = if system.is_three_wire() { Terminals::balanced(drawn.at) } else { drawn };
            let weight = 0.4 / (2.0 * (system.voltage_channels() - 1) as f64);
            ways.push(drawn.seen(weight).spread_at(k, FLOATING_SPREAD));
        }
    }
    // A single conductor has no other to be drawn to.
    let total: f64 = ways.iter().map(|w| w.weight).sum();
    for way in &mut ways {
        way.weight /= total;
    }
    ways
}

fn held_up(k: usize, sound: &Terminals, settle: impl Fn(Terminals) -> Terminals) -> Vec<Sighting> {
    let weight = 1.0 / (HELD_UP.len() * HELD_UP_ANGLE_DEG.len()) as f64;
    let mut ways = Vec::new();
    for size in HELD_UP {
        for off_deg in HELD_UP_ANGLE_DEG {
            let held = settle(sound.with(k, sound.at[k] * polar_deg(size, off_deg)));
            ways.push(Sighting {
                angle_spread_deg: SAMPLED_SPREAD_DEG,
                ..held.seen(weight).spread_at(k, SAMPLED_SPREAD)
            });
        }
    }
    ways
}

/// The zero away from the middle, in any direction.
fn displaced(sound: &Terminals, sizes: &[f64], weight: f64) -> Vec<Sighting> {
    let mut ways = Vec::new();
    for size in sizes {
        for step in 0..12 {
            let zero = polar_deg(*size, 30.0 * f64::from(step));
            let mut way = Terminals { zero, ..*sound }.seen(weight / (12 * sizes.len()) as f64);
            // The line voltages stay as they are; only the voltages to the zero are sampled.
            way.spread = [0.04 + 0.13 * size, 0.04 + 0.13 * size, 0.04 + 0.13 * size, 0.0, 0.0, 0.0];
            way.angle_spread_deg = SAMPLED_SPREAD_DEG + 10.0 * size;
            ways.push(way);
        }
    }
    ways
}

/// One channel's voltage multiplied by `factor`: between its terminals for two elements, else to neutral.
fn element(system: ServiceKind, sound: &Terminals, k: usize, factor: f64) -> Terminals {
    let from = if system.between_lines() { sound.at[1] } else { Complex64::ZERO };
    sound.with(k, from + (sound.at[k] - from) * factor)
}
