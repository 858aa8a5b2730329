//! One binary for all outer tests: the core against outside references, the real binary against the simulator over
//! real sockets, and the project's own tidiness.

mod accuracy;
mod circuit_fixtures;
mod disk_full;
mod journal_crash;
mod notify;
mod protocol;
mod recorder;
mod registers;
mod replay;
mod support;
mod tidy;
mod wirings;
