//! Who may do what: roles, users, tokens, sessions. What a face asks before it answers.
//!
//! `accounts` is what the users file holds, `store` reads and writes it, `gate` puts accounts, sessions and throttling
//! together. Time comes in as an argument. Must never hold a secret in a form that could be logged.

pub mod accounts;
pub mod gate;
pub mod password;
pub mod role;
pub mod secret;
pub mod sessions;
pub mod store;
pub mod throttle;

#[cfg(test)]
mod gate_tests;
