//! What a history store must do, whatever database is behind it, and the plain data that goes in and comes out.
//!
//! Pure but for the trait. Calls block; one thread owns a store. Must never hold a value that was not good: what a
//! monitor did not give is absent, never zero.

use super::quantity::COUNT;
use crate::disk::Room;

/// A tier: how much detail.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Tier {
    /// Every reading.
    Detail,
    /// One row a minute.
    Minute,
    /// One row a quarter of an hour.
    QuarterHour,
}

impl Tier {
    /// From the finest to the coarsest.
    pub const ALL: [Tier; 3] = [Tier::Detail, Tier::Minute, Tier::QuarterHour];

    /// The word used in table names and on the command line.
    pub fn key(self) -> &'static str {
        match self {
            Tier::Detail => "detail",
            Tier::Minute => "minute",
            Tier::QuarterHour => "quarter_hour",
        }
    }

    /// Length of an interval, ms; none for readings as they come.
    pub fn interval_ms(self) -> Option<i64> {
        match self {
            Tier::Detail => None,
            Tier::Minute => Some(60_000),
            Tier::QuarterHour => Some(900_000),
        }
    }

    /// The tier that this one is made from.
    pub fn finer(self) -> Option<Tier> {
        match self {
            Tier::Detail => None,
            Tier::Minute => Some(Tier::Detail),
            Tier::QuarterHour => Some(Tier::Minute),
        }
    }
}

/// What a row of a rolled-up tier tells of its interval.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Statistic {
    /// See [`super::quantity::Rollup`].
    Mean,
    /// Lowest.
    Lowest,
    /// Highest.
    Highest,
}

impl Statistic {
    /// Every one.
    pub const ALL: [Statistic; 3] = [Statistic::Mean, Statistic::Lowest, Statistic::Highest];

    /// The word used in table names and on the command line.
    pub fn key(self) -> &'static str {
        match self {
            Statistic::Mean => "mean",
            Statistic::Lowest => "lowest",
            Statistic::Highest => "highest",
        }
    }
}

/// What values are of.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Source {
    /// Station.
    pub station: String,
    /// True for a monitor, false for a circuit; both may have the same name.
    pub is_monitor: bool,
    /// Name in its station.
    pub name: String,
}

/// A number that stands for a source in one store.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SourceId(pub i64);

/// Values by place, see [`super::quantity::QUANTITIES`]; NaN where there is none.
pub type Values = [f64; COUNT];

/// One reading of one source.
#[derive(Debug, Clone, PartialEq)]
pub struct Sample {
    /// Of what.
    pub source: SourceId,
    /// When, milliseconds since the Unix epoch (UTC).
    pub at_ms: i64,
    /// The values.
    pub values: Box<Values>,
}

/// A change of a finding or of a diagnosis.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Event {
    /// Of what.
    pub source: SourceId,
    /// When, milliseconds since the Unix epoch (UTC).
    pub at_ms: i64,
    /// "finding" or "diagnosis".
    pub kind: String,
    /// Which check and channel; empty for a diagnosis.
    pub subject: String,
    /// Outcome or verdict.
    pub state: String,
    /// In plain words.
    pub text: String,
}

/// What is written in one transaction.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Batch {
    /// Readings; one of the same source and time as a stored one replaces it.
    pub samples: Vec<Sample>,
    /// Changes.
    pub events: Vec<Event>,
    /// States to keep over a restart, by key; each replaces the one before.
    pub states: Vec<(String, Vec<u8>)>,
}

impl Batch {
    /// True when there is nothing to write.
    pub fn is_empty(&self) -> bool {
        self.samples.is_empty() && self.events.is_empty() && self.states.is_empty()
    }
}

/// Which rows are wanted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Query {
    /// Of what.
    pub source: SourceId,
    /// How much detail.
    pub tier: Tier,
    /// Which statistic; of no account for [`Tier::Detail`].
    pub statistic: Statistic,
    /// Not before, ms since the Unix epoch.
    pub from_ms: i64,
    /// Before.
    pub to_ms: i64,
    /// Places of the quantities wanted.
    pub quantities: Vec<usize>,
}

