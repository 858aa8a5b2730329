//! What the audit concludes about one circuit: findings, diagnosis, corrected values. Plain data, no behaviour
//! beyond look-ups; the faces turn it into JSON, metrics and words.

use std::sync::Arc;

use num_complex::Complex64;
use serde::{Deserialize, Serialize};

use super::bars;
use super::context::ServiceKind;
use super::detail::{Detail, Missing};
use super::hypotheses;
use super::joint::JointRanking;
use super::moment::OneMoment;
use super::proof::Proof;
use super::uncorrected::Uncorrected;
use super::voltage_lead::VoltageDiagnosis;
use super::wiring::Wiring;
use crate::reading::Instant2;

/// Run state of a circuit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum RunState {
    /// Running, past its start.
    Running,
    /// No current worth the name, or status says stopped.
    Stopped,
    /// Starting: load-dependent checks wait.
    Starting,
    /// Not known.
    Unknown,
}

/// One check the audit makes on every reading.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum Check {
    /// Sign of active power per channel while running.
    ActivePowerSign,
    /// Sign of total active power while running.
    TotalPowerSign,
    /// Rotation of the voltage channels.
    VoltageRotation,
    /// Each current belongs to its own voltage (nearest 60 degree shift).
    VoltageCurrentAssociation,
    /// Power factor within -1..1, and equal to P/S.
    PowerFactorConsistency,
    /// PF and kW available while the pump runs.
    PowerBlankWhileRunning,
    /// Power factor plausible for the load (PF spread between channels, leading on a plain motor).
    PowerFactorPlausible,
    /// A voltage channel reads nothing or far from nominal.
    VoltageMissing,
    /// A current channel reads nothing while others carry load.
    CurrentMissing,
    /// One current channel reads far less than another, although one load feeds them all.
    CurrentBalance,
    /// Current flows while status says stopped, or the other way round.
    CurrentWhileStopped,
    /// S = V I per channel.
    ApparentPowerConsistency,
    /// S^2 >= P^2 + Q^2 per channel.
    PowerTriangle,
    /// Channels sum to the total (P, Q).
    SumOfChannels,
    /// Values are physically possible and readable.
    PlausibleValues,
    /// The computer's clock runs evenly.
    ClockSound,
    /// Values move from reading to reading, as live ones do.
    ValuesMoving,
}

impl Check {
    /// How many there are.
    pub const COUNT: usize = Check::ValuesMoving as usize + 1;
}

/// Outcome of a check.
#[derive(Debug, Clone, PartialEq)]
pub enum Outcome {
    /// Looked and found right.
    Passed,
    /// Looked and found wrong, long enough to be said.
    Failed,
    /// Looked and found wrong, not yet long enough.
    Pending,
    /// Does not apply now (pump stopped or starting); the text says why.
    Idle(&'static str),
    /// The map does not offer what it needs, or it could not be read; the text says what is missing.
    NotCheckable(Missing),
}

/// One finding.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// Which check.
    pub check: Check,
    /// Channel 0..=2, or none when about the whole circuit.
    pub channel: Option<usize>,
    /// Outcome.
    pub outcome: Outcome,
    /// The numbers it used; prints as plain words with units.
    pub detail: Detail,
    /// When the present outcome began.
    pub since: Instant2,
}

/// How much a map offers a diagnosis (design levels a to d).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum EvidenceLevel {
    /// V, I, P, Q per channel.
    PerChannelPq,
    /// V, I, P (or signed PF) per channel.
    PerChannelP,
    /// V, I per channel, totals of P and Q or signed PF.
    Totals,
    /// V, I per channel, unsigned PF and kW blanked when not positive.
    BlankedTotals,
    /// Too little to diagnose.
    Insufficient,
}

/// Overall verdict on a circuit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum Verdict {
    /// Power is registered right, with high probability.
    Sound,
    /// Power is registered wrong, with high probability.
    Fault,
    /// Evidence seen, but it does not decide.
    Undecided,
    /// Nothing to judge by yet (never seen running, nothing readable).
    NoEvidence,
}

/// A wiring with its posterior probability.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RankedWiring {
    /// The hypothesis.
    pub wiring: Wiring,
    /// Posterior probability, 0..=1.
    pub probability: f64,
    /// Index of its class: wirings of one class show the same in every reading.
    pub class: usize,
    /// True when it registers the load's true power.
    pub power_right: bool,
}

impl RankedWiring {
    /// A wiring considered for a service, as the hypotheses know it; class 0 for one they do not.
    pub fn of(wiring: Wiring, probability: f64, service: ServiceKind) -> RankedWiring {
        let known = &hypotheses::classes(service).all;
        let class = known.iter().position(|c| c.members.iter().any(|m| m.wiring == wiring)).unwrap_or(0);
        RankedWiring { wiring, probability, class, power_right: hypotheses::power_right(&wiring, service) }
    }
}

/// Wirings that the evidence so far cannot tell apart.
#[derive(Debug, Clone, PartialEq)]
pub struct WiringGroup {
    /// Sum of the members' probabilities.
    pub probability: f64,
    /// Members, most probable first; never empty.
    pub members: Vec<RankedWiring>,
    /// True when, in all members, power is registered right.
    pub power_right: bool,
}

