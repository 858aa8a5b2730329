//! Columns that do not fit their circuits: the recorded columns looked at as the live side looks at registers.
//!
//! A sample of a file's readings is kept while it is read, and weighed once at its end, where something looks wrong, by
//! the scores and the ledger of `audit::register_fault`. Must never change a reading, nor weigh within the row path.

pub mod alteration;
pub mod sample;

use self::alteration::{Alteration, Mistake, all};
use self::sample::Sample;
use super::columns::ValueColumn;
use crate::audit::context::CircuitContext;
use crate::audit::register_fault::SAID_ABOVE;
use crate::audit::register_fault::expected::Expected;
use crate::audit::register_fault::glance::looks_wrong;
use crate::audit::register_fault::ledger::{ENOUGH, Ledger};
use crate::audit::register_fault::plausibility::score;
use crate::modbus::alternatives::group_of;
use crate::reading::{MonitorReading, UnixMs};

/// Below this probability of the columns being right, no lead is judged by them. Rotated leads of a load near 30 degrees of
/// lag give watts near zero, which a wrong unit explains as well: at 0.5 such recordings were doubted.
const DOUBTED_BELOW: f64 = 0.2;
/// Explanations told where none is sure, and the least probability of each.
const CANDIDATES: usize = 3;
const WORTH_TELLING: f64 = 0.05;
/// Below this an explanation is left out of all sums.
const NEGLIGIBLE: f64 = 1e-4;
/// Readings weighed together: a stretch of the recording, so that a change of units within a file shows.
const STRETCH: usize = 6;

/// What does not fit in the columns of one circuit, in one file.
#[derive(Debug, Clone, PartialEq)]
pub struct Doubt {
    /// First and last reading that was weighed of the stretch that does not fit.
    pub period: (UnixMs, UnixMs),
    /// What is wrong.
    pub misfit: Misfit,
}

/// What is wrong with columns.
#[derive(Debug, Clone, PartialEq)]
pub enum Misfit {
    /// One mistake explains it, surely enough to be said.
    Named(Explanation),
    /// The values do not fit as declared, and no one mistake is sure.
    Unclear {
        /// Probability that the columns are right, 0..1.
        right: f64,
        /// The likeliest mistakes; may be empty.
        candidates: Vec<Explanation>,
    },
}

/// A mistake in the columns, and what the values come to without it.
#[derive(Debug, Clone, PartialEq)]
pub struct Explanation {
    /// The columns.
    pub columns: Vec<Declared>,
    /// What is wrong with them.
    pub mistake: Mistake,
    /// Probability against the columns being right, all other mistakes, and none of these, 0..1.
    pub probability: f64,
    /// What the values come to, for people; empty when there is nothing to read out.
    pub values: String,
}

/// A column as the columns file declares it.
#[derive(Debug, Clone, PartialEq)]
pub struct Declared {
    /// Its name, or its tag in the long layout.
    pub column: String,
    /// What it is declared as.
    pub target: crate::modbus::map::Target,
    /// Its unit as written.
    pub unit: &'static str,
    /// SI units in one of it.
    pub scale: f64,
}

/// Weighs a sample of one monitor's readings for one circuit. `values` are the columns of the file.
pub fn weigh(sample: &Sample, values: &[&ValueColumn], context: &CircuitContext) -> Vec<Doubt> {
    let expected = Expected { any_angle: false, ..Expected::of([context]) };
    if expected.circuits.is_empty() {
        return Vec::new();
    }
    let readings = sample.readings();
    let alterations = all(values, context.load);
    let (kept, odds): (Vec<Alteration>, Vec<f64>) = alterations.into_iter().unzip();
    let mut doubts: Vec<(Option<usize>, Doubt)> = Vec::new();
    for stretch in stretches(&readings) {
        let Some((leader, misfit)) = weigh_stretch(stretch, &kept, &odds, values, &expected) else { continue };
        let period = (stretch[0].at.wall, stretch[stretch.len() - 1].at.wall);
        // The same said of several stretches is said once.
        match doubts.iter_mut().find(|(of, _)| *of == leader) {
            Some((_, doubt)) => doubt.period.1 = period.1,
            None => doubts.push((leader, Doubt { period, misfit })),
        }
    }
    // A named mistake says more than that something does not fit.
    if doubts.iter().any(|(leader, _)| leader.is_some()) {
        doubts.retain(|(leader, _)| leader.is_some());
    }
    doubts.into_iter().map(|(_, doubt)| doubt).collect()
}

