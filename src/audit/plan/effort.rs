//! What a plan takes: checks, outages and live checks, on average over its paths and on the worst of them. Must never count a pump
//! that is stopped for another reason.

use super::Node;
use crate::audit::field_check::{Access, FieldCheck};

/// How often something comes on the paths of a plan.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Count {
    /// Expectation over all paths.
    pub expected: f64,
    /// On the path with most of them.
    pub worst: u32,
}

/// What a plan takes.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Effort {
    /// Checks.
    pub checks: Count,
    /// Times that the panel is de-energized. A live check with clips takes one to fit them and one to take them off.
    pub outages: Count,
    /// Checks beside energized parts.
    pub live: Count,
}

/// One path so far.
#[derive(Debug, Clone, Copy, Default)]
struct Path {
    checks: u32,
    outages: u32,
    live: u32,
    de_energized: bool,
}

impl Path {
    fn then(mut self, check: FieldCheck) -> Path {
        self.checks += 1;
        let dead = |path: &mut Path| {
            path.outages += u32::from(!path.de_energized);
            path.de_energized = true;
        };
        match check.access() {
            Access::NothingOpened => self.de_energized = false,
            Access::DeEnergized => dead(&mut self),
            Access::Live => {
                self.live += 1;
                if check.needs_clips() {
                    dead(&mut self);
                    self.outages += 1;
                } else {
                    self.de_energized = false;
                }
            }
        }
        self
    }
}

impl Effort {
    /// Effort of a plan from its first step on.
    pub(super) fn of(root: &Node) -> Effort {
        let mut effort = Effort::default();
        effort.add(root, 1.0, Path::default());
        effort
    }

    fn add(&mut self, node: &Node, reached: f64, path: Path) {
        if let Node::Check(step) = node {
            let path = path.then(step.check);
            for way in &step.ways {
                self.add(&way.then, reached * way.probability, path);
            }
            return;
        }
        for (count, on_path) in
            [(&mut self.checks, path.checks), (&mut self.outages, path.outages), (&mut self.live, path.live)]
        {
            count.expected += reached * f64::from(on_path);
            count.worst = count.worst.max(on_path);
        }
    }

    /// One sentence for people.
    pub fn words(&self) -> String {
        let count = |count: Count, one: &str| {
            let s = if count.worst == 1 { "" } else { "s" };
            match count.worst {
                0 => format!("no {one}s"),
                worst => format!("{:.1} {one}{s} on average, {worst} at most", count.expected),
            }
        };
        format!(
            "Expect {}; {}; {}.",
            count(self.checks, "check"),
            count(self.outages, "outage"),
            count(self.live, "live check")
        )
    }
}
