//! Tests of notifications as a whole.
