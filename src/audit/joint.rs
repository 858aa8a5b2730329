//! The most probable wirings of all circuits of a monitor together, found best first.
//!
//! Given a state of what the circuits share they are independent, so every joint wiring's probability is known exactly as a
//! product. The search takes joint wirings in the order of their probability and stops after as many as were asked for: whatever
//! it has not taken is at most as probable as the last one taken. Must never look at a reading.

use std::cmp::Ordering;
use std::collections::{BinaryHeap, HashMap};

use super::wiring::Wiring;

/// Conditional probabilities below this are left out of the lists; the bound allows for them.
const LEFT_OUT: f64 = 1e-9;

/// What one circuit may be, given a state of what is shared: its wirings (`None`: none of those considered) with their
/// conditional probabilities, most probable first.
pub type Alternatives = Vec<(Option<Wiring>, f64)>;

/// A state of what is shared: its posterior probability, and each circuit's alternatives under it.
#[derive(Debug, Clone)]
pub struct SharedState {
    /// Posterior probability.
    pub probability: f64,
    /// By circuit.
    pub circuits: Vec<Alternatives>,
}

/// One joint wiring.
#[derive(Debug, Clone, PartialEq)]
pub struct Joint {
    /// By circuit; `None` for a circuit that no wiring considered explains.
    pub wirings: Vec<Option<Wiring>>,
    /// Posterior probability.
    pub probability: f64,
}

/// The most probable joint wirings.
#[derive(Debug, Clone, PartialEq)]
pub struct JointRanking {
    /// Most probable first.
    pub best: Vec<Joint>,
    /// No joint wiring that is not listed is more probable than this.
    pub others_at_most: f64,
    /// Sum of the probabilities listed: the rest is spread over all others.
    pub listed: f64,
}

/// A place in the search: a state, and a rank in each circuit's list.
#[derive(Debug, Clone, PartialEq)]
struct Place {
    probability: f64,
    state: usize,
    ranks: Vec<usize>,
    /// Only lists from here on are stepped down, so that every combination is reached once.
    from: usize,
}

impl Eq for Place {}
impl Ord for Place {
    fn cmp(&self, other: &Place) -> Ordering {
        // Ties by place, so that the order never depends on the heap's inside.
        self.probability
            .total_cmp(&other.probability)
            .then_with(|| other.state.cmp(&self.state))
            .then_with(|| other.ranks.cmp(&self.ranks))
    }
}
impl PartialOrd for Place {
    fn partial_cmp(&self, other: &Place) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

fn place(states: &[SharedState], state: usize, ranks: Vec<usize>, from: usize) -> Option<Place> {
    let shared = &states[state];
    let mut probability = shared.probability;
    for (rank, list) in ranks.iter().zip(&shared.circuits) {
        probability *= list.get(*rank)?.1;
    }
    Some(Place { probability, state, ranks, from })
}

/// Takes joint wirings best first until `wanted` different ones are found, or no more are left.
pub fn search(states: &[SharedState], wanted: usize) -> JointRanking {
    let mut heap: BinaryHeap<Place> =
        (0..states.len()).filter_map(|state| place(states, state, vec![0; states[state].circuits.len()], 0)).collect();
    let mut best: Vec<Joint> = Vec::new();
    let mut index: HashMap<Vec<Option<Wiring>>, usize> = HashMap::new();
    let mut next = 0.0;
    while let Some(top) = heap.pop() {
        next = top.probability;
        if best.len() >= wanted || top.probability <= LEFT_OUT {
            break;
        }
        let lists = &states[top.state].circuits;
        let wirings: Vec<_> = top.ranks.iter().zip(lists).map(|(rank, list)| list[*rank].0).collect();
        // A joint wiring that no wiring explains anywhere comes out of several states: they are added up.
        let known = *index.entry(wirings).or_insert_with_key(|wirings| {
            best.push(Joint { wirings: wirings.clone(), probability: 0.0 });
            best.len() - 1
        });
        best[known].probability += top.probability;
        for circuit in top.from..top.ranks.len() {
            let mut ranks = top.ranks.clone();
            ranks[circuit] += 1;
            heap.extend(place(states, top.state, ranks, circuit));
        }
        next = heap.peek().map_or(0.0, |place| place.probability);
    }
    best.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    let listed = best.iter().map(|joint| joint.probability).sum::<f64>().min(1.0);
    // What is left out of the lists is below its threshold in every state.
    JointRanking { best, others_at_most: next.max(LEFT_OUT), listed }
}

/// Sorts a circuit's alternatives and leaves out what cannot matter.
pub fn sorted(mut alternatives: Alternatives) -> Alternatives {
    alternatives.retain(|(_, p)| *p > LEFT_OUT);
    alternatives.sort_by(|a, b| b.1.total_cmp(&a.1));
    alternatives
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::audit::context::ServiceKind;
    use crate::audit::hypotheses::classes;

    /// Every joint wiring, by trying all.
    fn all(states: &[SharedState]) -> Vec<Joint> {
        let mut sums: HashMap<Vec<Option<Wiring>>, f64> = HashMap::new();
        for state in states {
            let mut partial = vec![(Vec::new(), state.probability)];
            for list in &state.circuits {
                partial = partial
                    .into_iter()
                    .flat_map(|(wirings, p)| {
                        list.iter().map(move |(w, q)| ([wirings.clone(), vec![*w]].concat(), p * q))
                    })
                    .collect();
            }
            for (wirings, p) in partial {
                *sums.entry(wirings).or_default() += p;
            }
        }
        let mut joints: Vec<Joint> =
            sums.into_iter().map(|(wirings, probability)| Joint { wirings, probability }).collect();
        joints.sort_by(|a, b| b.probability.total_cmp(&a.probability));
        joints
    }

    proptest! {
        /// The search finds what trying all finds, in order, and its bound holds for everything it did not list.
        #[test]
        fn the_search_agrees_with_trying_all(
            weights in proptest::collection::vec(proptest::collection::vec(proptest::collection::vec(0.01..1.0f64, 1..5), 3), 1..4),
            shares in proptest::collection::vec(0.01..1.0f64, 4),
            wanted in 1usize..12,
        ) {
            let wirings: Vec<Wiring> =
                classes(ServiceKind::Wye4).all.iter().take(20).map(|c| c.members[0].wiring).collect();
            let total: f64 = shares.iter().take(weights.len()).sum();
            let states: Vec<SharedState> = weights
                .iter()
                .enumerate()
                .map(|(s, lists)| SharedState {
                    probability: shares[s] / total,
                    circuits: lists
                        .iter()
                        .map(|list| {
                            let sum: f64 = list.iter().sum();
                            // Wirings differ from state to state, as the shared leads are part of them.
                            sorted(list.iter().enumerate().map(|(i, w)| (Some(wirings[5 * s + i]), w / sum)).collect())
                        })
                        .collect(),
                })
                .collect();
            let truth = all(&states);
            let found = search(&states, wanted);
            for (found, truth) in found.best.iter().zip(&truth) {
                prop_assert!((found.probability - truth.probability).abs() < 1e-12);
            }
            prop_assert_eq!(found.best.len(), wanted.min(truth.len()));
            for other in truth.iter().skip(found.best.len()) {
                prop_assert!(other.probability <= found.others_at_most + 1e-12);
            }
            let sum: f64 = found.best.iter().map(|j| j.probability).sum();
            prop_assert!((found.listed - sum.min(1.0)).abs() < 1e-9);
        }
    }
}
