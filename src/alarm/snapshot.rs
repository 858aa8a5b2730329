//! What survives a restart: a plain image of a set of alarms, and the set that goes on from it.
//!
//! A restored set behaves as if it had lost sight of every condition at the moment of the image: nothing is raised and
//! nothing clears until a condition is told again, delays go on with what was left of them, and shelvings lose the time
//! that the wall clock says has passed. Must never write: keeping the image is the edge's.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::chatter::Chatter;
use super::delay::{Delay, later};
use super::flood::Flood;
use super::id::AlarmId;
use super::machine::{Act, Alarm, End, Shelving};
use super::operator::Operator;
use super::set::{AlarmSet, Entry, Step};
use super::settings::{AlarmSettings, FloodSettings, Priority};
use super::shelf::{ShelfTime, ShelfTimeImage};
use super::state::{Condition, Event};
use super::words::Story;
use crate::reading::{Instant2, MonoMs, UnixMs};

/// Image of a set.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct SetImage {
    /// Wall clock when it was taken, ms since the Unix epoch.
    pub taken_unix_ms: i64,
    /// Alarms.
    pub alarms: Vec<AlarmImage>,
    /// A flood was on.
    pub flooded: bool,
    /// After how many ms each of the latest alarms stops counting towards a flood, oldest first.
    pub flood_counts_for_ms: Vec<u64>,
}

/// Image of one alarm.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[expect(clippy::struct_excessive_bools, reason = "independent facts, from which the one state follows")]
pub struct AlarmImage {
    /// Name.
    pub id: AlarmId,
    /// Its cause was there.
    pub active: bool,
    /// Left of the delay after which it would have come or gone, ms.
    pub delay_left_ms: Option<u64>,
    /// Acknowledged, or nothing to acknowledge.
    pub acknowledged: bool,
    /// Kept until reset.
    pub latched: bool,
    /// Its announcement was held because it chattered.
    pub held: bool,
    /// Its announcement was held in a flood.
    pub held_by_flood: bool,
    /// After how many ms each of the latest raises stops counting towards chattering, oldest first.
    pub chatter_counts_for_ms: Vec<u64>,
    /// Chatters for so long yet, ms.
    pub chatters_for_ms: Option<u64>,
    /// When its cause last came.
    pub active_since_unix_ms: Option<i64>,
    /// Acknowledgement.
    pub acknowledgement: Option<ActImage>,
    /// Shelving.
    pub shelving: Option<ShelvingImage>,
    /// Rules that suppress it.
    pub rules: Vec<String>,
    /// Since when they do, ms since the Unix epoch.
    #[serde(default)]
    pub suppressed_since_unix_ms: Option<i64>,
    /// Out of service.
    pub out_of_service: Option<ActImage>,
    /// When it returns to service by itself.
    #[serde(default)]
    pub service_end: Option<EndImage>,
    /// What shelvings have taken.
    #[serde(default)]
    pub shelf_time: ShelfTimeImage,
    /// It was raised while it was set aside.
    #[serde(default)]
    pub raised_aside: bool,
    /// How urgent it was; none in images of an older version.
    #[serde(default)]
    pub priority: Option<Priority>,
    /// What was told of it.
    pub story: Option<Story>,
}

/// Image of an operator's act.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ActImage {
    /// Who, and why.
    pub by: Operator,
    /// When, ms since the Unix epoch.
    pub at_unix_ms: i64,
}

/// Image of a shelving.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ShelvingImage {
    /// Who, why, when.
    pub act: ActImage,
    /// Until when, for people.
    pub until_unix_ms: i64,
    /// Left of it, ms.
    pub left_ms: u64,
}

/// Image of an end that time brings.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct EndImage {
    /// When, for people.
    pub until_unix_ms: i64,
    /// Time until then, ms.
    pub left_ms: u64,
}

impl AlarmSet {
    /// The image of this set.
    pub fn image(&self, at: Instant2) -> SetImage {
        SetImage {
            taken_unix_ms: at.wall.0,
            alarms: self.entries.values().map(|entry| image_of(entry, at.mono)).collect(),
            flooded: self.flood.active(),
            flood_counts_for_ms: self.flood.counts_until().map(|until| until.since(at.mono)).collect(),
        }
    }

