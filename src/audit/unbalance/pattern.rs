//! What each conductor's current is expected to be against the load's mean one, and which conductor each channel would see.

use num_complex::Complex64;

use super::supply::{SupplyUnbalance, turn};
use crate::audit::context::{CircuitContext, LoadBehaviour};
use crate::audit::hypotheses::{NOTHING, Shift};
use crate::audit::load;
use crate::electrical::angle::polar_deg;
use crate::electrical::motor::{LOCKED_ROTOR_LAG_DEG, USUAL_LOCKED_ROTOR_MULTIPLE};

/// Stories of why the channels' currents differ, besides that nothing is known of it.
pub const STORIES: usize = 3;
/// How probable each is; the rest is left to "nothing is known". No source: of what lies behind an uneven current neither
/// the size alone (gain errors, single-phase loads) nor a machine's own unbalance is rare, and a supply is as often uneven by
/// what its transformer feeds in one phase as between two.
pub const STORY_WEIGHTS: [f64; STORIES] = [0.42, 0.14, 0.4];

/// Share of the voltages' sizes that is the opposing sequence's, by story: half where the phases stand 120 degrees apart,
/// all without a zero sequence.
const OPPOSING_SHARE: [f64; STORIES] = [0.5, 1.0, 0.5];

/// Error of a voltage channel's size, one standard deviation: a class 0.5 meter and its transformers.
const VOLTAGE_ERROR: f64 = 0.006;
/// How far a load's answer is from what is expected, as a share of it: locked-rotor currents of the code tables are 5.3 to
/// 6.4 times full load, their power factors 0.1 to 0.4.
const ANSWER_ERROR: f64 = 0.15;

/// Share of its full-load current above which what a motor with capacitor draws is mostly the motor's own.
const WELL_LOADED: f64 = 0.5;

/// What the load makes of an uneven supply, under one story.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Answer {
    /// Admittance to the opposing sequence over that to the main one.
    reaction: Complex64,
    /// Opposing over main sequence of the voltage, for channels that rotate 1-2-3.
    voltage: Complex64,
    /// Zero over main sequence of the voltage, likewise.
    zero: Complex64,
    /// Share of the voltages' sizes that is the opposing sequence's.
    share: f64,
    /// The opposing sequence is measured, for the angles between the voltages are known.
    measured: bool,
    /// Beyond this the three currents sum to zero, so that their sizes fix their angles.
    pub closed: bool,
}

/// Where each channel's CT sits under a class: position of its conductor among the voltage channels.
pub type Seat = [Option<u8>; 3];

/// Admittance to the opposing sequence over that to the main one, at this current; `None` where nothing is known of it.
fn reaction(context: &CircuitContext, mean_current_a: f64) -> Option<Complex64> {
    match context.load {
        LoadBehaviour::InductionMotor | LoadBehaviour::SoftStarter => {
            let per_unit = mean_current_a / context.full_load_current_a?;
            let lag_deg = load::expected(context, mean_current_a)?.0;
            Some(polar_deg(USUAL_LOCKED_ROTOR_MULTIPLE / per_unit, lag_deg - LOCKED_ROTOR_LAG_DEG))
        }
        LoadBehaviour::Resistive => Some(Complex64::ONE),
        // A rectifier loads the higher phase more, but by how much depends on its chokes.
        LoadBehaviour::Drive => Some(Complex64::new(2.0, 0.0)),
        // The capacitor takes an unknown part of a light load's amps, and may be switched: only well loaded they are the motor's.
        LoadBehaviour::MotorWithCapacitor => {
            let per_unit = mean_current_a / context.full_load_current_a?;
            let lags = load::capacitor_lags_deg(context, mean_current_a).filter(|_| per_unit > WELL_LOADED)?;
            let lag_deg = lags.iter().sum::<f64>() / lags.len() as f64;
            Some(polar_deg(USUAL_LOCKED_ROTOR_MULTIPLE / per_unit, lag_deg - LOCKED_ROTOR_LAG_DEG))
        }
        LoadBehaviour::Unknown => None,
    }
}

/// What the load makes of this supply under each story.
pub fn answers(supply: &SupplyUnbalance, context: &CircuitContext, mean_current_a: f64) -> Option<[Answer; STORIES]> {
    let reaction = reaction(context, mean_current_a)?;
    let answers = [0, 1, 2].map(|story| {
        let share = OPPOSING_SHARE[story];
        let voltage = supply.opposing(share);
        let measured = supply.opposing_is_measured();
        Answer { reaction, voltage, zero: supply.zero(share), share, measured, closed: story == 2 }
    });
    answers.iter().all(|a| a.opposing(false).norm() < 0.6).then_some(answers)
}

