//! What an answer is worth against the truth, and the sums that are reported.
//!
//! Core and optimum are scored by the same rules. Must never weigh evidence.

use wattassay::audit::assessment::{Diagnosis, Verdict};
use wattassay::audit::wiring::Wiring;
use wattassay::audit::words;

use super::faults::Leads;

/// One wiring of an answer of the optimum.
#[derive(Debug, Clone, Copy)]
pub struct Ranked {
    /// The wiring.
    pub leads: Leads,
    /// Its probability.
    pub probability: f64,
    /// It belongs to the leading group.
    pub in_group: bool,
}

/// An answer of the optimum.
#[derive(Debug, Clone, Default)]
pub struct Judged {
    /// Wirings, most probable first once sorted.
    pub ranked: Vec<Ranked>,
    /// Probability that power is registered right.
    pub sound: f64,
}

impl Judged {
    /// Puts the most probable first.
    pub fn sort(&mut self) {
        self.ranked.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    }

    /// Against the truth.
    pub fn answer(&self, truth: &Leads) -> Answer {
        let most = |wrong: &dyn Fn(&Leads) -> bool| {
            self.ranked.iter().filter(|r| wrong(&r.leads)).map(|r| r.probability).fold(0.0, f64::max)
        };
        let lead = self.ranked.first();
        let of_truth = self.ranked.iter().find(|r| r.leads == *truth);
        Answer {
            lead: lead.map_or(0.0, |r| r.probability),
            lead_true: lead.is_some_and(|r| r.leads == *truth),
            group: self.ranked.iter().filter(|r| r.in_group).map(|r| r.probability).sum(),
            group_true: of_truth.is_some_and(|r| r.in_group),
            truth: of_truth.map_or(0.0, |r| r.probability),
            wrong: most(&|l| l != truth),
            wrong_kind: most(&|l| !l.registers_as(truth)),
            sound: self.sound,
            members: self.ranked.iter().filter(|r| r.in_group).count(),
            verdict: None,
            words: lead.map_or(String::new(), |r| r.leads.words()),
        }
    }
}

/// An answer against the truth.
#[derive(Debug, Clone)]
pub struct Answer {
    /// Probability of the leading wiring.
    pub lead: f64,
    /// It is the true one.
    pub lead_true: bool,
    /// Probability of the leading group.
    pub group: f64,
    /// The true wiring is in it.
    pub group_true: bool,
    /// Probability of the true wiring.
    pub truth: f64,
    /// Largest probability of any wrong wiring.
    pub wrong: f64,
    /// Largest probability of one that registers something else than the truth does.
    pub wrong_kind: f64,
    /// Probability that power is registered right.
    pub sound: f64,
    /// Wirings in the leading group.
    pub members: usize,
    /// Verdict, of the core.
    pub verdict: Option<Verdict>,
    /// Leading wiring in words.
    pub words: String,
}

impl Answer {
    /// The core's diagnosis against the truth; `alike` are the wirings that register the same.
    pub fn of_core(diagnosis: &Diagnosis, truth: &Leads, alike: &[Wiring]) -> Answer {
        let truth = truth.to_core();
        let all = || diagnosis.groups.iter().flat_map(|g| &g.members);
        let is_true = |w: &Wiring| Some(*w) == truth;
        let lead = diagnosis.groups.first().map(|g| &g.members[0]);
        Answer {
            lead: lead.map_or(0.0, |m| m.probability),
            lead_true: lead.is_some_and(|m| is_true(&m.wiring)),
            group: diagnosis.groups.first().map_or(0.0, |g| g.probability),
            group_true: diagnosis.groups.first().is_some_and(|g| g.members.iter().any(|m| is_true(&m.wiring))),
            truth: all().filter(|m| is_true(&m.wiring)).map(|m| m.probability).sum(),
            wrong: all().filter(|m| !is_true(&m.wiring)).map(|m| m.probability).fold(0.0, f64::max),
            wrong_kind: all().filter(|m| !alike.contains(&m.wiring)).map(|m| m.probability).fold(0.0, f64::max),
            sound: diagnosis.sound_probability,
            members: diagnosis.groups.first().map_or(0, |g| g.members.len()),
            verdict: Some(diagnosis.verdict),
            words: lead.map_or_else(|| "nothing".to_owned(), |m| words::describe_wiring(&m.wiring)),
        }
    }
}

/// Bins of a reliability table.
pub const BINS: usize = 10;

