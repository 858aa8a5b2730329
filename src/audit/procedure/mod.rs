//! A remedy as a person carries it out: every step in order, from agreeing the outage to the proof.
//!
//! Data first: `prepare`, `moves`, `restore` and `desk` list the steps, each with its own words beside it. A move is private to
//! this module, and [`Procedure::lines`] is the one way to words: no text can hold a move without the steps around it. Must
//! never be shown without the cautions of the installation before it, nor name a channel or terminal that the service has not.

mod deferred;
mod desk;
mod job;
mod move_words;
mod moves;
mod prepare;
mod restore;
mod words;

#[cfg(test)]
mod tests;

use super::installation::Installation;
use super::remedy::Move;
use super::wiring::Wiring;
use deferred::Deferred;
use desk::Desk;
use job::Job;
use moves::MoveStep;
use prepare::Prepare;
use restore::Restore;

/// Another pump of the same monitor.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Neighbor {
    /// Slot on the monitor, from 0.
    pub slot: usize,
    /// Name.
    pub name: String,
}

/// Where the remedy is carried out.
#[derive(Debug, Clone, PartialEq)]
pub struct Place {
    /// What a person meets at the panel.
    pub installation: Installation,
    /// Name of the pump.
    pub pump: String,
    /// The other pumps of its monitor.
    pub neighbors: Vec<Neighbor>,
}

/// A part of a procedure. The order of the variants is the order in which they are carried out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Section {
    /// What is dangerous now.
    Hazard,
    /// At the desk: configuration and settings, no panel.
    Desk,
    /// Up to the first move: stop, lock out, verify absence of voltage, short the CT secondaries.
    Prepare,
    /// The moves.
    Moves,
    /// From the last move to the proof.
    Restore,
    /// Work that is for others, named and not described.
    Deferred,
}

impl Section {
    /// Stable word for JSON.
    pub fn key(self) -> &'static str {
        match self {
            Section::Hazard => "hazard",
            Section::Desk => "desk",
            Section::Prepare => "prepare",
            Section::Moves => "moves",
            Section::Restore => "restore",
            Section::Deferred => "deferred",
        }
    }

    /// Heading for people.
    pub fn title(self) -> &'static str {
        match self {
            Section::Hazard => "Hazard now",
            Section::Desk => "At the desk, not at the panel",
            Section::Prepare => "A. Before anything is moved",
            Section::Moves => "The moves",
            Section::Restore => "B. After the moves",
            Section::Deferred => "Work for others",
        }
    }

    /// True when its lines are steps to tick, and not notices.
    pub fn is_ticked(self) -> bool {
        !matches!(self, Section::Hazard | Section::Deferred)
    }
}

/// One step, of the section that its variant says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Step {
    /// The CT of this channel may be open and live.
    Hazard(usize),
    Desk(Desk),
    Prepare(Prepare),
    Move(MoveStep),
    Restore(Restore),
    Deferred(Deferred),
}

impl Step {
    fn section(self) -> Section {
        match self {
            Step::Hazard(_) => Section::Hazard,
            Step::Desk(_) => Section::Desk,
            Step::Prepare(_) => Section::Prepare,
            Step::Move(_) => Section::Moves,
            Step::Restore(_) => Section::Restore,
            Step::Deferred(_) => Section::Deferred,
        }
    }
}

/// One line of a procedure: one action.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Line {
    /// The part it belongs to.
    pub section: Section,
    /// Stable word for JSON.
    pub step: &'static str,
    /// Channels of the circuit that it names, from 0.
    pub channels: Vec<usize>,
    /// What to do.
    pub text: String,
}

/// A remedy with all the steps around it. There is no way to a part of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Procedure {
    steps: Vec<Step>,
    job: Job,
}

impl Procedure {
    /// The procedure that makes these moves on a wiring, at a place.
    pub fn of(wiring: &Wiring, moves: &[Move], place: &Place) -> Procedure {
        let job = Job::of(wiring, moves, place);
        let mut steps: Vec<Step> = job.suspected_open().map(Step::Hazard).collect();
        steps.extend(desk::steps(&job).into_iter().map(Step::Desk));
        if job.is_deferred() {
            steps.extend(deferred::steps(&job).into_iter().map(Step::Deferred));
        } else if job.is_at_panel() {
            steps.extend(prepare::steps(&job).into_iter().map(Step::Prepare));
            steps.extend(moves::steps(&job).into_iter().map(Step::Move));
            steps.extend(restore::steps(&job).into_iter().map(Step::Restore));
        }
        Procedure { steps, job }
    }

    /// True when any of it is done at a panel by whoever reads it.
    pub fn is_at_panel(&self) -> bool {
        self.steps.iter().any(|step| matches!(step, Step::Prepare(_) | Step::Move(_) | Step::Restore(_)))
    }

    /// True when work is named that is for others: on the primary above 1,000 V or of voltage transformers.
    pub fn is_deferred(&self) -> bool {
        self.steps.iter().any(|step| matches!(step, Step::Deferred(_)))
    }

    /// Every step in order.
    pub fn lines(&self) -> Vec<Line> {
        let line = |step: &Step| {
            let (key, channels, text) = self.said(*step);
            Line { section: step.section(), step: key, channels, text }
        };
        self.steps.iter().map(line).collect()
    }

    fn said(&self, step: Step) -> (&'static str, Vec<usize>, String) {
        let job = &self.job;
        match step {
            Step::Hazard(k) => ("ct-may-be-open", vec![k], job.hazard(k)),
            Step::Desk(step) => (step.key(), step.channels(), step.words(job)),
            Step::Prepare(step) => (step.key(), step.channels(), step.words(job)),
            Step::Move(step) => (step.key(), step.channels(), step.words(job)),
            Step::Restore(step) => (step.key(), step.channels(), step.words(job)),
            Step::Deferred(step) => (step.key(), Vec::new(), step.words(job)),
        }
    }
}
