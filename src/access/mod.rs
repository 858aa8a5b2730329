//! Who may do what: roles, users, tokens, sessions. What a face asks before it answers.
//!
//! Must never hold a secret in a form that could be logged.

pub mod role;
