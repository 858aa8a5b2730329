//! The API under `/api/v1`. Must never answer what the guard has not let through.

pub mod session;
