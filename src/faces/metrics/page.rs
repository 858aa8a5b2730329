//! Writes families of samples as Prometheus text, format 0.0.4.
//!
//! The client library keeps every sample as a tree of owned strings before it writes one: with a thousand circuits that took
//! most of a scrape. So what is read from snapshots is written straight into text. Must never write a family's heading twice,
//! nor a family without samples.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use super::families::{Family, Kind};
use crate::reading::Measured;

/// A page being written: the text of each family, by name.
#[derive(Default)]
pub(super) struct Page {
    families: BTreeMap<&'static str, String>,
}

impl Page {
    /// Adds a sample. A counter below zero is left out: a register that goes back through zero makes no counter.
    pub fn set<const N: usize>(&mut self, family: &'static Family<N>, labels: [&str; N], value: f64) {
        if family.kind == Kind::Counter && value < 0.0 {
            return;
        }
        let text = self.families.entry(family.name).or_insert_with(|| heading(family));
        text.push_str(family.name);
        let mut before = '{';
        for (name, label) in family.labels.iter().zip(labels) {
            text.push(before);
            text.push_str(name);
            text.push_str("=\"");
            push_escaped(text, label);
            text.push('"');
            before = ',';
        }
        if N > 0 {
            text.push('}');
        }
        // Writing to a string cannot fail.
        let _ = writeln!(text, " {value}");
    }

    /// Adds a sample if the value was read.
    pub fn set_good<const N: usize>(&mut self, family: &'static Family<N>, labels: [&str; N], value: Measured) {
        if let Some(value) = value.good() {
            self.set(family, labels, value);
        }
    }

    /// Adds one sample a state, 1 for the present one and 0 for the others; `labels` puts a state among the labels.
    pub fn one_hot<'a, const N: usize>(
        &mut self,
        family: &'static Family<N>,
        labels: impl Fn(&'a str) -> [&'a str; N],
        states: &[&'a str],
        present: &str,
    ) {
        for state in states {
            self.set(family, labels(state), f64::from(u8::from(*state == present)));
        }
    }

    /// The whole page.
    pub fn text(self) -> String {
        let mut page = String::with_capacity(self.families.values().map(String::len).sum());
        page.extend(self.families.into_values());
        page
    }
}

fn heading<const N: usize>(family: &Family<N>) -> String {
    let kind = match family.kind {
        Kind::Gauge => "gauge",
        Kind::Counter => "counter",
    };
    format!("# HELP {0} {1}\n# TYPE {0} {kind}\n", family.name, family.help)
}

fn push_escaped(text: &mut String, label: &str) {
    let mut rest = label;
    while let Some(at) = rest.find(['\\', '"', '\n']) {
        text.push_str(&rest[..at]);
        text.push_str(match rest.as_bytes()[at] {
            b'\n' => "\\n",
            b'"' => "\\\"",
            _ => "\\\\",
        });
        rest = &rest[at + 1..];
    }
    text.push_str(rest);
}

#[cfg(test)]
mod tests {
    use super::*;

    const LEVEL: Family<2> =
        Family { name: "level", help: "Level of a well.", kind: Kind::Gauge, labels: ["well", "side"] };
    /// Labels in the order of their names, as the client library writes them.
    const BY_NAME: Family<2> =
        Family { name: "level", help: "Level of a well.", kind: Kind::Gauge, labels: ["side", "well"] };
    const STARTS: Family<0> = Family { name: "starts_total", help: "Starts.", kind: Kind::Counter, labels: [] };

    #[test]
    fn a_family_is_written_once_with_all_its_samples() {
        let mut page = Page::default();
        page.set(&STARTS, [], 3.0);
        page.set(&LEVEL, ["East", "in"], 1.25);
        page.set(&LEVEL, ["West \"old\"\\\n", "out"], -1e-7);
        let expected = concat!(
            "# HELP level Level of a well.\n# TYPE level gauge\n",
            "level{well=\"East\",side=\"in\"} 1.25\n",
            "level{well=\"West \\\"old\\\"\\\\\\n\",side=\"out\"} -0.0000001\n",
            "# HELP starts_total Starts.\n# TYPE starts_total counter\nstarts_total 3\n",
        );
        assert_eq!(page.text(), expected);
    }

    #[test]
    fn what_has_no_sample_has_no_heading() {
        let mut page = Page::default();
        page.set(&STARTS, [], -1.0);
        page.set_good(&LEVEL, ["East", "in"], Measured::NotMapped);
        assert_eq!(page.text(), "");
    }

    #[test]
    fn the_present_state_is_one_and_the_others_are_zero() {
        let mut page = Page::default();
        page.one_hot(&LEVEL, |side| ["East", side], &["in", "out"], "out");
        let text = page.text();
        assert!(text.ends_with("level{well=\"East\",side=\"in\"} 0\nlevel{well=\"East\",side=\"out\"} 1\n"), "{text}");
    }

    /// Labels and values come back from the client library's own text as they come from ours.
    #[test]
    fn the_client_library_writes_the_same() {
        use prometheus::{GaugeVec, Opts, Registry, TextEncoder};
        let registry = Registry::new();
        let gauge = GaugeVec::new(Opts::new("level", "Level of a well."), &["side", "well"]).unwrap();
        registry.register(Box::new(gauge.clone())).unwrap();
        let samples = [("a \"b\" \\ c\nd", 1.0), ("é", f64::NAN), ("", -0.1), ("x", 1e300), ("y", f64::NEG_INFINITY)];
        let mut page = Page::default();
        for (side, value) in samples {
            gauge.with_label_values(&[side, "East"]).set(value);
            page.set(&BY_NAME, [side, "East"], value);
        }
        let lines = |text: &str| {
            let mut lines: Vec<String> = text.lines().map(str::to_owned).collect();
            lines.sort();
            lines
        };
        assert_eq!(lines(&page.text()), lines(&TextEncoder::new().encode_to_string(&registry.gather()).unwrap()));
    }
}