/// Wirings ranked by posterior probability.
#[derive(Debug, Clone, PartialEq)]
pub struct Diagnosis {
    /// What the map offers.
    pub level: EvidenceLevel,
    /// Verdict.
    pub verdict: Verdict,
    /// Groups, most probable first; those below 0.1 % are left out. Shared, because they change far more rarely than
    /// readings come.
    pub groups: Arc<[WiringGroup]>,
    /// Probability that power is registered right.
    pub sound_probability: f64,
    /// Probability that none of the wirings considered explains the evidence.
    pub unexplained_probability: f64,
    /// Steady readings behind it.
    pub readings_used: u64,
    /// Distinct load levels behind it.
    pub load_levels: usize,
    /// How often the wiring has been seen to change since the audit began.
    pub epoch: u32,
    /// When the present wiring was first seen.
    pub since: Option<Instant2>,
    /// What speaks for the leading wiring, strongest first.
    pub why: Arc<[Reason]>,
}

impl Diagnosis {
    /// All wirings kept, group by group.
    pub fn members(&self) -> impl Iterator<Item = &RankedWiring> {
        self.groups.iter().flat_map(|group| &group.members)
    }

    /// Probability that a wiring considered makes the monitor meter power wrong.
    pub fn wrong_probability(&self) -> f64 {
        (1.0 - self.sound_probability - self.unexplained_probability).clamp(0.0, 1.0)
    }

    /// The most probable wiring, whatever its group.
    pub fn leader(&self) -> Option<&RankedWiring> {
        self.members().reduce(|best, m| if m.probability > best.probability { m } else { best })
    }

    /// The one wiring that is probable enough to be named; `None` while several are possible.
    pub fn settled(&self) -> Option<&RankedWiring> {
        self.leader().filter(|leader| leader.probability >= bars::ONE_WIRING && self.verdict != Verdict::NoEvidence)
    }

    /// Nothing to judge by yet.
    pub fn none() -> Diagnosis {
        Diagnosis {
            level: EvidenceLevel::Insufficient,
            verdict: Verdict::NoEvidence,
            groups: Arc::default(),
            sound_probability: 0.0,
            unexplained_probability: 0.0,
            readings_used: 0,
            load_levels: 0,
            epoch: 0,
            since: None,
            why: Arc::default(),
        }
    }
}

/// One piece of evidence, and how far it moved the odds of the leading wiring against the best one of the other kind: of a
/// wrong one against a sound one, or the other way round.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reason {
    /// The piece of evidence.
    pub kind: ReasonKind,
    /// Ten times the decimal logarithm of the odds ratio; negative when it speaks against the leading wiring.
    pub decibans: f64,
}

/// A piece of evidence.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ReasonKind {
    /// How common each mistake is.
    Prior,
    /// Rotation measured, and what the monitor's other circuits show of the shared leads and registers.
    Companions,
    /// Power is blank while current flows.
    Blank,
    /// Power at one load level.
    LoadLevel {
        /// Mean current, A.
        mean_current_a: f64,
        /// Steady readings.
        readings: u64,
    },
    /// Power while the motor runs up.
    Start {
        /// Mean current, A.
        mean_current_a: f64,
        /// Readings.
        readings: u64,
    },
    /// The channels' currents against each other.
    CurrentSizes,
    /// What channels and load levels tell together beyond each of them alone, with what the supply draws.
    Together,
}

/// Power recomputed for the intended wiring. Arrays are by phase A, B, C.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CorrectedPower {
    /// Complex power per phase, VA (P + jQ).
    pub per_phase_va: [Complex64; 3],
    /// Total active power, W.
    pub total_w: f64,
    /// Total reactive power, var.
    pub total_var: f64,
    /// Total power factor (sign of P).
    pub power_factor: f64,
    /// One standard uncertainty of the total active power, W.
    pub uncertainty_w: f64,
}

/// Everything the audit says about one circuit at one instant.
#[derive(Debug, Clone, PartialEq)]
pub struct Assessment {
    /// Time of the reading behind it.
    pub at: Instant2,
    /// Run state.
    pub run_state: RunState,
    /// One entry per check (and channel where it applies).
    pub findings: Vec<Finding>,
    /// Diagnosis.
    pub diagnosis: Diagnosis,
    /// Corrected power; where there is none, `uncorrected` says why.
    pub corrected: Option<CorrectedPower>,
    /// Why power is not corrected; `None` where it is.
    pub uncorrected: Option<Uncorrected>,
    /// The reading behind it is a steady one of the running pump.
    pub steady: bool,
    /// What the monitor's shared voltage leads tell of themselves; `None` before enough readings.
    pub voltage_leads: Option<Arc<VoltageDiagnosis>>,
    /// The most probable wirings of all circuits of the monitor together; `None` for one that has a single circuit.
    pub joint: Option<Arc<JointRanking>>,
    /// The latest change of the wiring seen, and what it came to.
    pub proof: Option<Proof>,
    /// Set where the device repeats one moment and has shown no other of the running pump.
    pub one_moment: Option<OneMoment>,
    /// Another circuit of the monitor has seen leads being moved, and this one has not run steadily since: what is said of it
    /// is of leads that may be elsewhere now.
    pub outdated: bool,
}
