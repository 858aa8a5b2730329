//! Tests of the alarms as a whole: every state with every event, random walks beside a model, restarts, floods, texts.

mod audit;
mod ct;
mod floods;
mod leads;
mod model;
mod restart;
mod site;
mod supply;
mod table;
mod texts;
mod timers;

use super::id::{AlarmId, AlarmKind};
use super::machine::Alarm;
use super::operator::Operator;
use super::settings::{AlarmSettings, ChatterSettings};
use super::state::{Condition, Event, Transition};
use crate::audit::context::{LoadBehaviour, ServiceKind};
use crate::audit::installation::{CtSecondary, Installation, VoltageConnection};
use crate::reading::{Instant2, MonoMs, UnixMs};

/// A pump of 480 V, metered directly, with 5 A CTs.
const PUMP: Installation = Installation {
    service: ServiceKind::Wye4,
    nominal_voltage_v: 480.0,
    voltage_connection: VoltageConnection::Direct,
    ct_secondary: CtSecondary::Current { rated_ma: 5000 },
    load: LoadBehaviour::InductionMotor,
};

/// Wall clock at monotonic zero, ms.
const WALL_START: i64 = 1_700_000_000_000;

/// So many seconds after the start.
fn at_s(seconds: u64) -> Instant2 {
    Instant2 { wall: UnixMs(WALL_START + 1000 * seconds as i64), mono: MonoMs(1000 * seconds) }
}

fn operator() -> Operator {
    Operator::new("R. Ash", "bearing is being changed").unwrap()
}

fn pump_alarm() -> AlarmId {
    AlarmId::circuit("Larkmoor North", "Pump 1", AlarmKind::SupplyPhaseLost)
}

/// No delays, no chattering within any test that does not ask for it.
fn prompt() -> AlarmSettings {
    AlarmSettings {
        on_delay_ms: 0,
        off_delay_ms: 0,
        chatter: ChatterSettings { raises: 16, within_ms: 1, quiet_ms: 1 },
        ..AlarmSettings::default()
    }
}

/// Applies an event that must not be refused.
fn apply(alarm: &mut Alarm, seconds: u64, event: Event) -> Vec<Transition> {
    let mut out = Vec::new();
    alarm.apply(at_s(seconds), event, &mut out).unwrap();
    out
}

fn tell(alarm: &mut Alarm, seconds: u64, condition: Condition) -> Vec<Transition> {
    apply(alarm, seconds, Event::Condition(condition))
}
