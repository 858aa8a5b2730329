//! The stations that run at present, for the faces. A reload changes it; whoever reads it gets the list of the moment.
//!
//! Must never make a station wait.

use std::sync::Arc;

use tokio::sync::watch;

use super::snapshot::{SnapshotReader, StationSnapshot};

/// Hands out the readers of the stations, in file order.
#[derive(Debug, Clone)]
pub struct Roster(watch::Receiver<Arc<[SnapshotReader]>>);

impl Roster {
    /// A roster that follows what is sent.
    pub fn new(readers: watch::Receiver<Arc<[SnapshotReader]>>) -> Roster {
        Roster(readers)
    }

    /// A roster that never changes.
    pub fn fixed(readers: Vec<SnapshotReader>) -> Roster {
        Roster(watch::channel(readers.into()).1)
    }

    /// The stations of now.
    pub fn readers(&self) -> Arc<[SnapshotReader]> {
        Arc::clone(&self.0.borrow())
    }

    /// The newest snapshot of every station.
    pub fn snapshots(&self) -> Vec<Arc<StationSnapshot>> {
        self.readers().iter().map(SnapshotReader::get).collect()
    }

    /// The newest snapshot of the station of this name.
    pub fn station(&self, name: &str) -> Option<Arc<StationSnapshot>> {
        self.readers().iter().map(SnapshotReader::get).find(|snapshot| snapshot.station == name)
    }

    /// Waits until the stations are others; false when they never will be.
    pub async fn changed(&mut self) -> bool {
        self.0.changed().await.is_ok()
    }
}
