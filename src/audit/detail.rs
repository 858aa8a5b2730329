//! What a check found, as the numbers it used; the words are made only when somebody reads them.
//!
//! Every reading makes some thirty findings and almost none is ever read: formatting them all would cost more than the
//! audit itself. Must never be longer than a person reads in one breath.

use std::fmt;

use super::checks::power::{SPREAD_DEG, SPREAD_PF, factor_spread, lag_spread_deg};
use super::refresh::Unchanged;
use crate::reading::{Measured, Rotation};

/// Numbers behind a finding, with their words. Powers in W, VA, var; channels 0-based.
#[derive(Debug, Clone, PartialEq)]
pub enum Detail {
    /// Nothing to add.
    None,
    /// Fixed words.
    Words(&'static str),
    /// Words made for the occasion.
    Text(String),
    /// Values that do not change, beside the device's own pace.
    Unchanged(Unchanged),
    /// A voltage against its nominal.
    Voltage {
        /// Where it is measured.
        place: &'static str,
        /// Measured, V.
        volts: f64,
        /// Nominal, V.
        nominal: f64,
    },
    /// A current against the largest of the three.
    Current {
        /// Channel.
        channel: usize,
        /// Measured, A.
        amps: f64,
        /// Largest channel, A.
        largest: f64,
    },
    /// Run status against current.
    Status {
        /// What the status register says.
        running: bool,
        /// Largest channel, A.
        largest: f64,
    },
    /// Rotation of the voltage channels.
    Rotation {
        /// Measured.
        found: Rotation,
        /// Expected.
        expected: Rotation,
    },
    /// Voltage angles that are no three-phase set, degrees.
    NoThreePhaseSet([f64; 3]),
    /// Lag of a current behind its own voltage, degrees, when plausible.
    Lag(f64),
    /// The same when not plausible.
    WrongLag {
        /// Measured.
        lag: f64,
        /// Expected of this load.
        expected: f64,
        /// Nearest wiring shift.
        shift: f64,
    },
    /// Power of one channel.
    ChannelPower {
        /// Channel.
        channel: usize,
        /// Registered.
        watts: f64,
    },
    /// Power of the circuit.
    TotalPower {
        /// Registered.
        watts: f64,
        /// Apparent.
        apparent: f64,
    },
    /// Lags of the channels against each other, degrees.
    LagSpread([Option<f64>; 3]),
    /// Lags of the channels of a plain motor that seems to lead, degrees.
    Leading([Option<f64>; 3]),
    /// Power factors of the channels against each other.
    FactorSpread([Option<f64>; 3]),
    /// Reported S against V x I.
    Apparent {
        /// Channel.
        channel: usize,
        /// Reported.
        reported: f64,
        /// V x I.
        product: f64,
    },
    /// P and Q against V x I.
    Triangle {
        /// Channel.
        channel: usize,
        /// Active.
        active: f64,
        /// Reactive.
        reactive: f64,
        /// V x I.
        product: f64,
    },
    /// Sums of channels against totals.
    Sums {
        /// Sum and total of P.
        active: (f64, f64),
        /// Sum and total of Q, where reported.
        reactive: Option<(f64, f64)>,
    },
}

impl fmt::Display for Detail {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        const KILO: f64 = 1000.0;
        match self {
            Detail::None => Ok(()),
            Detail::Words(words) => f.write_str(words),
            Detail::Text(text) => f.write_str(text),
            Detail::Unchanged(unchanged) => {
                let Unchanged { readings, for_ms, refresh_ms, frozen, .. } = unchanged;
                write!(f, "the last {readings} readings are identical, for {}", span(*for_ms))?;
                match refresh_ms {
                    Some(ms) => write!(f, "; this device's values change about every {}", span(*ms)),
                    None if *frozen => f.write_str(": not one value has changed while the pump runs"),
                    None => f.write_str("; how often this device's values change is not known yet"),
                }
            }
            Detail::Voltage { place, volts, nominal } => {
                write!(f, "voltage on {place} reads {volts:.1} V of {nominal:.0} V nominal")
            }
            Detail::Current { channel, amps, largest } => {
                write!(f, "channel {} reads {amps:.2} A; the largest channel reads {largest:.2} A", channel + 1)
            }
            Detail::Status { running, largest } => {
                let state = if *running { "running" } else { "stopped" };
                write!(f, "status says {state}; the largest current is {largest:.2} A")
            }
            Detail::Rotation { found, expected } => {
                write!(f, "voltage channels rotate {}, expected {}", found.label(), expected.label())
            }
            Detail::NoThreePhaseSet([a, b, c]) => {
                write!(f, "voltage angles {a:.0}, {b:.0}, {c:.0} degrees are no three-phase set")
            }
            Detail::Lag(lag) => write!(f, "current lags its voltage by {lag:.0} degrees, as this load may"),
            Detail::WrongLag { lag, expected, shift } => write!(
                f,
                "current {} its voltage by {:.0} degrees where this load lags by about {expected:.0}; a lead on the wrong phase or a reversed polarity \
                 does that ({shift:+.0})",
                if *lag < 0.0 { "leads" } else { "lags" },
                lag.abs()
            ),
            Detail::ChannelPower { channel, watts } => {
                write!(f, "channel {} registers {:.2} kW", channel + 1, watts / KILO)
            }
            Detail::TotalPower { watts, apparent } => {
                write!(f, "the circuit registers {:.2} kW of {:.2} kVA", watts / KILO, apparent / KILO)
            }
            Detail::LagSpread(lags) => {
                f.write_str("lag per channel ")?;
                list(f, lags, 0)?;
                let spread = lag_spread_deg(lags);
                write!(f, " degrees: spread {spread:.0}, at most {SPREAD_DEG:.0} for one load")
            }
            Detail::Leading(lags) => {
                f.write_str("lag per channel ")?;
                list(f, lags, 0)?;
                f.write_str(" degrees: a motor without capacitor does not lead")
            }
            Detail::FactorSpread(factors) => {
                f.write_str("PF per channel ")?;
                list(f, factors, 2)?;
                let spread = factor_spread(factors);
                write!(f, ": spread {spread:.2}, at most {SPREAD_PF:.2} for one load")
            }
            Detail::Apparent { channel, reported, product } => write!(
                f,
                "channel {}: S reads {:.2} kVA, V x I gives {:.2} kVA",
                channel + 1,
                reported / KILO,
                product / KILO
            ),
            Detail::Triangle { channel, active, reactive, product } => write!(
                f,
                "channel {}: P {:.2} kW and Q {:.2} kvar need at least {:.2} kVA; V x I gives {:.2} kVA",
                channel + 1,
                active / KILO,
                reactive / KILO,
                active.hypot(*reactive) / KILO,
                product / KILO
            ),
            Detail::Sums { active: (sum, total), reactive } => {
                write!(f, "channels sum to {:.2} kW, the total reads {:.2} kW", sum / KILO, total / KILO)?;
                match reactive {
                    Some((sum, total)) => write!(f, "; {:.2} kvar against {:.2} kvar", sum / KILO, total / KILO),
                    None => Ok(()),
                }
            }
        }
    }
}

