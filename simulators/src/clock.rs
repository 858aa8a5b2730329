//! Station time of a served simulation: the wall clock, faster than it, or moved by hand.
//!
//! Must never be read by the pure parts, which take time as an argument.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use tokio::time::Instant;

#[derive(Debug)]
enum Kind {
    Running { started: Instant, rate: f64 },
    Manual { bits: AtomicU64 },
}

/// A shared clock in seconds of station time.
#[derive(Debug, Clone)]
pub struct SimClock(Arc<Kind>);

impl SimClock {
    /// Starts at zero now and runs `rate` times as fast as the wall clock.
    pub fn running(rate: f64) -> SimClock {
        SimClock(Arc::new(Kind::Running { started: Instant::now(), rate }))
    }

    /// Stands still at a time until [`SimClock::set`] moves it.
    pub fn manual(t_s: f64) -> SimClock {
        SimClock(Arc::new(Kind::Manual { bits: AtomicU64::new(t_s.to_bits()) }))
    }

    /// Moves a manual clock; a running one does not obey.
    pub fn set(&self, t_s: f64) {
        if let Kind::Manual { bits } = &*self.0 {
            bits.store(t_s.to_bits(), Ordering::Relaxed);
        }
    }

    /// Station time, s.
    pub fn now_s(&self) -> f64 {
        match &*self.0 {
            Kind::Running { started, rate } => started.elapsed().as_secs_f64() * rate,
            Kind::Manual { bits } => f64::from_bits(bits.load(Ordering::Relaxed)),
        }
    }
}
