//! The posterior over wirings: prior x likelihood of every load level seen, and the groups that the evidence cannot
//! tell apart.
//!
//! Must never use a rule of the kind "if power is negative then reversed": every conclusion comes out of the posterior.

use serde::{Deserialize, Serialize};

use super::assessment::{Diagnosis, EvidenceLevel, RankedWiring, Reason, ReasonKind, Verdict, WiringGroup};
use super::context::CircuitContext;
use super::crossing::Crossing;
use super::evidence::{Change, Evidence, Features, READINGS_FOR_WITNESS, Window, least_readings};
use super::hypotheses::{Class, UNEXPLAINED_PRIOR, VOLTAGE_STATES, classes, shared_odds};
use super::joint::{self, Alternatives};
use super::likelihood::{WindowLikelihood, lag_under_deg, weigh};
use super::load::{self, STANCES};
use super::magnitude::{self, Magnitudes};
use super::shared::{MEANINGS, Opinion};
use super::unbalance::{self, Answer, STORIES};
use super::wiring::{CurrentSeen, Gain, Registers, Wiring};
use crate::reading::Rotation;

/// Two classes whose likelihoods differ by less than this factor cannot be told apart by the evidence so far.
pub(super) const INDISTINGUISHABLE: f64 = 3.0;
/// Groups and members below this probability are not worth a person's time.
pub(super) const WORTH_TELLING: f64 = 1e-3;
/// Members of a group below this share of it are left out.
const MEMBER_SHARE: f64 = 1e-5;
/// Steady readings needed before a verdict is given.
pub const READINGS_FOR_VERDICT: u64 = 3;
/// Probability at which a verdict is given.
pub const CONFIDENT: f64 = 0.95;
/// Probability at which a verdict is given where kvar per channel is not known: several wrong wirings can imitate sound
/// watts or a sound total, and a motor that idles has the low total of a wrong one, so more is asked before either is said.
const CONFIDENT_WITHOUT_ANGLES: f64 = 0.99;
/// A fault is called only while most of what speaks against "sound" is a wiring; beyond this it may be the load or the map.
const UNEXPLAINED_ALLOWED: f64 = 0.2;
/// Steps of load level (20 % of current each) from which two levels are witnesses of their own.
const LEVELS_APART: f64 = 3.0;
/// Decibans below which a piece of evidence is not worth listing.
const REASON_WORTH_TELLING_DB: f64 = 1.0;
/// A class further than this below the leading one (natural logarithm) is not looked at for what an uneven supply tells.
const IN_QUESTION: f64 = 11.0;

/// Posterior of one circuit, brought up to date reading by reading.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Diagnoser {
    evidence: Evidence,
    weighed: Vec<Weighed>,
    sizes: Option<Magnitudes>,
    #[serde(skip)]
    sum: Sum,
    /// What the windows say of what the circuit shares, once somebody asked for it.
    #[serde(skip)]
    opinion: Option<Opinion>,
    /// What follows for every class, as long as neither the windows nor what the circuit was told have changed.
    #[serde(skip)]
    shares: Option<Shares>,
    #[serde(skip)]
    latest: Option<Diagnosis>,
    #[serde(skip)]
    leading_class: Option<usize>,
    told: Opinion,
    crossing: Crossing,
    epoch: u32,
    /// Window of the latest steady reading.
    current: usize,
    /// Something has been weighed anew since the last conclusion.
    moved: bool,
    conclusions: u64,
}

#[derive(Debug, Clone, Serialize, Deserialize)]
struct Weighed {
    at: Features,
    /// What it tells; `None` while the load level does not count.
    #[serde(skip)]
    told: Option<Told>,
    /// Lag of the load under a class, once somebody asked for it.
    #[serde(skip)]
    lag: Option<(usize, f64)>,
}

/// What one load level tells.
#[derive(Debug, Clone)]
struct Told {
    likelihood: WindowLikelihood,
    /// What the load makes of an uneven supply, where that can be told.
    answers: Option<[Answer; STORIES]>,
}

