//! One monitor's polls: which reads to make, what to do about the failed ones, and the event that comes out.
//!
//! Holds what was learned about the device: its SunSpec model, and the registers it refuses. One poll at a time; when to
//! poll is `modbus::poller`'s. Must never let a failed read cost a value that another read brought.

use std::collections::VecDeque;
use std::sync::Arc;

use tokio::time::Instant;

use super::client::Deadlines;
use super::decode::{self, Block};
use super::error::{Cause, ModbusError, Transaction};
use super::link::{Dial, Link, UnitHealth, fits};
use super::map::{MapSource, ReadFunction};
use super::plan::ReadRequest;
use super::poll::PollEvent;
use super::prepared::{ASK_AGAIN, MapState, Prepared, Refusal};
use super::sunspec::{self, Discovery, Step};
use crate::clock::Clock;
use crate::config::model::MonitorConfig;
use crate::reading::{CircuitReading, MonitorReading};

/// Reads in a row without any answer after which the rest of a poll is given up.
const SILENCES: u32 = 2;

/// One monitor's side of polling.
#[derive(Debug)]
pub struct Session {
    device: String,
    config: MonitorConfig,
    deadlines: Deadlines,
    link: Arc<Link>,
    clock: Clock,
    health: UnitHealth,
    map: MapState,
    /// SunSpec: the connection discovery was made on.
    discovered_on: Option<u64>,
}

/// What one poll gathers.
#[derive(Debug, Default)]
struct Run {
    errors: Vec<ModbusError>,
    failures: Vec<String>,
    transactions: u32,
    connects: u32,
    answered: bool,
    /// Questions in a row without answer.
    silences: u32,
    last: Option<Cause>,
}

impl Run {
    /// Notes a failed transaction. While waiting nothing was asked, so none failed.
    fn note(&mut self, error: ModbusError) {
        if !matches!(error.cause, Cause::Waiting { .. }) {
            self.errors.push(error);
        }
    }
}

impl Session {
    /// A monitor on a connection of its own, polled whenever the caller likes: no cadence, no task.
    pub fn alone(station: &str, config: MonitorConfig, clock: Clock) -> Session {
        let link = Link::new(config.address.clone(), config.transport, Dial::Socket);
        Session::new(station, config, Arc::new(link), clock)
    }

    pub(super) fn new(station: &str, config: MonitorConfig, link: Arc<Link>, clock: Clock) -> Session {
        let map = match &config.map {
            MapSource::Fixed(map) => MapState::prepare(map.clone(), None),
            MapSource::SunSpec { .. } => MapState::Undiscovered,
        };
        Session {
            device: format!("{station} / {}", config.name),
            deadlines: Deadlines::new(config.timeout, config.transport),
            config,
            link,
            clock,
            health: UnitHealth::default(),
            map,
            discovered_on: None,
        }
    }

    /// Polls once. Retries are made only before `until`.
    pub async fn poll(&mut self, until: Instant) -> PollEvent {
        let started = Instant::now();
        let mut run = Run::default();
        let mut raw = None;
        let reading = match self.gather(&mut run, until).await {
            Ok(()) => match &mut self.map {
                MapState::Ready(ready) => {
                    let failures = std::mem::take(&mut run.failures);
                    let reading = decode::decode(&ready.map, &ready.plan, &ready.blocks, self.clock.now(), failures);
                    raw = ready.take_raw();
                    reading
                }
                _ => self.nothing_read(std::mem::take(&mut run.failures)),
            },
            Err(error) => self.nothing_read(vec![error.to_string()]),
        };
        if run.answered {
            self.health.answered();
        } else if let (true, Some(last)) = (run.transactions > 0, run.last.take()) {
            self.health.silent(last, Instant::now());
        }
        PollEvent {
            reading,
            raw,
            errors: run.errors,
            took_ms: started.elapsed().as_secs_f64() * 1000.0,
            transactions: run.transactions,
            skipped_ticks: 0,
            connects: run.connects,
            dropped_events: 0,
        }
    }

