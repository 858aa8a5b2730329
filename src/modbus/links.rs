//! All ways to addresses of one daemon: whoever reads from an address gets the same one, so that a device sees one client.
//!
//! Must never open a connection by itself.

use std::collections::HashMap;
use std::sync::Arc;
use std::time::Duration;

use super::guest::Guest;
use super::link::{Dial, Link};
use crate::config::model::{MonitorConfig, Transport};

/// One link for each address and transport.
#[derive(Debug, Default)]
pub struct Links(HashMap<(String, Transport), Arc<Link>>);

impl Links {
    /// The way to a monitor.
    pub(super) fn to(&mut self, monitor: &MonitorConfig) -> Arc<Link> {
        let key = (monitor.address.clone(), monitor.transport);
        let new = || Arc::new(Link::new(monitor.address.clone(), monitor.transport, Dial::Socket));
        Arc::clone(self.0.entry(key).or_insert_with(new))
    }

    /// Lets go of the ways that nobody uses any more, which closes their connections.
    pub fn forget_unused(&mut self) {
        self.0.retain(|_, link| Arc::strong_count(link) > 1);
    }

    /// A reader of the monitor for others than the poller; answers not older than `max_age` are given again.
    pub fn guest(&mut self, monitor: &MonitorConfig, max_age: Duration) -> Arc<Guest> {
        Arc::new(Guest::new(monitor, self.to(monitor), max_age))
    }
}
