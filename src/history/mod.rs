//! The history: readings, corrected values, findings, diagnoses and energy, in three tiers of detail.
//!
//! `quantity` and `store` say what is kept and what a store must do; `sqlite` and `postgres` do it; `recorder` batches what
//! the stations give, rolls it up and keeps it in bounds. Must never make a station wait.

pub mod export;
pub mod keeper;
pub mod parquet;
pub mod postgres;
pub mod postgres_tls;
pub mod quantity;
pub mod reader;
pub mod recorder;
mod sql;
pub mod sqlite;
pub mod status;
pub mod store;
#[cfg(test)]
mod store_tests;
mod thin;