/// Whether anything in a sample looks wrong enough to be weighed.
pub fn worth_weighing(sample: &Sample, context: &CircuitContext) -> bool {
    let expected = Expected::of([context]);
    sample.failing() || sample.readings().iter().any(|reading| looks_wrong(reading, &expected))
}

/// Stretches of equal length; what is over at the end goes with the last one.
fn stretches<'a, 'r>(readings: &'a [&'r MonitorReading]) -> impl Iterator<Item = &'a [&'r MonitorReading]> {
    let whole = (readings.len() / STRETCH).max(1);
    let enough = readings.len() >= ENOUGH as usize;
    (0..whole).filter(move |_| enough).map(move |n| {
        let end = if n + 1 == whole { readings.len() } else { (n + 1) * STRETCH };
        &readings[n * STRETCH..end]
    })
}

fn weigh_stretch(
    readings: &[&MonitorReading],
    alterations: &[Alteration],
    odds: &[f64],
    values: &[&ValueColumn],
    expected: &Expected,
) -> Option<(Option<usize>, Misfit)> {
    let mut ledger = Ledger::new(odds);
    for reading in readings {
        let right = score(reading, expected);
        let altered = alterations.iter().map(|alteration| score(&alteration.applied(reading, values), expected).fits);
        ledger.take(right.fits, right.nothing, altered);
    }
    let (shares, right, _) = ledger.shares();
    let last = readings.last()?;
    let explain = |(index, probability): (usize, f64)| {
        let alteration = alterations.get(index)?;
        Some(Explanation {
            columns: alteration.columns.iter().filter_map(|n| values.get(*n)).map(|value| declared(value)).collect(),
            mistake: alteration.mistake,
            probability,
            values: read_out(alteration, last, values),
        })
    };
    let likeliest = likeliest(&shares, |index| alterations[index].applied(last, values));
    let leader = likeliest.first().copied();
    if let Some((index, probability)) = leader.filter(|(_, probability)| *probability >= SAID_ABOVE) {
        return Some((Some(index), Misfit::Named(explain((index, probability))?)));
    }
    (right < DOUBTED_BELOW).then(|| {
        let candidates = likeliest.into_iter().filter(|(_, p)| *p >= WORTH_TELLING).filter_map(explain);
        (None, Misfit::Unclear { right, candidates: candidates.collect() })
    })
}

/// The likeliest alterations with their probabilities. Those that give the same values, to the last digit, are one: the
/// likeliest of them speaks. Others stand by themselves, even where they fit equally well.
fn likeliest(shares: &[f64], applied: impl Fn(usize) -> MonitorReading) -> Vec<(usize, f64)> {
    let mut order: Vec<usize> = (0..shares.len()).filter(|index| shares[*index] >= NEGLIGIBLE).collect();
    order.sort_by(|a, b| shares[*b].total_cmp(&shares[*a]));
    let mut found: Vec<(usize, f64, MonitorReading)> = Vec::new();
    for index in order {
        let reading = applied(index);
        match found.iter_mut().find(|(_, _, known)| *known == reading) {
            Some((_, probability, _)) => *probability += shares[index],
            None => found.push((index, shares[index], reading)),
        }
    }
    found.sort_by(|a, b| b.1.total_cmp(&a.1));
    found.into_iter().take(CANDIDATES).map(|(index, probability, _)| (index, probability)).collect()
}

fn declared(value: &ValueColumn) -> Declared {
    Declared { column: value.column.clone(), target: value.target, unit: value.unit, scale: value.scale }
}

/// What the altered values come to on one reading.
fn read_out(alteration: &Alteration, reading: &MonitorReading, values: &[&ValueColumn]) -> String {
    let group = match alteration.mistake {
        Mistake::Meaningless => return String::new(),
        Mistake::Quantity { is, .. } => Some(is),
        Mistake::Scale(_) | Mistake::Unsigned(_) | Mistake::Negated | Mistake::OtherVoltage { .. } => {
            alteration.columns.first().and_then(|n| group_of(values.get(*n)?.target.quantity))
        }
    };
    group.map_or_else(String::new, |group| group.read_out(&alteration.applied(reading, values)))
}

#[cfg(test)]
#[path = "doubt_tests.rs"]
mod tests;
