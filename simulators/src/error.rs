//! Why a simulated station cannot be built or served, in words a person can act on.
//!
//! Must never be built from a panic: every fault of an input file arrives here.

use std::net::SocketAddr;
use std::path::PathBuf;

/// What can go wrong before or while a simulation runs.
#[derive(Debug, thiserror::Error)]
pub enum SimError {
    /// The text of a file is not the TOML expected.
    #[error("{what}: {source}")]
    Toml {
        /// Which file or text.
        what: String,
        /// The parser's message with line and column.
        #[source]
        source: Box<toml::de::Error>,
    },
    /// A file cannot be read.
    #[error("cannot read {path}", path = path.display())]
    Read {
        /// The file.
        path: PathBuf,
        /// The system's reason.
        #[source]
        source: std::io::Error,
    },
    /// A station file is well-formed TOML but does not describe a possible station.
    #[error("station \"{station}\": {problem}")]
    Station {
        /// Station name.
        station: String,
        /// What is wrong.
        problem: String,
    },
    /// A meter map file is well-formed TOML but not a usable map.
    #[error("meter map \"{map}\": {problem}")]
    Map {
        /// Map name or path.
        map: String,
        /// What is wrong.
        problem: String,
    },
    /// A nameplate no induction motor could carry.
    #[error("nameplate: {0}")]
    Nameplate(String),
    /// A lead expression such as `-A` or `Pump 2:B*0.5` cannot be read.
    #[error("lead \"{text}\": {problem}")]
    Lead {
        /// The expression.
        text: String,
        /// What is wrong.
        problem: String,
    },
    /// A listener could not be opened.
    #[error("cannot listen on {address}")]
    Bind {
        /// The address.
        address: SocketAddr,
        /// The system's reason.
        #[source]
        source: std::io::Error,
    },
    /// Monitors that share a listener contradict each other.
    #[error("listener {address}: {problem}")]
    Listener {
        /// The address as written.
        address: String,
        /// What is wrong.
        problem: String,
    },
    /// A request on the command line that does not fit the stations given.
    #[error("{0}")]
    Usage(String),
}

impl SimError {
    /// A fault in a station file.
    pub(crate) fn station(station: &str, problem: impl Into<String>) -> SimError {
        SimError::Station { station: station.to_owned(), problem: problem.into() }
    }

    /// A fault in a map file.
    pub(crate) fn map(map: &str, problem: impl Into<String>) -> SimError {
        SimError::Map { map: map.to_owned(), problem: problem.into() }
    }
}
