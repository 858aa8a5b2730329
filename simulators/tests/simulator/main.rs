//! The simulator from outside: closed forms, motors, sockets, demonstration stations, the program itself.

mod common;
mod demo;
mod energy;
mod faults;
mod leads;
mod loads;
mod program;
mod protocol;
mod registers;
mod services;
mod wiring;