impl Told {
    fn of(at: &Features, context: &CircuitContext, foreign: [bool; 3]) -> Told {
        Told { likelihood: weigh(at, context, foreign), answers: unbalance::answers_at(at, context) }
    }
}

/// A load level that counts.
struct Heard<'a> {
    at: &'a Features,
    told: &'a Told,
    window: &'a Window,
}

/// Log-likelihoods summed over all windows.
#[derive(Debug, Clone, Default)]
struct Sum {
    ln_class: Vec<f64>,
    /// The part of each that an uneven supply tells.
    by_unbalance: Vec<f64>,
    ln_unexplained: f64,
}

/// What angles and blanks leave to every class, before the sizes of the currents are looked at.
#[derive(Debug, Clone)]
struct Shares {
    /// Prior by class, given what is known from elsewhere.
    prior: Vec<f64>,
    /// Weight by class of what is seen and what is known beforehand.
    mass: Vec<f64>,
    /// Their sum, with that of "none of these".
    total: f64,
}

impl Default for Diagnoser {
    fn default() -> Diagnoser {
        Diagnoser {
            evidence: Evidence::default(),
            weighed: Vec::new(),
            sizes: None,
            sum: Sum::default(),
            opinion: None,
            shares: None,
            latest: None,
            leading_class: None,
            told: Opinion::NONE,
            crossing: Crossing::NONE,
            epoch: 0,
            current: 0,
            moved: false,
            conclusions: 0,
        }
    }
}

impl Diagnoser {
    /// Works out again what follows from what was kept.
    pub fn resume(&mut self, context: &CircuitContext) {
        let foreign = self.crossing.foreign();
        let windows = self.evidence.windows();
        let least = least_readings(windows);
        for (weighed, window) in self.weighed.iter_mut().zip(windows) {
            weighed.told = (window.readings >= least).then(|| Told::of(&weighed.at, context, foreign));
        }
        if !self.weighed.is_empty() {
            self.sum = self.summed(context);
            self.shares = None;
            self.latest = self.concluded(context);
        }
    }

    /// The evidence collected in this epoch.
    pub fn evidence(&self) -> &Evidence {
        &self.evidence
    }

    /// The latest diagnosis; `None` before any steady reading.
    pub fn diagnosis(&self) -> Option<&Diagnosis> {
        self.latest.as_ref()
    }

    /// Index of the most probable class.
    pub fn leading_class(&self) -> Option<usize> {
        self.leading_class
    }

    /// False while readings contradict what was collected, so that it is not known which wiring they belong to.
    pub fn settled(&self) -> bool {
        self.evidence.settled()
    }

    /// How often the wiring has been seen to change.
    pub fn epoch(&self) -> u32 {
        self.epoch
    }

    /// Lag at which the load must run at its present level for the leading class to be true, degrees.
    pub fn leading_lag_deg(&mut self, context: &CircuitContext) -> Option<f64> {
        let class = self.leading_class?;
        let weighed = self.weighed.get_mut(self.current)?;
        match weighed.lag {
            Some((of, lag_deg)) if of == class => Some(lag_deg),
            _ => {
                let lag_deg = lag_under_deg(&classes(context.service).all[class], &weighed.at, context);
                weighed.lag = Some((class, lag_deg));
                Some(lag_deg)
            }
        }
    }

    /// Takes the features of one steady reading, and the rotation measured beside them. False when the reading cannot be of the
    /// wiring that the evidence is of: it is left out until enough of them make a new epoch.
    pub fn observe(&mut self, features: &Features, rotation: Option<Rotation>, context: &CircuitContext) -> bool {
        match self.evidence.add(features, rotation) {
            Change::Contradiction => return false,
            Change::NewEpoch => {
                self.weighed.clear();
                self.sizes = None;
                self.epoch += 1;
                self.current = 0;
                self.weigh_window(0, context);
            }
            Change::Window(index) => {
                self.current = index;
                self.weigh_window(index, context);
            }
        }
        true
    }