impl Answer {
    /// Opposing over main sequence of the current, in channels that rotate 1-2-3 or, `back`, 1-3-2.
    pub fn opposing(&self, back: bool) -> Complex64 {
        seen_back(self.voltage, back) * self.reaction
    }

    /// Current of the conductor at `seat` against the mean one.
    pub fn current(&self, seat: usize, back: bool) -> Complex64 {
        1.0 + self.opposing(back) * turned(seat, back).conj()
    }

    /// The same with `more` of the opposing sequence in the supply.
    #[must_use]
    pub fn with(&self, more: Complex64, back: bool) -> Answer {
        Answer { voltage: self.voltage + seen_back(more, back), ..*self }
    }

    /// How that current follows what there is more of the opposing sequence in the supply.
    pub fn follows(&self, seat: usize, back: bool) -> Complex64 {
        let turned = turned(seat, back).conj();
        self.reaction * turned / (1.0 + self.opposing(back) * turned)
    }

    /// Variance of each part of the supply's opposing sequence that the voltages do not show: their errors, and that of
    /// the answer carried over.
    pub fn unseen_variance(&self) -> f64 {
        // Of three errors, two thirds of the square go into either part.
        (VOLTAGE_ERROR * self.share).powi(2) * (2.0 / 3.0) + (ANSWER_ERROR * self.voltage.norm()).powi(2)
    }

    /// How far the supply's opposing sequence may be off at this load level alone, when the voltages of all levels show
    /// `usual` of it. Their sizes do not tell a change of the opposing sequence, which the load answers, from one of the zero
    /// sequence (what single-phase loads draw comes and goes), which drives nothing: the change counts as error.
    pub fn strays(&self, usual: Complex64) -> f64 {
        if self.measured { 0.0 } else { (self.voltage - usual).norm() }
    }

    /// Variance of a conductor's share of the current where the opposing sequence of the voltage `strays` by so much.
    pub fn share_variance(&self, strays: f64) -> f64 {
        // Half the square goes into either part; of three channels' own errors their mean takes a third away.
        0.75 * (self.reaction.norm() * strays).powi(2)
    }

    /// Angle by which the voltage of channel `k` leads its place in an even set, radians.
    pub fn voltage_rad(&self, k: usize, back: bool) -> f64 {
        let at = turned(k, back);
        (seen_back(self.voltage, back) * at.conj() + seen_back(self.zero, back) * at).im
    }
}

/// The supply's opposing sequence as the voltages show it on the mean of all load levels, under one story.
pub fn usual<'a>(answers: impl Iterator<Item = &'a [Answer; STORIES]>, story: usize) -> Complex64 {
    let (sum, n) = answers.fold((Complex64::ZERO, 0.0), |(sum, n), of| (sum + of[story].voltage, n + 1.0));
    if n > 0.0 { sum / n } else { sum }
}

/// A ratio of sequences of channels that rotate back: what was taken for their mirror image.
fn seen_back(ratio: Complex64, back: bool) -> Complex64 {
    if back { ratio.conj() } else { ratio }
}

fn turned(k: usize, back: bool) -> Complex64 {
    if back { turn(k).conj() } else { turn(k) }
}

/// Conductor of each channel under the shifts of a class, for a service of three even voltages to neutral. `None` where a
/// shift is that of no single conductor.
pub fn seats(shift: [Shift; 3], rotation_reversed: bool) -> Option<Seat> {
    let steps: [i32; 3] = if rotation_reversed { [0, 4, -4] } else { [0, -4, 4] };
    let mut seats = [None; 3];
    for k in 0..3 {
        if shift[k] == NOTHING {
            continue;
        }
        // What a channel sees stands where its voltage stands less its shift, or opposite.
        let stands = (steps[k] - i32::from(shift[k])).rem_euclid(12);
        let seat = (0..3).find(|j| (steps[*j] - stands).rem_euclid(6) == 0)?;
        seats[k] = Some(seat as u8);
    }
    Some(seats)
}

/// Angles by which the currents lead their places, radians, if they sum to zero and have these sizes (logarithms, by place):
/// three sides make one triangle.
pub(super) fn closed_rad(ln_size: [f64; 3], back: bool) -> [f64; 3] {
    let mut opposing = Complex64::ZERO;
    for _ in 0..3 {
        let made = [0, 1, 2].map(|j| (1.0 + opposing * turned(j, back).conj()).norm().ln());
        let step: Complex64 = (0..3).map(|j| turned(j, back) * (ln_size[j] - made[j])).sum();
        opposing += step * (2.0 / 3.0);
    }
    [0, 1, 2].map(|j| (1.0 + opposing * turned(j, back).conj()).arg())
}
