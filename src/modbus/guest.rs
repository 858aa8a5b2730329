//! Reading a monitor for others, on the connection it is polled on: the same question asked by many is asked once, and
//! guests wait for one another so that a poll is delayed by one of their answers and no more.
//!
//! Must never give an answer that is older than allowed, nor touch a register the map forbids.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use tokio::sync::Semaphore;
use tokio::time::Instant;

use super::client::Deadlines;
use super::decode::Block;
use super::error::{Cause, ExceptionCode};
use super::link::{Link, UnitHealth};
use super::map::MapSource;
use super::plan::ReadRequest;
use crate::config::model::MonitorConfig;

/// Different questions remembered at once; masters ask a handful.
const MOST_QUESTIONS: usize = 256;
/// Readers that may wait at once; more are told that the device is busy.
const MOST_WAITING: usize = 64;

/// The reader of one monitor.
#[derive(Debug)]
pub struct Guest {
    unit: u8,
    deadlines: Deadlines,
    link: Arc<Link>,
    max_age: Duration,
    forbidden: Vec<(u16, u16)>,
    places: Semaphore,
    health: Mutex<UnitHealth>,
    questions: Mutex<HashMap<ReadRequest, Question>>,
}

/// What is known of one question; locked while it is being asked.
type Question = Arc<tokio::sync::Mutex<Option<Told>>>;

/// An answer or the lack of one.
#[derive(Debug, Clone)]
struct Told {
    asked_at: Instant,
    came_at: Instant,
    result: Result<Block, ExceptionCode>,
}

impl Told {
    /// True when it may be given to someone who came at `arrived`: it came while he waited, or it is young enough.
    fn serves(&self, arrived: Instant, max_age: Duration) -> bool {
        let age = arrived.saturating_duration_since(self.asked_at);
        self.came_at >= arrived || (self.result.is_ok() && age <= max_age)
    }
}

impl Guest {
    pub(super) fn new(monitor: &MonitorConfig, link: Arc<Link>, max_age: Duration) -> Guest {
        Guest {
            unit: monitor.unit,
            deadlines: Deadlines::new(monitor.timeout, monitor.transport),
            link,
            max_age,
            forbidden: match &monitor.map {
                MapSource::Fixed(map) => map.limits.forbidden.clone(),
                MapSource::SunSpec { .. } => Vec::new(),
            },
            places: Semaphore::new(MOST_WAITING),
            health: Mutex::default(),
            questions: Mutex::default(),
        }
    }

    /// The monitor's answer, its own exception, or 0B when it gives none.
    pub async fn read(self: &Arc<Self>, request: ReadRequest) -> Result<Block, ExceptionCode> {
        let last = request.first.saturating_add(request.count.saturating_sub(1));
        if self.forbidden.iter().any(|&(low, high)| low <= last && high >= request.first) {
            return Err(ExceptionCode::ILLEGAL_DATA_ADDRESS);
        }
        let arrived = Instant::now();
        let Ok(_place) = self.places.try_acquire() else { return Err(ExceptionCode::SERVER_DEVICE_BUSY) };
        let Some(question) = self.question(request, arrived) else { return Err(ExceptionCode::SERVER_DEVICE_BUSY) };
        let mut told = question.lock_owned().await;
        if let Some(known) = told.as_ref().filter(|known| known.serves(arrived, self.max_age)) {
            return known.result.clone();
        }
        // In a task of its own: a master that hangs up must not tear the monitor's connection.
        let guest = Arc::clone(self);
        let asking = tokio::spawn(async move {
            let new = guest.ask(request).await;
            told.insert(new).result.clone()
        });
        asking.await.unwrap_or(Err(ExceptionCode::SERVER_DEVICE_FAILURE))
    }

    /// The place of a question; none when too many are open.
    fn question(&self, request: ReadRequest, now: Instant) -> Option<Question> {
        let mut questions = held(&self.questions);
        if questions.len() >= MOST_QUESTIONS && !questions.contains_key(&request) {
            let max_age = self.max_age;
            questions.retain(|_, question| {
                question.try_lock().map_or(true, |told| told.as_ref().is_some_and(|told| told.serves(now, max_age)))
            });
            if questions.len() >= MOST_QUESTIONS {
                return None;
            }
        }
        Some(Arc::clone(questions.entry(request).or_default()))
    }

    async fn ask(&self, request: ReadRequest) -> Told {
        let _turn = self.link.guests.acquire().await;
        let asked_at = Instant::now();
        let waiting = held(&self.health).waiting(asked_at);
        let result = match waiting {
            Some(cause) => Err(cause),
            None => self.link.read(self.unit, request, self.deadlines).await.result,
        };
        match &result {
            Ok(_) => held(&self.health).answered(),
            Err(cause) if cause.is_answer() => held(&self.health).answered(),
            // While waiting nothing was asked, and without a connection the link itself waits.
            Err(cause) if cause.is_unasked() => {}
            Err(cause) => held(&self.health).silent(cause.clone(), Instant::now()),
        }
        let result = result.map_err(|cause| match cause {
            Cause::Exception(code) => code,
            _ => ExceptionCode::GATEWAY_TARGET_FAILED,
        });
        Told { asked_at, came_at: Instant::now(), result }
    }
}

/// A lock that is held for a few instructions; a panic inside leaves nothing half changed.
fn held<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

#[cfg(test)]
#[path = "guest_tests.rs"]
mod tests;