    /// Makes the reads. `Err` tells why none was made at all.
    async fn gather(&mut self, run: &mut Run, until: Instant) -> Result<(), ModbusError> {
        if let Some(cause) = self.health.waiting(Instant::now()) {
            return Err(self.error(None, cause));
        }
        if matches!(self.config.map, MapSource::SunSpec { .. }) {
            self.discover(run, until).await?;
        }
        // Taken out while reading, so that what is learned can be noted beside the questions.
        match std::mem::replace(&mut self.map, MapState::Undiscovered) {
            MapState::Ready(mut ready) => {
                self.read_all(&mut ready, run, until).await;
                self.map = MapState::Ready(ready);
                Ok(())
            }
            MapState::Undiscovered => Ok(()),
            MapState::Unusable { map, cause, told } => {
                let error = self.error(None, cause.clone());
                if !told {
                    run.errors.push(error.clone());
                }
                self.map = MapState::Unusable { map, cause, told: true };
                Err(error)
            }
        }
    }

    /// Makes every read of the plan.
    async fn read_all(&self, ready: &mut Prepared, run: &mut Run, until: Instant) {
        let reads = ready.plan.requests().len();
        let mut queue: VecDeque<usize> = (ready.first..reads).chain(0..ready.first).collect();
        let (mut given_up, mut silent): (Option<usize>, Option<usize>) = (None, None);
        while let Some(read) = queue.pop_front() {
            ready.blocks[read] = Block::Missing;
            let request = ready.plan.requests()[read];
            let now = Instant::now();
            if let Some(refusal) = ready.state[read].refused.as_ref().filter(|refusal| refusal.ask_again > now) {
                run.failures.push(refusal.sentence.clone());
                continue;
            }
            let unasked = run.last.as_ref().is_some_and(Cause::is_unasked);
            if let Some(last) = run.last.as_ref().filter(|_| unasked || run.silences >= SILENCES) {
                given_up.get_or_insert(read);
                // Without a connection one sentence says it all; after silence each read is named.
                if !unasked {
                    let cause = Cause::Abandoned { last: Box::new(last.clone().root()) };
                    run.failures.push(self.error(Some(request), cause).to_string());
                }
                continue;
            }
            match self.ask(request, run, until).await {
                Ok(block) => {
                    ready.blocks[read] = block;
                    ready.state[read].refused = None;
                }
                Err(cause) => {
                    if cause.is_unasked() {
                        given_up.get_or_insert(read);
                    } else if !cause.is_answer() {
                        silent = Some(read);
                    }
                    self.read_failed(ready, read, cause, run, &mut queue);
                }
            }
        }
        // What was not asked comes first next time, and what stays silent last: it may cost the others the connection.
        ready.first = given_up.or(silent.map(|read| read + 1)).filter(|&first| first < ready.blocks.len()).unwrap_or(0);
        if !ready.state.is_empty() && ready.state.iter().all(|state| state.refused.is_some()) {
            // The device refuses all: it is starting up, or the map is not its own. Ask for whole reads again, and
            // do not halve them at every poll.
            ready.start_over();
            ready.whole_until = Some(Instant::now() + ASK_AGAIN);
        }
    }

    /// Notes a failed read. A refused one is halved, and its halves are put in front of the queue.
    fn read_failed(&self, ready: &mut Prepared, read: usize, cause: Cause, run: &mut Run, queue: &mut VecDeque<usize>) {
        let request = ready.plan.requests()[read];
        let error = self.error(Some(request), cause);
        let sentence = error.to_string();
        let is_refused = matches!(error.cause, Cause::Exception(code) if code.is_refused_range());
        let now = Instant::now();
        if !is_refused || ready.whole_until.is_some_and(|until| until > now) {
            run.note(error);
            run.failures.push(sentence);
            return;
        }
        let was_half = ready.state[read].is_half;
        if let Some(second) = ready.halve(read) {
            // Told once, for the read that was planned; the halves only look for what exactly is refused.
            if !was_half {
                run.errors.push(error);
            }
            queue.push_front(second);
            queue.push_front(read);
            return;
        }
        if ready.state[read].refused.is_none() {
            run.errors.push(error);
        }
        run.failures.push(sentence.clone());
        ready.state[read].refused = Some(Refusal { sentence, ask_again: now + ASK_AGAIN });
    }

