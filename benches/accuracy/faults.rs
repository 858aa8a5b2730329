//! Every truth a station may have: its leads, how often each slip is made, and which truths no reading can tell apart.
//!
//! The frequencies of mistakes have no source (common practice only); they are this bench's own and are not read from the
//! core, so calibration here also tells how far the core's priors may be off. Must never use anything of `src/audit` but
//! the plain data type of a wiring, into which a truth is translated for comparison.

use wattassay::audit::wiring::{CurrentSeen, Gain, Registers, Wiring};
use wattassay::reading::Phase;

/// Frequency of each slip relative to none; independent slips multiply.
pub mod odds {
    /// Two voltage leads exchanged, each of three pairs.
    pub const VOLTAGE_EXCHANGED: f64 = 0.02;
    /// Voltage leads rolled by one place, each of two ways.
    pub const VOLTAGE_ROLLED: f64 = 0.005;
    /// Two CT pairs exchanged, each of three.
    pub const CURRENT_EXCHANGED: f64 = 0.03;
    /// CT pairs rolled, each of two ways.
    pub const CURRENT_ROLLED: f64 = 0.01;
    /// One CT reversed, each of three.
    pub const REVERSED: f64 = 0.04;
    /// All three reversed, as one slip.
    pub const ALL_REVERSED: f64 = 0.02;
    /// One CT open, each of three.
    pub const OPEN: f64 = 0.015;
    /// The pump has lost a supply phase, each of three.
    pub const LOST_PHASE: f64 = 0.004;
    /// Two CTs open, each of three pairs.
    pub const TWO_OPEN: f64 = 0.004;
    /// One CT of half or twice the ratio entered, each of six.
    pub const RATIO: f64 = 0.006;
    /// One CT around its own conductor and another, each of six.
    pub const TWO_CONDUCTORS: f64 = 0.002;
    /// One CT on the conductor of another, each of six.
    pub const SAME_CONDUCTOR: f64 = 0.003;
    /// The supply rotates against what the configuration expects.
    pub const ROTATION: f64 = 0.02;
    /// Each of three mistakes in the map: sign of P, sign of Q, P and Q exchanged.
    pub const MAP: f64 = 0.01;
}

/// A mistake in the register map.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MapMistake {
    /// None.
    None,
    /// Sign of P.
    SignOfP,
    /// Sign of Q.
    SignOfQ,
    /// P and Q exchanged.
    Exchanged,
}

/// How the leads of a station really are.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Leads {
    /// Phase (0, 1, 2) each voltage channel is on.
    pub voltage: [usize; 3],
    /// Share of each conductor's current that each channel sees; all zero is an open CT.
    pub current: [[f64; 3]; 3],
    /// Phase the pump has lost.
    pub lost: Option<usize>,
    /// Supply rotates ACB although ABC is expected.
    pub opposite: bool,
    /// Mistake in the map.
    pub map: MapMistake,
}

