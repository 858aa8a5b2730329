//! One binary for all outer tests: the core against outside references, the real binary against the simulator over
//! real sockets, and the project's own tidiness.

mod access;
mod access_tls;
mod accuracy;
mod alarms;
mod circuit_fixtures;
mod daemon;
mod disk_full;
mod http;
mod journal_crash;
mod keep;
mod modbus_server;
mod modbus_tls;
mod notify;
mod protocol;
mod recorder;
mod registers;
mod reload;
mod replay;
mod replay_columns;
mod support;
mod tidy;
mod wirings;
