//! Tests of the alarms as a whole.