/// Said probabilities against what came true.
#[derive(Debug, Clone, Copy, Default)]
pub struct Calibration {
    /// Cases, sum of what was said, count of what came true, per tenth.
    pub bins: [(f64, f64, f64); BINS],
    square: f64,
}

impl Calibration {
    /// Adds one.
    pub fn add(&mut self, said: f64, came_true: bool) {
        let is = f64::from(u8::from(came_true));
        let bin = &mut self.bins[((said * BINS as f64) as usize).min(BINS - 1)];
        *bin = (bin.0 + 1.0, bin.1 + said, bin.2 + is);
        self.square += (said - is).powi(2);
    }

    fn cases(&self) -> f64 {
        self.bins.iter().map(|b| b.0).sum::<f64>().max(1.0)
    }

    /// Mean squared error.
    pub fn brier(&self) -> f64 {
        self.square / self.cases()
    }

    /// Expected calibration error over the bins.
    pub fn error(&self) -> f64 {
        self.bins.iter().map(|(_, said, is)| (said - is).abs()).sum::<f64>() / self.cases()
    }
}

/// Sums over cases of one level and one number of states.
#[derive(Debug, Clone, Copy, Default)]
pub struct Tally {
    /// Cases.
    pub cases: f64,
    /// Cases with exactly one slip.
    pub single: f64,
    /// Of these, true wiring in the leading group.
    pub single_in_group: f64,
    /// Leading wiring is the true one.
    pub first: f64,
    /// True wiring is in the leading group.
    pub in_group: f64,
    /// Wirings in leading groups.
    pub members: f64,
    /// Cases in which a wrong wiring has more than 0.9.
    pub confident_wrong: f64,
    /// Of these, cases in which it registers something else than the truth does.
    pub confident_wrong_kind: f64,
    /// Stations that register right.
    pub sound: f64,
    /// Of these, called a fault.
    pub accused: f64,
    /// Stations that register wrong called sound.
    pub missed: f64,
    /// Neither called.
    pub undecided: f64,
    /// The leading wiring's probability.
    pub of_lead: Calibration,
    /// The leading group's.
    pub of_group: Calibration,
    /// Of "power is registered right".
    pub of_sound: Calibration,
}

impl Tally {
    /// Adds one answer.
    pub fn add(&mut self, answer: &Answer, slips: u32, sound: bool) {
        let count = |yes: bool| f64::from(u8::from(yes));
        self.cases += 1.0;
        self.single += count(slips == 1);
        self.single_in_group += count(slips == 1 && answer.group_true);
        self.first += count(answer.lead_true);
        self.in_group += count(answer.group_true);
        self.members += answer.members as f64;
        self.confident_wrong += count(answer.wrong > 0.9);
        self.confident_wrong_kind += count(answer.wrong_kind > 0.9);
        self.sound += count(sound);
        self.accused += count(sound && answer.verdict == Some(Verdict::Fault));
        self.missed += count(!sound && answer.verdict == Some(Verdict::Sound));
        self.undecided += count(!matches!(answer.verdict, Some(Verdict::Sound | Verdict::Fault)));
        self.of_lead.add(answer.lead, answer.lead_true);
        self.of_group.add(answer.group, answer.group_true);
        self.of_sound.add(answer.sound, sound);
    }

    /// Adds another's sums.
    pub fn merge(&mut self, other: &Tally) {
        for (a, b) in [
            (&mut self.cases, other.cases),
            (&mut self.single, other.single),
            (&mut self.single_in_group, other.single_in_group),
            (&mut self.first, other.first),
            (&mut self.in_group, other.in_group),
            (&mut self.members, other.members),
            (&mut self.confident_wrong, other.confident_wrong),
            (&mut self.confident_wrong_kind, other.confident_wrong_kind),
            (&mut self.sound, other.sound),
            (&mut self.accused, other.accused),
            (&mut self.missed, other.missed),
            (&mut self.undecided, other.undecided),
        ] {
            *a += b;
        }
        for (a, b) in [
            (&mut self.of_lead, &other.of_lead),
            (&mut self.of_group, &other.of_group),
            (&mut self.of_sound, &other.of_sound),
        ] {
            for (a, b) in a.bins.iter_mut().zip(&b.bins) {
                *a = (a.0 + b.0, a.1 + b.1, a.2 + b.2);
            }
            a.square += b.square;
        }
    }
}
