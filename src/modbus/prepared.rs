//! A map made ready to be read, and what the device made of its reads: the answers of this poll, and what it refuses.
//!
//! Must never hold an answer of one poll into the next.

use std::sync::Arc;
use std::time::Duration;

use tokio::time::Instant;

use super::alternatives::RawImage;
use super::decode::{self, Block};
use super::error::Cause;
use super::map::MeterMap;
use super::plan::{Plan, plan};
use super::sunspec::Model;

/// Registers a device refused are asked for again after this time: it may have been starting up.
pub(super) const ASK_AGAIN: Duration = Duration::from_mins(1);

/// The map of a monitor, as far as it is known.
#[derive(Debug)]
pub(super) enum MapState {
    /// SunSpec, not found yet.
    Undiscovered,
    /// It cannot be read as written. Checked configurations do not come here.
    Unusable {
        map: MeterMap,
        cause: Cause,
        /// Told once already.
        told: bool,
    },
    /// Ready to be read.
    Ready(Box<Prepared>),
}

/// A map with its reads.
#[derive(Debug)]
pub(super) struct Prepared {
    /// The SunSpec model it was made from.
    pub(super) model: Option<Model>,
    pub(super) map: Arc<MeterMap>,
    pub(super) plan: Plan,
    /// One for each read.
    pub(super) blocks: Vec<Block>,
    /// One for each read.
    pub(super) state: Vec<ReadState>,
    /// Read the next poll begins with, so that none is for ever last.
    pub(super) first: usize,
    /// Everything was refused; until then nothing is halved again.
    pub(super) whole_until: Option<Instant>,
}

/// What is known of one read.
#[derive(Debug, Clone, Default)]
pub(super) struct ReadState {
    /// It came from halving a refused read.
    pub(super) is_half: bool,
    pub(super) refused: Option<Refusal>,
}

/// A read the device refuses.
#[derive(Debug, Clone)]
pub(super) struct Refusal {
    pub(super) sentence: String,
    pub(super) ask_again: Instant,
}

impl MapState {
    /// Checks and plans a map.
    pub(super) fn prepare(map: MeterMap, model: Option<Model>) -> MapState {
        match decode::check(&map).and_then(|()| plan(&map.points, &map.limits)) {
            Err(error) => MapState::Unusable { map, cause: Cause::Map(error.to_string()), told: false },
            Ok(plan) => {
                let reads = plan.requests().len();
                MapState::Ready(Box::new(Prepared {
                    model,
                    map: Arc::new(map),
                    plan,
                    blocks: vec![Block::Missing; reads],
                    state: vec![ReadState::default(); reads],
                    first: 0,
                    whole_until: None,
                }))
            }
        }
    }
}

impl Prepared {
    /// Hands on the words of this poll. A map found on the device itself has nothing to correct, so it gives none.
    pub(super) fn take_raw(&mut self) -> Option<RawImage> {
        if self.model.is_some() {
            return None;
        }
        let empty = vec![Block::Missing; self.blocks.len()];
        let blocks = std::mem::replace(&mut self.blocks, empty);
        Some(RawImage { map: Arc::clone(&self.map), requests: self.plan.requests().to_vec(), blocks })
    }

    /// Halves a refused read. Returns the index of its second half.
    pub(super) fn halve(&mut self, read: usize) -> Option<usize> {
        let second = self.plan.halve(read, &self.map.points)?;
        self.state[read] = ReadState { is_half: true, refused: None };
        self.state.push(self.state[read].clone());
        self.blocks.push(Block::Missing);
        Some(second)
    }

    /// Forgets what was refused and halved. The map was planned before, so it can be planned again.
    pub(super) fn start_over(&mut self) {
        if let Ok(plan) = plan(&self.map.points, &self.map.limits) {
            self.state = vec![ReadState::default(); plan.requests().len()];
            self.blocks = vec![Block::Missing; plan.requests().len()];
            self.plan = plan;
            self.first = 0;
        }
    }
}