impl Leads {
    /// As intended.
    pub const INTENDED: Leads = Leads {
        voltage: [0, 1, 2],
        current: [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
        lost: None,
        opposite: false,
        map: MapMistake::None,
    };

    /// The same with conductors named after the voltage channel that is on them, and whether the voltage channels rotate
    /// the other way: two leads with the same result can never be told apart from readings.
    pub fn relative(&self) -> Relative {
        let channel_on = |phase: usize| self.voltage.iter().position(|p| *p == phase).unwrap_or(phase);
        let mut current = [[0.0; 3]; 3];
        for k in 0..3 {
            for phase in 0..3 {
                current[k][channel_on(phase)] = self.current[k][phase];
            }
        }
        Relative {
            reversed: odd(self.voltage) != self.opposite,
            current,
            lost: self.lost.map(channel_on),
            map: self.map,
        }
    }

    /// True when both register the same on every channel, whatever the order of their voltage leads.
    pub fn registers_as(&self, other: &Leads) -> bool {
        let (one, other) = (self.relative(), other.relative());
        one.current == other.current && one.map == other.map && one.lost == other.lost
    }

    /// True when the true power is registered.
    pub fn power_right(&self) -> bool {
        let relative = self.relative();
        relative.current == Leads::INTENDED.current && self.map == MapMistake::None
    }

    /// The same without what no register shows: a wrong sign of Q is no fault where Q is not read.
    #[must_use]
    pub fn as_read(mut self, reads_q: bool) -> Leads {
        if !reads_q && self.map == MapMistake::SignOfQ {
            self.map = MapMistake::None;
        }
        self
    }

    /// The core's word for it; `None` when the core has none.
    pub fn to_core(self) -> Option<Wiring> {
        let mut wiring = Wiring::INTENDED;
        wiring.voltage = self.voltage.map(|p| Phase::ALL[p]);
        wiring.lost_phase = self.lost.map(|p| Phase::ALL[p]);
        wiring.supply_rotates_back = self.opposite;
        wiring.registers = match self.map {
            MapMistake::None => Registers::AsDeclared,
            MapMistake::SignOfQ => Registers::ReactiveSign,
            MapMistake::SignOfP => Registers::ActiveSign,
            MapMistake::Exchanged => Registers::Exchanged,
        };
        for k in 0..3 {
            let row = self.current[k];
            let seen: Vec<usize> = (0..3).filter(|p| row[*p] != 0.0).collect();
            wiring.current[k] = match seen[..] {
                [] => CurrentSeen::Nothing,
                [p] => {
                    wiring.gain[k] = match row[p].abs() {
                        1.0 => Gain::AsRated,
                        0.5 => Gain::Times(1, 2),
                        2.0 => Gain::Times(2, 1),
                        _ => return None,
                    };
                    CurrentSeen::Conductor { phase: Phase::ALL[p], reversed: row[p] < 0.0 }
                }
                // Both conductors the same way round.
                [p, q] if row[p] == row[q] && row[p].abs() == 1.0 => {
                    CurrentSeen::AllBut { phase: Phase::ALL[3 - p - q], reversed: row[p] < 0.0 }
                }
                _ => return None,
            };
        }
        Some(wiring)
    }

    /// For the list of worst cases.
    pub fn words(&self) -> String {
        let letter = |p: usize| ["A", "B", "C"][p];
        let current = self.current.map(|row| self::lead(&row)).join(",");
        let mut parts = vec![format!("V {}", self.voltage.map(letter).concat()), format!("I {current}")];
        parts.extend(self.lost.map(|p| format!("lost {}", letter(p))));
        if self.opposite {
            parts.push("supply ACB".to_owned());
        }
        if self.map != MapMistake::None {
            parts.push(format!("map {:?}", self.map));
        }
        parts.join(" ")
    }
}

/// A current lead as the simulator writes it.
pub fn lead(row: &[f64; 3]) -> String {
    let terms: Vec<String> = (0..3)
        .filter(|p| row[*p] != 0.0)
        .map(|p| {
            let (sign, size) = (if row[p] < 0.0 { "-" } else { "" }, row[p].abs());
            let factor = if size == 1.0 { String::new() } else { format!("*{size}") };
            format!("{sign}{}{factor}", ["A", "B", "C"][p])
        })
        .collect();
    if terms.is_empty() { "open".to_owned() } else { terms.join("+") }
}

/// Leads as far as readings can tell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Relative {
    /// Voltage channels rotate against the expected rotation.
    pub reversed: bool,
    /// Share of the conductor of each voltage channel that each current channel sees.
    pub current: [[f64; 3]; 3],
    /// Voltage channel whose conductor is lost.
    pub lost: Option<usize>,
    /// Mistake in the map.
    pub map: MapMistake,
}

fn odd(order: [usize; 3]) -> bool {
    (0..3).filter(|k| order[*k] == *k).count() == 1
}

/// One possible truth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Possible {
    /// The leads.
    pub leads: Leads,
    /// Its probability.
    pub weight: f64,
    /// Slips it takes.
    pub slips: u32,
}

/// The core's wirings that register the same as `truth` on every channel, itself among them.
pub fn alike(truth: &Leads, possible: &[Possible]) -> Vec<Wiring> {
    possible.iter().filter(|p| p.leads.registers_as(truth)).filter_map(|p| p.leads.to_core()).collect()
}

/// Fault classes beyond those the core knew when this bench was written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Extra {
    /// Two CTs open.
    TwoOpen,
    /// Half or twice the ratio on one CT.
    Ratio,
    /// A CT around two conductors.
    TwoConductors,
    /// Two CTs on one conductor.
    SameConductor,
    /// Supply rotates the other way.
    Rotation,
    /// Signs and exchange of P and Q in the map.
    Map,
}

