//! Tests of what targets are told, over alarms as the alarm core makes them.

mod outbox;
mod planning;
mod texts;

use std::collections::BTreeSet;
use std::path::PathBuf;
use std::time::Duration;

use jiff::tz::TimeZone;

use super::message::Message;
use super::planner::Planner;
use super::quiet::QuietHours;
use super::settings::{Channel, DEFAULT_DIGEST_AT, Rate, Target, Webhook};
use super::told::Told;
use crate::alarm::id::{AlarmId, AlarmKind};
use crate::alarm::rationale::Class;
use crate::alarm::set::{AlarmSet, Step};
use crate::alarm::settings::{AlarmSettings, ChatterSettings, FloodSettings, Priority};
use crate::alarm::state::{Condition, Event};
use crate::alarm::words::{Story, supply_phase_lost};
use crate::audit::context::ServiceKind;
use crate::audit::installation::Installation;
use crate::desk::Notice;
use crate::reading::{Instant2, MonoMs, Phase, UnixMs};

/// 2026-11-25T20:00:00Z, a Wednesday.
const EVENING: i64 = 1_795_636_800_000;

fn at_s(seconds: u64) -> Instant2 {
    Instant2 { wall: UnixMs(EVENING + 1000 * seconds as i64), mono: MonoMs(1000 * seconds) }
}

/// Takes everything, never quiet, without a limit.
pub(crate) fn target(name: &str) -> Target {
    Target {
        name: name.to_owned(),
        priorities: Priority::TARGET_SHARE.map(|(priority, _)| priority).into(),
        stations: None,
        at_once: [Class::Alarm].into(),
        digest: [Class::WorkOrder].into(),
        digest_at: DEFAULT_DIGEST_AT,
        tell: Told::DEFAULT.into(),
        quiet: QuietHours::none(),
        rate: None,
        zone: TimeZone::UTC,
        max_age: Duration::from_hours(1),
        queue: 100,
        timeout: Duration::from_secs(5),
        channel: Channel::Webhook(Webhook {
            url: "http://127.0.0.1:1/".parse().unwrap(),
            secret_file: PathBuf::from("/nowhere"),
            ca_file: None,
        }),
    }
}

fn pump(station: &str, number: u32) -> AlarmId {
    AlarmId::circuit(station, &format!("Pump {number}"), AlarmKind::ValuesFrozen)
}

fn story() -> Story {
    supply_phase_lost(Phase::B, 0.993, &Installation::unknown(ServiceKind::Wye4, 480.0), &[])
}

/// Alarms without delays, and the planner of one target that hears all of them.
struct Scene {
    set: AlarmSet,
    planner: Planner,
    sent: Vec<Message>,
}

impl Scene {
    fn new(target: Target, alarms: &[(AlarmId, Priority)], flood_above: u32) -> Scene {
        let flood = FloodSettings { begins_above: flood_above, ends_below: 1, within_ms: 60_000 };
        let mut set = AlarmSet::new(flood);
        let settings = |priority| AlarmSettings {
            priority,
            on_delay_ms: 0,
            off_delay_ms: 0,
            chatter: ChatterSettings { raises: 3, within_ms: 60_000, quiet_ms: 60_000 },
            ..AlarmSettings::default()
        };
        let alarms = alarms.iter().map(|(id, priority)| (id.clone(), settings(*priority)));
        set.configure(at_s(0), alarms, flood, &mut Step::default());
        Scene { set, planner: Planner::new(target, super::planner::State::default()), sent: Vec::new() }
    }

    /// Lets something happen; gives what is sent, as "event subject".
    fn apply(&mut self, seconds: u64, id: &AlarmId, event: Event) -> Vec<String> {
        let mut step = Step::default();
        if event == Event::Condition(Condition::True) {
            self.set.tell(at_s(seconds), id, Condition::True, Some(story()), &mut step).unwrap();
        } else {
            self.set.apply(at_s(seconds), id, event, &mut step).unwrap();
        }
        self.hear(seconds, step)
    }

    fn tick(&mut self, seconds: u64) -> Vec<String> {
        let mut step = Step::default();
        self.set.tick(at_s(seconds), &mut step);
        let mut said = self.hear(seconds, step);
        let mut out = Vec::new();
        self.planner.pass_time(at_s(seconds), &mut out);
        said.extend(out.iter().map(said_of));
        self.sent.extend(out);
        said
    }

    fn hear(&mut self, seconds: u64, step: Step) -> Vec<String> {
        let mut out = Vec::new();
        for transition in step.transitions {
            if let Some(entry) = self.set.get(&transition.alarm) {
                let (transition, entry) = (Box::new(transition), Box::new(entry.clone()));
                self.planner.take(at_s(seconds), &Notice::Alarm { transition, entry }, &mut out);
            }
        }
        for news in step.floods {
            self.planner.take(at_s(seconds), &Notice::Flood(news), &mut out);
        }
        let said = out.iter().map(said_of).collect();
        self.sent.extend(out);
        said
    }

    fn comes(&mut self, seconds: u64, id: &AlarmId) -> Vec<String> {
        self.apply(seconds, id, Event::Condition(Condition::True))
    }

    fn goes(&mut self, seconds: u64, id: &AlarmId) -> Vec<String> {
        self.apply(seconds, id, Event::Condition(Condition::False))
    }
}

fn said_of(message: &Message) -> String {
    format!("{} {}", message.about.key(), message.subject)
}

fn limited(messages: u32) -> Target {
    Target { rate: Some(Rate { messages, within_ms: 60_000 }), ..target("t") }
}

fn only<T: Ord>(one: T) -> BTreeSet<T> {
    BTreeSet::from([one])
}
