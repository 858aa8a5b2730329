//! Configuration: TOML text in, a checked and typed model out, every problem with file, line, column and key.

pub mod model;
