//! Tests of the watch over a monitor's map.