    /// Asks, and once more when the failure may pass and there is time.
    async fn ask(&self, request: ReadRequest, run: &mut Run, until: Instant) -> Result<Block, Cause> {
        let mut first_failure: Option<Cause> = None;
        loop {
            let answer = self.link.read(self.config.unit, request, self.deadlines).await;
            run.transactions += u32::from(answer.asked);
            run.connects += u32::from(answer.opened);
            if !answer.asked
                && let Some(first) = first_failure
            {
                // The question could not be put again; what failed is what was asked.
                run.last = answer.result.err();
                return Err(first);
            }
            let is_retry = first_failure.is_some();
            if let Some(first) = first_failure.take() {
                run.errors.push(self.error(Some(request), first));
            }
            let cause = match answer.result {
                Ok(block) => {
                    run.answered = true;
                    run.silences = 0;
                    run.last = None;
                    return Ok(block);
                }
                Err(cause) => cause,
            };
            if cause.is_answer() {
                run.answered = true;
                run.silences = 0;
            } else if answer.asked {
                run.silences += 1;
            }
            run.last = Some(cause.clone());
            let passes = match &cause {
                Cause::Exception(code) => code.is_passing(),
                other => !other.is_unasked(),
            };
            if is_retry || !passes || !self.health.is_well() || !fits(until, self.deadlines.soft) {
                return Err(cause);
            }
            first_failure = Some(cause);
        }
    }

    /// Finds the SunSpec model, once for each connection.
    async fn discover(&mut self, run: &mut Run, until: Instant) -> Result<(), ModbusError> {
        let MapSource::SunSpec { conventions, blanking } = self.config.map else { return Ok(()) };
        let connection = match self.link.ensure(self.deadlines).await {
            Ok((connection, opened)) => {
                run.connects += u32::from(opened);
                connection
            }
            Err(cause) => {
                let error = self.error(None, cause);
                run.note(error.clone());
                return Err(error);
            }
        };
        if matches!(self.map, MapState::Ready(_)) && self.discovered_on == Some(connection) {
            return Ok(());
        }
        let mut discovery = Discovery::new();
        let mut request = discovery.next();
        let found = loop {
            let step = match self.ask(request, run, until).await {
                Ok(Block::Registers(words)) => discovery.answer(&words),
                Ok(_) => Err(Cause::WrongShape { asked: request.count, got: 0 }),
                Err(Cause::Exception(code)) if !code.is_passing() => discovery.refused(),
                Err(cause) => Err(cause),
            };
            match step {
                Ok(Step::Read(next)) => request = next,
                Ok(Step::Found(model)) => break model,
                Err(cause) => {
                    let error = self.error(Some(request), cause);
                    run.note(error.clone());
                    return Err(error);
                }
            }
        };
        self.discovered_on = Some(connection);
        if !matches!(&self.map, MapState::Ready(ready) if ready.model == Some(found)) {
            self.map = MapState::prepare(sunspec::meter_map(found, conventions, blanking), Some(found));
        }
        Ok(())
    }

    /// A reading for a poll in which nothing could be asked.
    fn nothing_read(&self, failures: Vec<String>) -> MonitorReading {
        let at = self.clock.now();
        match &self.map {
            MapState::Ready(ready) => decode::all_failed(&ready.map, at, failures),
            MapState::Unusable { map, .. } => decode::all_failed(map, at, failures),
            // What the device offers is not known yet, so nothing is claimed to be mapped.
            MapState::Undiscovered => {
                MonitorReading { at, circuits: vec![CircuitReading::default()], failures, ..MonitorReading::default() }
            }
        }
    }

    /// The failure of `request`, or of having no connection to ask on.
    fn error(&self, request: Option<ReadRequest>, cause: Cause) -> ModbusError {
        let asked = request.filter(|_| !cause.is_unasked() || matches!(cause, Cause::Abandoned { .. }));
        let (function, first, count): (Option<ReadFunction>, u16, u16) =
            asked.map_or((None, 0, 0), |request| (Some(request.function), request.first, request.count));
        ModbusError {
            transaction: Transaction {
                device: self.device.clone(),
                address: self.config.address.clone(),
                unit: self.config.unit,
                function,
                first,
                count,
            },
            cause,
        }
    }
}

#[cfg(test)]
#[path = "session_tests.rs"]
mod tests;
