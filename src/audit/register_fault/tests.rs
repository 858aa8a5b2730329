//! Tests of register faults on decoded values.