    /// Goes on from an image with the configuration of now: alarms that are new start normal, those no longer configured are
    /// disabled and forgotten.
    pub fn restore(
        image: SetImage,
        at: Instant2,
        alarms: impl IntoIterator<Item = (AlarmId, AlarmSettings)>,
        flood: FloodSettings,
        step: &mut Step,
    ) -> AlarmSet {
        // A wall clock that went back tells nothing of how long the program was away.
        let away_ms = u64::try_from(at.wall.0.saturating_sub(image.taken_unix_ms)).unwrap_or(0);
        let ahead = |ms: u64| later(at.mono, ms);
        let alarms: BTreeMap<AlarmId, AlarmSettings> = alarms.into_iter().collect();
        let mut set = AlarmSet::new(flood);
        set.flood = Flood::restored(flood, image.flood_counts_for_ms.into_iter().map(ahead), image.flooded);
        for alarm in image.alarms {
            let settings = alarms.get(&alarm.id).copied().unwrap_or_default();
            set.entries.insert(alarm.id.clone(), restored(alarm, settings, at.mono, away_ms));
        }
        set.configure(at, alarms, flood, step);
        set
    }

    /// Loses sight of every condition: what a restart does, and what a station that is gone for a while does.
    pub fn lose_sight(&mut self, at: Instant2, step: &mut Step) {
        let ids: Vec<AlarmId> = self.entries.keys().cloned().collect();
        for id in ids {
            // A condition is never refused.
            let _ = self.apply(at, &id, Event::Condition(Condition::Unknown), step);
        }
    }
}

fn image_of(entry: &Entry, now: MonoMs) -> AlarmImage {
    let alarm = &entry.alarm;
    let act = |act: &Act| ActImage { by: act.by.clone(), at_unix_ms: act.at.0 };
    AlarmImage {
        id: alarm.id.clone(),
        active: alarm.active,
        delay_left_ms: alarm.delay.left_ms(now),
        acknowledged: alarm.acknowledged,
        latched: alarm.latched,
        held: alarm.held,
        held_by_flood: entry.held_by_flood,
        chatter_counts_for_ms: alarm.chatter.counts_until().map(|until| until.since(now)).collect(),
        chatters_for_ms: alarm.chatter.quiet_at().map(|quiet| quiet.since(now)),
        active_since_unix_ms: alarm.active_since.map(|since| since.0),
        acknowledgement: alarm.acknowledgement.as_ref().map(act),
        shelving: alarm.shelving.as_ref().map(|shelving| ShelvingImage {
            act: act(&shelving.act),
            until_unix_ms: shelving.until.0,
            left_ms: shelving.due.since(now),
        }),
        rules: alarm.rules.clone(),
        suppressed_since_unix_ms: alarm.suppressed_since.map(|since| since.0),
        out_of_service: alarm.out_of_service.as_ref().map(act),
        service_end: alarm.service_end.map(|end| EndImage { until_unix_ms: end.until.0, left_ms: end.due.since(now) }),
        shelf_time: alarm.shelf_time.image(now),
        raised_aside: alarm.raised_aside,
        priority: Some(alarm.settings.priority),
        story: entry.story.clone(),
    }
}

/// With the settings of now, but for the priority: that is what it was until the configuration is taken.
fn restored(image: AlarmImage, settings: AlarmSettings, now: MonoMs, away_ms: u64) -> Entry {
    let settings = AlarmSettings { priority: image.priority.unwrap_or(settings.priority), ..settings };
    let act = |act: ActImage| Act { by: act.by, at: UnixMs(act.at_unix_ms) };
    let ahead = |ms: u64| later(now, ms);
    let alarm = Alarm {
        condition: Condition::Unknown,
        active: image.active,
        delay: image.delay_left_ms.map_or(Delay::Idle, |left_ms| Delay::Held { left_ms }),
        acknowledged: image.acknowledged,
        latched: image.latched,
        held: image.held,
        chatter: Chatter::restored(
            image.chatter_counts_for_ms.into_iter().map(ahead),
            image.chatters_for_ms.map(ahead),
        ),
        active_since: image.active_since_unix_ms.map(UnixMs),
        acknowledgement: image.acknowledgement.map(act),
        shelving: image.shelving.map(|shelving| Shelving {
            act: act(shelving.act),
            until: UnixMs(shelving.until_unix_ms),
            due: later(now, shelving.left_ms.saturating_sub(away_ms)),
        }),
        rules: image.rules,
        suppressed_since: image.suppressed_since_unix_ms.map(UnixMs),
        out_of_service: image.out_of_service.map(act),
        service_end: image
            .service_end
            .map(|end| End { until: UnixMs(end.until_unix_ms), due: later(now, end.left_ms.saturating_sub(away_ms)) }),
        shelf_time: ShelfTime::restored(image.shelf_time, now, away_ms),
        raised_aside: image.raised_aside,
        ..Alarm::new(image.id, settings)
    };
    Entry { alarm, story: image.story, held_by_flood: image.held_by_flood }
}
