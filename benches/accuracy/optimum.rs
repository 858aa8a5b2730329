//! The best any method could do: Bayes' rule by brute force over the generator's own distributions.
//!
//! For every case a large sample of what is not known (class, gain errors, unbalance, plate error, load) is drawn so that it
//! explains the volts and amps read; each sample gives every conductor's current by the simulator's load models, and with it
//! the likelihood of what was read under every wiring, summed over the sample. Gaussian errors (CT displacement, drift) are
//! integrated in closed form. Shares no code with the core; must never be told the truth of a case.

use super::faults::{Possible, Relative};
use super::generator::{Draw, Kind, Plate};
use super::loads::LoadTable;
use super::numbers::LnSum;
use super::sample::{Row, Sample, Seen, Shown};
use super::score::{Judged, Ranked};
use super::stations::Metered;

/// Samples a case.
const SAMPLES: usize = 700;
/// A channel below this share of the largest current is dead: the least real current is far above it.
const DEAD: f64 = 0.05;
/// Two wirings whose likelihoods differ by less than this factor are one group: the core's published rule.
const GROUP: f64 = 3.0;

/// Wirings that no reading can tell apart.
struct Class {
    relative: Relative,
    prior: f64,
    members: Vec<usize>,
    power_right: bool,
}

/// Everything known in advance.
pub struct Optimum {
    possible: Vec<Possible>,
    classes: Vec<Class>,
    tables: Vec<(Kind, Plate, LoadTable)>,
}

impl Optimum {
    /// Prepares for the wirings that may be drawn.
    pub fn new(possible: &[Possible]) -> Optimum {
        let mut classes: Vec<Class> = Vec::new();
        for (n, candidate) in possible.iter().enumerate() {
            let relative = candidate.leads.relative();
            match classes.iter_mut().find(|c| c.relative == relative) {
                Some(class) => {
                    class.prior += candidate.weight;
                    class.members.push(n);
                }
                None => classes.push(Class {
                    relative,
                    prior: candidate.weight,
                    members: vec![n],
                    power_right: candidate.leads.power_right(),
                }),
            }
        }
        Optimum { possible: possible.to_vec(), classes, tables: LoadTable::all() }
    }

    /// Judges one case at the four levels. Of the draw only the nameplate is looked at.
    pub fn judge(&self, draw: &Draw, metered: &[Metered]) -> [Judged; 4] {
        let seen: Vec<Seen> = metered.iter().map(Seen::of).collect();
        let largest = metered[0].current_a.iter().copied().fold(0.0, f64::max);
        let alive = metered[0].current_a.map(|i| i > DEAD * largest);
        let table = &self.tables.iter().find(|(k, p, _)| *k == draw.kind && *p == draw.plate).expect("a table").2;
        let mut sums = vec![[LnSum::EMPTY; 4]; self.classes.len()];
        let losses: [Option<usize>; 4] = [None, Some(0), Some(1), Some(2)];
        for reversed in [false, true] {
            for lost in losses {
                let fits = |r: &Relative| {
                    let dead = |k: usize| match r.lost {
                        Some(x) => r.current[k][x] != 0.0 || r.current[k] == [0.0; 3],
                        None => r.current[k] == [0.0; 3],
                    };
                    r.reversed == reversed && r.lost == lost && (0..3).all(|k| alive[k] != dead(k))
                };
                let list: Vec<usize> = (0..self.classes.len()).filter(|c| fits(&self.classes[*c].relative)).collect();
                if !list.is_empty() {
                    self.sample(table, &seen, alive, (reversed, lost), &list, &mut sums);
                }
            }
        }
        let b = metered[0].voltage_angle_deg[1];
        // Told by the angles at level (a) only: a second voltage that leads turns the other way.
        let rotation_read = b > 0.0;
        [0, 1, 2, 3].map(|level| {
            let ln_likelihood: Vec<f64> = (0..self.classes.len())
                .map(|c| {
                    let wrong_way = level == 0 && self.classes[c].relative.reversed != rotation_read;
                    if wrong_way { f64::NEG_INFINITY } else { sums[c][level].ln() }
                })
                .collect();
            self.judged(&ln_likelihood)
        })
    }

    /// Adds the likelihoods under the listed classes over one sample of everything unknown.
    fn sample(
        &self,
        table: &LoadTable,
        seen: &[Seen],
        alive: [bool; 3],
        (reversed, lost): (bool, Option<usize>),
        list: &[usize],
        sums: &mut [[LnSum; 4]],
    ) {
        let mut rows: Vec<Row> = Vec::new();
        let places: Vec<[Option<usize>; 3]> = list
            .iter()
            .map(|c| {
                let relative = &self.classes[*c].relative;
                [0, 1, 2].map(|k| {
                    let row = Row { shares: relative.current[k], map: relative.map };
                    alive[k].then(|| {
                        rows.iter().position(|r| *r == row).unwrap_or_else(|| {
                            rows.push(row);
                            rows.len() - 1
                        })
                    })
                })
            })
            .collect();
        let mut random = fastrand::Rng::with_seed(7);
        for _ in 0..SAMPLES {
            let Some(sample) = Sample::draw(table, seen, alive, (reversed, lost), &mut random) else { continue };
            let mut shown = vec![[Shown::default(); 3]; rows.len()];
            for (row, shown) in rows.iter().zip(&mut shown) {
                for k in (0..3).filter(|k| alive[*k]) {
                    shown[k] = sample.shown(row, k, seen);
                }
            }
            for (class, places) in list.iter().zip(&places) {
                let parts = [0, 1, 2].map(|k| places[k].map(|r| &shown[r][k]));
                let ln = sample.ln_likelihoods(&self.classes[*class].relative, parts, seen);
                for (sum, ln) in sums[*class].iter_mut().zip(ln) {
                    sum.add(ln);
                }
            }
        }
    }

    fn judged(&self, ln_likelihood: &[f64]) -> Judged {
        let ln_posterior: Vec<f64> = ln_likelihood.iter().zip(&self.classes).map(|(ln, c)| ln + c.prior.ln()).collect();
        let peak = ln_posterior.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        if peak == f64::NEG_INFINITY {
            return Judged::default();
        }
        let mass: Vec<f64> = ln_posterior.iter().map(|ln| (ln - peak).exp()).collect();
        let total: f64 = mass.iter().sum();
        let leader = (0..mass.len()).max_by(|a, b| mass[*a].total_cmp(&mass[*b])).unwrap_or(0);
        let together = |c: usize| (ln_likelihood[c] - ln_likelihood[leader]).abs() < GROUP.ln();
        let mut judged = Judged::default();
        for (c, class) in self.classes.iter().enumerate().filter(|(c, _)| mass[*c] > 1e-9 * total) {
            judged.sound += if class.power_right { mass[c] / total } else { 0.0 };
            for member in &class.members {
                let probability = mass[c] / total * self.possible[*member].weight / class.prior;
                judged.ranked.push(Ranked { leads: self.possible[*member].leads, probability, in_group: together(c) });
            }
        }
        judged.sort();
        judged
    }
}