    /// What it was last told from elsewhere.
    pub fn told(&self) -> Opinion {
        self.told
    }

    /// Takes note of which channels see other circuits; what was weighed without knowing is weighed anew.
    pub fn cross(&mut self, crossing: Crossing, context: &CircuitContext) {
        let foreign_changed = crossing.foreign() != self.crossing.foreign();
        if crossing != self.crossing {
            self.crossing = crossing;
            self.moved = true;
        }
        if foreign_changed {
            self.evidence.drop_foreign(self.crossing.foreign());
            self.current = 0;
            self.weighed.clear();
            self.sizes = None;
            for index in 0..self.evidence.windows().len() {
                self.weigh_window(index, context);
            }
        }
    }

    /// The load levels that count, as weighed and as collected.
    fn heard(&self) -> impl Iterator<Item = Heard<'_>> {
        let windows = self.evidence.windows();
        let least = least_readings(windows);
        let counting = self.weighed.iter().zip(windows).filter(move |(_, window)| window.readings >= least);
        counting.filter_map(|(Weighed { at, told, .. }, window)| Some(Heard { at, told: told.as_ref()?, window }))
    }

    /// Weighs a window anew when its mean has moved by more than a fraction of what the likelihood can resolve. One that does
    /// not count yet is weighed when it does: most load levels are passed through and never seen again.
    fn weigh_window(&mut self, index: usize, context: &CircuitContext) {
        let windows = self.evidence.windows();
        let Some(window) = windows.get(index) else { return };
        let foreign = self.crossing.foreign();
        let counts = window.readings >= least_readings(windows);
        let before = self.weighed.get(index);
        let counted = before.is_some_and(|w| w.told.is_some());
        let stands = before.is_some_and(|w| w.told.is_some() == counts && negligible(&w.at, &window.mean));
        // The mean of the first few is worth more than the first of them, however little it has moved.
        if stands && window.readings != READINGS_FOR_WITNESS {
            // Unrest shows in readings whose mean stands still: it is looked at ever more rarely.
            if window.readings.is_power_of_two() {
                self.sizes = Some(magnitude::weigh(windows, foreign, context.full_load_current_a));
                self.moved = true;
            }
            return;
        }
        let told = counts.then(|| Told::of(&window.mean, context, foreign));
        let fresh = Weighed { at: window.mean, told, lag: None };
        if index < self.weighed.len() {
            self.weighed[index] = fresh;
        } else {
            self.weighed.push(fresh);
        }
        self.moved = true;
        if counts || counted {
            self.sizes = Some(magnitude::weigh(windows, foreign, context.full_load_current_a));
            self.sum = self.summed(context);
            (self.opinion, self.shares) = (None, None);
        }
    }

    /// Adds up the windows, stance by stance: a load keeps its stance to its nameplate from level to level. A blank says P <= 0
    /// and no more. Where P is near zero the unbalance decides, and that is the same at every load level, so blanks at several
    /// levels are one piece of evidence: the weakest of them counts.
    fn summed(&self, context: &CircuitContext) -> Sum {
        let known = classes(context.service);
        let mut by_pattern = vec![[0.0f64; STANCES]; known.patterns.len()];
        let mut blank: Option<Vec<[f64; STANCES]>> = None;
        let (mut ln_unexplained, mut blank_unexplained) = (0.0, 0.0f64);
        for Heard { at, told, .. } in self.heard() {
            let likelihood = &told.likelihood;
            let blanked = at.blanked;
            if blanked {
                blank_unexplained = blank_unexplained.min(likelihood.ln_unexplained);
            } else {
                ln_unexplained += likelihood.ln_unexplained;
            }
            let sums = if blanked {
                blank.get_or_insert_with(|| vec![[0.0; STANCES]; known.patterns.len()])
            } else {
                &mut by_pattern
            };
            for (sums, of_window) in sums.iter_mut().zip(&likelihood.ln_pattern) {
                for (sum, ln) in sums.iter_mut().zip(of_window) {
                    let ln = f64::from(*ln);
                    *sum = if blanked { sum.min(ln) } else { *sum + ln };
                }
            }
        }
        for (sums, of_blank) in by_pattern.iter_mut().zip(blank.iter().flatten()) {
            sums.iter_mut().zip(of_blank).for_each(|(sum, ln)| *sum += ln);
        }
        let share = self.independent_share();
        by_pattern.iter_mut().flatten().for_each(|sum| *sum *= share);
        ln_unexplained *= share;
        let usual = self.ln_current(Gain::AsRated, context);
        let of_pattern: Vec<f64> = by_pattern
            .iter()
            .zip(&known.patterns)
            .map(|(sums, pattern)| {
                let fits = match pattern.common_gain {
                    Gain::AsRated => 0.0,
                    gain => self.ln_current(gain, context) - usual,
                };
                load::ln_over_stances(sums) + fits
            })
            .collect();
        let mut sum = Sum {
            ln_class: known.all.iter().map(|class| of_pattern[class.pattern_index]).collect(),
            by_unbalance: Vec::new(),
            ln_unexplained: ln_unexplained + blank_unexplained,
        };
        self.weigh_unbalance(&mut sum, &by_pattern, share, context);
        sum
    }

    /// Weighs what an uneven supply tells of the classes that are still in question: `by_pattern` is what is known without.
    fn weigh_unbalance(&self, sum: &mut Sum, by_pattern: &[[f64; STANCES]], share: f64, context: &CircuitContext) {
        let told = self.heard().any(|level| level.told.answers.is_some());
        if !told || self.crossing.foreign() != [false; 3] {
            return;
        }
        let known = &classes(context.service).all;
        let posterior = |c: usize| sum.ln_class[c] + known[c].prior.ln();
        let peak = (0..known.len()).map(posterior).fold(f64::NEG_INFINITY, f64::max);
        let open: Vec<usize> = (0..known.len()).filter(|c| posterior(*c) > peak - IN_QUESTION).collect();
        let classes_open: Vec<&Class> = open.iter().map(|c| &known[*c]).collect();
        let levels: Vec<unbalance::Seen> = (self.heard())
            .map(|Heard { at, told, .. }| unbalance::Seen {
                features: at,
                answers: told.answers,
                ln_pattern: &told.likelihood.ln_pattern,
            })
            .collect();
        sum.by_unbalance = vec![0.0; known.len()];
        for (c, told) in open.into_iter().zip(unbalance::weigh(&levels, &classes_open, by_pattern, share, context)) {
            sum.by_unbalance[c] = told;
            sum.ln_class[c] += told;
        }
    }

    /// Share of the load levels' evidence that is independent. The unbalance of supply and load, which blurs every angle, is
    /// nearly the same at levels near each other: such levels tell hardly more than one of them. Where only a total is known it
    /// blurs all levels alike.
    fn independent_share(&self) -> f64 {
        let told = || self.heard().filter(|level| !level.at.blanked);
        let steps = || told().map(|level| level.window.level);
        let (Some(low), Some(high)) = (steps().min(), steps().max()) else { return 1.0 };
        let levels = told().count() as f64;
        let apart = f64::from(high - low) / LEVELS_APART;
        let each = if told().any(|level| level.at.tells_channels()) { 0.8 } else { 0.5 };
        (1.0 + each * apart.min(levels - 1.0)) / levels
    }

    /// How well the currents seen fit the nameplate if all of them are shown at this ratio: the least fitting level counts,
    /// because one wrong ratio makes them all wrong.
    fn ln_current(&self, gain: Gain, context: &CircuitContext) -> f64 {
        let factor = gain.factor().unwrap_or(1.0);
        let running = self.heard().filter(|level| !level.at.starting);
        running.map(|level| load::current_weight(context, level.at.mean_current_a / factor).ln()).fold(0.0, f64::min)
    }

    /// What this circuit's own readings say of what it shares with others; `None` while there is nothing to say.
    pub fn opinion(&mut self, context: &CircuitContext) -> Option<Opinion> {
        if self.weighed.is_empty() || self.crossing.foreign() != [false; 3] {
            return None;
        }
        let opinion = self.opinion.take().unwrap_or_else(|| self.opinion_anew(context));
        self.opinion = Some(opinion);
        self.opinion
    }

    fn opinion_anew(&self, context: &CircuitContext) -> Opinion {
        let known = &classes(context.service).all;
        let peak = self.sum.ln_class.iter().copied().fold(self.sum.ln_unexplained, f64::max);
        let unexplained = UNEXPLAINED_PRIOR * (self.sum.ln_unexplained - peak).exp();
        let mut mass = [[0.0; MEANINGS]; VOLTAGE_STATES];
        for (class, ln) in known.iter().zip(&self.sum.ln_class) {
            let likelihood = (ln - peak).exp();
            if likelihood > 0.0 {
                for (by_meaning, prior) in mass.iter_mut().zip(class.prior_by_voltage) {
                    by_meaning[meaning_index(class.pattern.registers)] += prior * likelihood;
                }
            }
        }
        Opinion::from_weights(|voltage, meaning| {
            mass[voltage][meaning] / shared_odds(voltage, Registers::ALL[meaning]) + unexplained
        })
    }

    /// What this circuit may be under a state of what is shared, for the joint ranking. `None` while there is nothing to say.
    pub fn alternatives(&self, voltage: usize, registers: Registers, context: &CircuitContext) -> Option<Alternatives> {
        if self.weighed.is_empty() {
            return None;
        }
        let known = &classes(context.service).all;
        let peak = self.sum.ln_class.iter().copied().fold(self.sum.ln_unexplained, f64::max);
        let odds = shared_odds(voltage, registers);
        let mut alternatives: Alternatives = vec![(None, UNEXPLAINED_PRIOR * (self.sum.ln_unexplained - peak).exp())];
        for (class, ln) in known.iter().zip(&self.sum.ln_class) {
            let likelihood = (ln - peak).exp();
            if likelihood > 0.0 && class.pattern.registers == registers && class.prior_by_voltage[voltage] > 0.0 {
                let members = class.members.iter().filter(|m| m.voltage == voltage);
                alternatives.extend(members.map(|m| (Some(self.as_crossed(m.wiring)), m.prior / odds * likelihood)));
            }
        }
        let total: f64 = alternatives.iter().map(|(_, p)| p).sum();
        for (_, p) in &mut alternatives {
            *p /= total;
        }
        Some(joint::sorted(alternatives))
    }

    /// Counts conclusions, so that whoever depends on them knows when to look again.
    pub fn conclusions(&self) -> u64 {
        self.conclusions
    }

    /// Concludes, given what is known from elsewhere: the rotation, and what the monitor's other circuits found. Does nothing
    /// when nothing has changed since the last conclusion.
    pub fn conclude(&mut self, told: &Opinion, context: &CircuitContext) {
        let readings = self.evidence.readings();
        if self.moved || !self.told.is_near(told) {
            self.moved = false;
            if self.told != *told {
                self.told = *told;
                self.shares = None;
            }
            self.conclusions += 1;
            self.latest = self.concluded(context);
        }
        if let Some(latest) = &mut self.latest
            && latest.readings_used != readings
        {
            latest.readings_used = readings;
            latest.verdict = verdict(latest.level, latest.sound_probability, latest.unexplained_probability, readings);
        }
    }

    fn shares_anew(&self, known: &[Class]) -> Shares {
        let told = self.told.weights();
        let prior: Vec<f64> = known.iter().map(|class| told_prior(class, &told)).collect();
        let ln_posterior: Vec<f64> = self.sum.ln_class.iter().zip(&prior).map(|(ln, prior)| ln + prior.ln()).collect();
        // None of these keeps its share of what the others say, so that it competes on equal terms.
        let told_mass: f64 = prior.iter().sum::<f64>().max(f64::MIN_POSITIVE);
        let ln_unexplained = self.sum.ln_unexplained + (UNEXPLAINED_PRIOR * told_mass).ln();
        let peak = ln_posterior.iter().copied().fold(ln_unexplained, f64::max);
        let mass: Vec<f64> = ln_posterior.iter().map(|ln| (ln - peak).exp()).collect();
        let total = mass.iter().sum::<f64>() + (ln_unexplained - peak).exp();
        Shares { prior, mass, total }
    }

    fn concluded(&mut self, context: &CircuitContext) -> Option<Diagnosis> {
        let sizes = self.sizes.as_ref()?;
        let known = classes(context.service);
        let shares = self.shares.take().unwrap_or_else(|| self.shares_anew(&known.all));
        let prior = &shares.prior;
        // What the sizes leave unexplained, and what does not speak for a crossing once one is taken for true.
        let fits = (1.0 - sizes.odd) * self.crossing.probability();
        let posterior: Vec<f64> = shares.mass.iter().map(|m| fits * m / shares.total).collect();
        let leading = (0..posterior.len()).max_by(|a, b| posterior[*a].total_cmp(&posterior[*b]))?;
        self.leading_class = Some(leading);
        let crossed = self.crossing.foreign() != [false; 3];
        let right: f64 = posterior.iter().zip(&known.all).filter(|(_, c)| c.power_right).map(|(p, _)| p).sum();
        let ratios_right = sizes.as_rated() / (1.0 - sizes.odd).max(f64::MIN_POSITIVE);
        let sound_probability = if crossed { 0.0 } else { (right * ratios_right).min(1.0) };
        let unexplained_probability = 1.0 - posterior.iter().sum::<f64>().min(1.0);
        let readings_used = self.evidence.readings();
        let level = self.evidence.windows().iter().map(|w| w.mean.level()).min().unwrap_or(EvidenceLevel::Insufficient);
        let groups = self.groups(&posterior, prior, sizes, context);
        let why = self.reasons(leading, &posterior, prior, sizes, context);
        self.shares = Some(shares);
        Some(Diagnosis {
            level,
            verdict: verdict(level, sound_probability, unexplained_probability, readings_used),
            groups: groups.into(),
            sound_probability,
            unexplained_probability,
            readings_used,
            load_levels: self.evidence.windows().len(),
            epoch: self.epoch,
            since: None,
            why: why.into(),
        })
    }

    /// Wirings that the evidence cannot tell apart, together: classes by the likelihood of the angles, and for each the stories
    /// about the sizes by theirs.
    fn groups(
        &self,
        posterior: &[f64],
        prior: &[f64],
        sizes: &Magnitudes,
        context: &CircuitContext,
    ) -> Vec<WiringGroup> {
        let known = &classes(context.service).all;
        let sizes = size_groups(sizes);
        let own = self.crossing.foreign() == [false; 3];
        let mut order: Vec<usize> =
            (0..posterior.len()).filter(|c| posterior[*c] > WORTH_TELLING * MEMBER_SHARE).collect();
        order.sort_by(|a, b| posterior[*b].total_cmp(&posterior[*a]));
        let mut groups = Vec::new();
        while let Some(leader) = order.first().copied() {
            let (together, rest): (Vec<usize>, Vec<usize>) = order.iter().partition(|c| {
                let evidence = |c: usize| self.sum.ln_class[c] + told_evidence(&known[c], prior[c]);
                (evidence(**c) - evidence(leader)).abs() < INDISTINGUISHABLE.ln()
            });
            order = rest;
            for alike in &sizes {
                let share: f64 = alike.iter().map(|(_, p)| p).sum();
                let probability: f64 = share * together.iter().map(|c| posterior[*c]).sum::<f64>();
                if probability < WORTH_TELLING {
                    continue;
                }
                let mut members: Vec<RankedWiring> = Vec::new();
                for &c in &together {
                    for member in &known[c].members {
                        let of_class =
                            posterior[c] * self.told_share(member.voltage, member.prior, &known[c], prior[c]);
                        if of_class < MEMBER_SHARE * probability {
                            continue;
                        }
                        members.extend(alike.iter().map(|(gain, p)| RankedWiring {
                            wiring: self.as_crossed(with_gain(member.wiring, *gain)),
                            probability: of_class * p,
                            class: c,
                            power_right: known[c].power_right && own && *gain == [Gain::AsRated; 3],
                        }));
                    }
                }
                members.retain(|m| m.probability >= MEMBER_SHARE * probability);
                members.sort_by(|a, b| b.probability.total_cmp(&a.probability));
                if members.is_empty() {
                    continue;
                }
                let power_right = members.iter().all(|m| m.power_right);
                groups.push(WiringGroup { probability, members, power_right });
            }
        }
        groups.sort_by(|a, b| b.probability.total_cmp(&a.probability));
        groups
    }

    /// A member's share of its class, given what is known from elsewhere.
    fn told_share(&self, voltage: usize, member: f64, class: &Class, told: f64) -> f64 {
        if told <= 0.0 {
            return member / class.prior;
        }
        member * self.told.ln(voltage, meaning_index(class.pattern.registers)).exp() / told
    }

    /// A wiring with the channels that see another circuit told as such.
    fn as_crossed(&self, mut wiring: Wiring) -> Wiring {
        for (k, slot) in self.crossing.slots().into_iter().enumerate() {
            if let Some(slot) = slot {
                let (phase, reversed) =
                    wiring.current[k].shows().unwrap_or((crate::reading::Phase::from_index(k), false));
                wiring.current[k] = CurrentSeen::OtherCircuit { slot, phase, reversed };
            }
        }
        wiring
    }

    /// What each piece of evidence speaks for the leading class, against the best of another kind: sound against wrong.
    fn reasons(
        &self,
        leading: usize,
        posterior: &[f64],
        prior: &[f64],
        sizes: &Magnitudes,
        context: &CircuitContext,
    ) -> Vec<Reason> {
        let known = &classes(context.service).all;
        let kind = known[leading].power_right;
        let Some(rival) = (0..posterior.len())
            .filter(|c| known[*c].power_right != kind)
            .max_by(|a, b| posterior[*a].total_cmp(&posterior[*b]))
        else {
            return Vec::new();
        };
        let mut reasons = Vec::new();
        let mut tell = |kind: ReasonKind, ln: f64| {
            let decibans = 10.0 * ln / std::f64::consts::LN_10;
            if decibans.abs() >= REASON_WORTH_TELLING_DB {
                // A ratio of likelihoods beyond this only says "excluded".
                reasons.push(Reason { kind, decibans: decibans.clamp(-300.0, 300.0) });
            }
        };
        tell(ReasonKind::Prior, (known[leading].prior / known[rival].prior).ln());
        let told = (prior[leading] / known[leading].prior).max(f64::MIN_POSITIVE).ln()
            - (prior[rival] / known[rival].prior).max(f64::MIN_POSITIVE).ln();
        tell(ReasonKind::Companions, told);
        let ln = |level: &Heard| {
            let of = |class: usize| {
                let by_stance = level.told.likelihood.ln_pattern[known[class].pattern_index];
                load::ln_over_stances(&by_stance.map(f64::from)).max(-1e4)
            };
            of(leading) - of(rival)
        };
        let blanks = self.heard().filter(|level| level.at.blanked).map(|level| ln(&level));
        if let Some(weakest) = blanks.reduce(|a, b| if a.abs() < b.abs() { a } else { b }) {
            tell(ReasonKind::Blank, weakest);
        }
        for level in self.heard().filter(|level| !level.at.blanked) {
            let (mean_current_a, readings) = (level.window.mean.mean_current_a, level.window.readings);
            let kind = if level.window.mean.starting {
                ReasonKind::Start { mean_current_a, readings }
            } else {
                ReasonKind::LoadLevel { mean_current_a, readings }
            };
            tell(kind, ln(&level));
        }
        let rated = sizes.as_rated().clamp(1e-30, 1.0);
        let ratio = match sizes.ranked[0].gain {
            gain if gain == [Gain::AsRated; 3] => 0.0,
            _ => (sizes.ranked[0].probability / rated).ln(),
        };
        let unbalance = |class: usize| self.sum.by_unbalance.get(class).copied().unwrap_or(0.0);
        tell(ReasonKind::CurrentSizes, ratio);
        tell(ReasonKind::Together, unbalance(leading) - unbalance(rival));
        reasons.sort_by(|a, b| b.decibans.abs().total_cmp(&a.decibans.abs()));
        reasons
    }
}