/// Rows in order of time.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Rows {
    /// Places of the quantities, one a column.
    pub quantities: Vec<usize>,
    /// Time of each row (beginning of its interval), ms since the Unix epoch.
    pub at_ms: Vec<i64>,
    /// Readings that each row stands for.
    pub samples: Vec<i64>,
    /// Row by row; NaN where there is none.
    pub values: Vec<f64>,
}

/// How much there is of something within a span.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Extent {
    /// Rows; not counted further than asked.
    pub rows: usize,
    /// Times of the first and the last row, ms since the Unix epoch; none without a row.
    pub ends_ms: Option<(i64, i64)>,
}

impl Rows {
    /// Time and values of each row.
    pub fn iter(&self) -> impl Iterator<Item = (i64, &[f64])> {
        self.at_ms.iter().copied().zip(self.values.chunks_exact(self.quantities.len().max(1)))
    }
}

/// Why a store did not do what it was told.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// There is no room left.
    #[error("history: no room left: {0}")]
    Full(String),
    /// Anything else.
    #[error("history: {0}")]
    Failed(String),
}

/// A history store.
pub trait Store: Send {
    /// The number of a source, given to it when it is new.
    fn source(&mut self, source: &Source) -> Result<SourceId, StoreError>;

    /// Every source known.
    fn sources(&mut self) -> Result<Vec<(SourceId, Source)>, StoreError>;

    /// Writes all of a batch or none of it.
    fn write(&mut self, batch: &Batch) -> Result<(), StoreError>;

    /// Makes the rows of `tier` anew whose intervals begin in the span, from the tier below. Both ends lie on intervals.
    fn roll_up(&mut self, tier: Tier, from_ms: i64, to_ms: i64) -> Result<(), StoreError>;

    /// Rows in order of time.
    fn rows(&mut self, query: &Query) -> Result<Rows, StoreError> {
        self.first_rows(query, usize::MAX)
    }

    /// The same, but no more than the first `most`.
    fn first_rows(&mut self, query: &Query, most: usize) -> Result<Rows, StoreError>;

    /// What a tier holds of a source within a span. Rows are counted up to `most` only.
    fn extent(&mut self, query: &Query, most: usize) -> Result<Extent, StoreError>;

    /// Changes of a source within a span, in order of time.
    fn events(&mut self, source: SourceId, from_ms: i64, to_ms: i64) -> Result<Vec<Event>, StoreError>;

    /// A state kept by key.
    fn state(&mut self, key: &str) -> Result<Option<Vec<u8>>, StoreError>;

    /// Time of the earliest row of a tier that is not before `from_ms`.
    fn earliest(&mut self, tier: Tier, from_ms: i64) -> Result<Option<i64>, StoreError>;

    /// Removes the rows of a tier before a time; with the coarsest tier, changes too. Returns how many.
    fn remove_before(&mut self, tier: Tier, before_ms: i64) -> Result<u64, StoreError>;

    /// Room taken by what is stored, bytes.
    fn size_bytes(&mut self) -> Result<u64, StoreError>;

    /// Room on its disk; none where that cannot be told, as of a server.
    fn room(&self) -> Option<Room> {
        None
    }

    /// Gives back a little of the room that removed rows took; true when there is more to give. Short enough to be called
    /// between two batches.
    fn tidy(&mut self) -> Result<bool, StoreError>;

    /// Gives back all the room that removed rows took, at once, so that the disk has it.
    fn give_back(&mut self) -> Result<(), StoreError>;

    /// Called when even removing is refused for want of room: gets some by giving up what was set aside for it.
    fn release_reserve(&mut self) -> Result<(), StoreError>;

    /// Called when there is room again: sets it aside anew.
    fn restore_reserve(&mut self) -> Result<(), StoreError>;
}