/// A span in the largest unit that keeps two digits of it.
fn span(ms: u64) -> String {
    match ms {
        0..1000 => format!("{ms} ms"),
        1000..120_000 => format!("{} s", ms / 1000),
        120_000..7_200_000 => format!("{} min", ms / 60_000),
        _ => format!("{} h", ms / 3_600_000),
    }
}

fn list(f: &mut fmt::Formatter<'_>, values: &[Option<f64>; 3], digits: usize) -> fmt::Result {
    for (n, value) in values.iter().flatten().enumerate() {
        let separator = if n == 0 { "" } else { ", " };
        write!(f, "{separator}{value:.digits$}")?;
    }
    Ok(())
}

/// Why a check could not be made.
#[derive(Debug, Clone, PartialEq)]
pub enum Missing {
    /// Fixed words.
    Words(&'static str),
    /// Words made for the occasion.
    Text(String),
    /// A value is not there.
    Value {
        /// Which.
        what: &'static str,
        /// Its quality; never good.
        quality: Measured,
    },
}

impl fmt::Display for Missing {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Missing::Words(words) => f.write_str(words),
            Missing::Text(text) => f.write_str(text),
            Missing::Value { what, quality } => match quality {
                Measured::Good(_) | Measured::NotMapped => write!(f, "the map offers no {what}"),
                Measured::NotAvailable => write!(f, "the monitor says \"not available\" for {what}"),
                Measured::Stale(_) => write!(f, "{what} is stale"),
                Measured::OutOfRange(value) => write!(f, "{what} is impossible ({value})"),
                Measured::Failed => write!(f, "{what} could not be read"),
            },
        }
    }
}

impl From<&'static str> for Missing {
    fn from(words: &'static str) -> Self {
        Missing::Words(words)
    }
}