const ORDERS: [[usize; 3]; 6] = [[0, 1, 2], [0, 2, 1], [2, 1, 0], [1, 0, 2], [1, 2, 0], [2, 0, 1]];

fn order_odds(order: [usize; 3], exchanged: f64, rolled: f64) -> (f64, u32) {
    if order == [0, 1, 2] {
        (1.0, 0)
    } else if odd(order) {
        (exchanged, 1)
    } else {
        (rolled, 1)
    }
}

/// Every truth a station may have, probabilities summing to 1.
pub fn possible(extras: &[Extra]) -> Vec<Possible> {
    let mut all = Vec::new();
    for voltage in ORDERS {
        let (of_voltage, voltage_slips) = order_odds(voltage, odds::VOLTAGE_EXCHANGED, odds::VOLTAGE_ROLLED);
        let mut add = |current: [[f64; 3]; 3], weight: f64, slips: u32| {
            let leads = Leads { voltage, current, ..Leads::INTENDED };
            all.push(Possible { leads, weight: weight * of_voltage, slips: slips + voltage_slips });
        };
        for order in ORDERS {
            let (of_order, order_slips) = order_odds(order, odds::CURRENT_EXCHANGED, odds::CURRENT_ROLLED);
            for polarity in 0u32..8 {
                let row = |k: usize| [0, 1, 2].map(|p| if p == order[k] { sign(polarity, k) } else { 0.0 });
                let current = [row(0), row(1), row(2)];
                let turned = polarity.count_ones();
                let singly = odds::REVERSED.powi(turned as i32);
                let (of_polarity, turns) = if turned == 3 { (odds::ALL_REVERSED, 1) } else { (singly, turned) };
                add(current, of_order * of_polarity, order_slips + turns);
                for open in (0..3).filter(|k| polarity & (1 << k) == 0) {
                    let mut current = current;
                    current[open] = [0.0; 3];
                    add(current, of_order * singly * odds::OPEN, order_slips + turned + 1);
                }
            }
        }
        add_extras(extras, &mut add);
    }
    for lost in 0..3 {
        let leads = Leads { lost: Some(lost), ..Leads::INTENDED };
        all.push(Possible { leads, weight: odds::LOST_PHASE, slips: 1 });
    }
    if extras.contains(&Extra::Rotation) {
        let leads = Leads { opposite: true, ..Leads::INTENDED };
        all.push(Possible { leads, weight: odds::ROTATION, slips: 1 });
    }
    if extras.contains(&Extra::Map) {
        for map in [MapMistake::SignOfP, MapMistake::SignOfQ, MapMistake::Exchanged] {
            all.push(Possible { leads: Leads { map, ..Leads::INTENDED }, weight: odds::MAP, slips: 1 });
        }
    }
    let total: f64 = all.iter().map(|p| p.weight).sum();
    for possible in &mut all {
        possible.weight /= total;
    }
    all
}

fn sign(polarity: u32, channel: usize) -> f64 {
    if polarity & (1 << channel) == 0 { 1.0 } else { -1.0 }
}

fn add_extras(extras: &[Extra], add: &mut impl FnMut([[f64; 3]; 3], f64, u32)) {
    let straight = Leads::INTENDED.current;
    for k in 0..3 {
        if extras.contains(&Extra::TwoOpen) {
            let mut current = [[0.0; 3]; 3];
            current[k] = straight[k];
            add(current, odds::TWO_OPEN, 1);
        }
        for ratio in [0.5, 2.0] {
            if extras.contains(&Extra::Ratio) {
                let mut current = straight;
                current[k][k] = ratio;
                add(current, odds::RATIO, 1);
            }
        }
        for other in (0..3).filter(|o| *o != k) {
            if extras.contains(&Extra::TwoConductors) {
                let mut current = straight;
                current[k][other] = 1.0;
                add(current, odds::TWO_CONDUCTORS, 1);
            }
            if extras.contains(&Extra::SameConductor) {
                let mut current = straight;
                current[k] = straight[other];
                add(current, odds::SAME_CONDUCTOR, 1);
            }
        }
    }
}