fn meaning_index(registers: Registers) -> usize {
    Registers::ALL.iter().position(|r| *r == registers).unwrap_or(0)
}

/// Prior of a class, given what is known from elsewhere as weights of the shared states.
fn told_prior(class: &Class, told: &[[f64; MEANINGS]; VOLTAGE_STATES]) -> f64 {
    let meaning = meaning_index(class.pattern.registers);
    let by_voltage = class.prior_by_voltage.iter().zip(told).filter(|(prior, _)| **prior > 0.0);
    by_voltage.map(|(prior, of_state)| prior * of_state[meaning]).sum::<f64>().max(f64::MIN_POSITIVE)
}

/// How strongly what is known from elsewhere speaks for a class, whose prior becomes `told` by it: part of the evidence that
/// tells classes apart.
fn told_evidence(class: &Class, told: f64) -> f64 {
    (told / class.prior).max(f64::MIN_POSITIVE).ln()
}

/// Stories about the sizes that the shares of the current cannot tell apart, with each story's share of all of them.
fn size_groups(sizes: &Magnitudes) -> Vec<Vec<([Gain; 3], f64)>> {
    let total: f64 = sizes.ranked.iter().map(|m| m.probability).sum::<f64>().max(f64::MIN_POSITIVE);
    let mut order: Vec<_> = sizes.ranked.clone();
    let mut groups = Vec::new();
    while let Some(leader) = order.first().copied() {
        let (together, rest): (Vec<_>, Vec<_>) =
            order.into_iter().partition(|m| (m.ln_likelihood - leader.ln_likelihood).abs() < INDISTINGUISHABLE.ln());
        order = rest;
        groups.push(together.iter().map(|m| (m.gain, m.probability / total)).collect());
    }
    groups
}

/// A ratio on one channel beside one that all share: the one channel's is told.
fn with_gain(wiring: Wiring, gain: [Gain; 3]) -> Wiring {
    if gain == [Gain::AsRated; 3] { wiring } else { Wiring { gain, ..wiring } }
}

pub(super) fn verdict(level: EvidenceLevel, sound: f64, unexplained: f64, readings: u64) -> Verdict {
    let enough = if level == EvidenceLevel::PerChannelPq { CONFIDENT } else { CONFIDENT_WITHOUT_ANGLES };
    if readings < READINGS_FOR_VERDICT {
        Verdict::NoEvidence
    } else if sound >= enough {
        Verdict::Sound
    } else if 1.0 - sound >= enough && unexplained <= UNEXPLAINED_ALLOWED {
        Verdict::Fault
    } else {
        Verdict::Undecided
    }
}

/// True when two means differ by less than about a tenth of what the likelihood resolves.
fn negligible(a: &Features, b: &Features) -> bool {
    const STEP: f64 = 0.002;
    let near = |x: Option<f64>, y: Option<f64>| match (x, y) {
        (Some(x), Some(y)) => (x - y).abs() < STEP,
        (None, None) => true,
        _ => false,
    };
    a.blanked == b.blanked
        && a.current_alive == b.current_alive
        && (0..3).all(|k| near(a.p[k], b.p[k]) && near(a.q[k], b.q[k]) && near(a.unsigned_pf[k], b.unsigned_pf[k]))
        && (0..3).all(|k| (a.weight[k] - b.weight[k]).abs() < 5.0 * STEP)
        && near(a.total_p, b.total_p)
        && near(a.total_q, b.total_q)
        && near(a.total_unsigned_pf, b.total_unsigned_pf)
        && (a.mean_current_a / b.mean_current_a - 1.0).abs() < 0.02
}
