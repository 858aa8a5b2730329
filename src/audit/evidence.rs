//! Evidence: what a steady reading says about wiring, kept as one running mean per load level.
//!
//! Memory is constant: at most [`MAX_WINDOWS`] load levels a circuit, each a handful of numbers. When readings stop
//! agreeing with what was collected (somebody has moved a lead), everything collected is dropped and a new epoch begins.
//! Must never weigh hypotheses.

mod features;

use serde::{Deserialize, Serialize};

use self::features::about_mean;
pub use self::features::{DEAD_CURRENT_SHARE, Features, UNEVEN_CURRENT_SHARE};
use crate::reading::Rotation;

/// Load levels kept per circuit.
pub const MAX_WINDOWS: usize = 6;

/// Readings after which a window's mean forgets the oldest.
const MEMORY_READINGS: f64 = 60.0;

/// A channel's share of the current that moves by more than this (natural logarithm), beyond its own unrest, has been
/// touched: 40 %.
const SHARE_MOVED: f64 = 0.35;

/// Steady readings in a row that contradict the window before a new epoch begins.
const CONTRADICTIONS: u32 = 3;

/// Steady readings that make a load level a witness. A moment caught between two states (a sag, a switching, a start, two
/// requests of one poll) now and then looks steady, and would be all there is of its level.
pub const READINGS_FOR_WITNESS: u64 = 3;

/// Which load levels count: witnesses once there is one, for until then there is nothing better.
pub fn counting(windows: &[Window]) -> impl Fn(&Window) -> bool + use<> {
    let witness = |w: &Window| w.readings >= READINGS_FOR_WITNESS;
    let any = windows.iter().any(witness);
    move |w| !any || witness(w)
}

/// The mean of the steady readings of one load level.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Window {
    /// Load level: current on a logarithmic scale of 20 % steps.
    pub level: i32,
    /// Readings seen.
    pub readings: u64,
    /// Their mean.
    pub mean: Features,
    /// Variance of each channel's share of the current ([`Features::ln_share`]) about its mean, from reading to reading.
    pub share_variance: [f64; 3],
}

impl Window {
    fn new(level: i32, features: &Features) -> Window {
        Window { level, readings: 1, mean: *features, share_variance: [0.0; 3] }
    }

    /// How far each channel's share of the current is off its mean, natural logarithm, in features of the same shape.
    fn share_off(&self, features: &Features) -> [Option<f64>; 3] {
        let ratio = |k: usize| features.current_a[k] / self.mean.current_a[k];
        about_mean([0, 1, 2].map(|k| features.current_alive[k].then(|| ratio(k).ln())))
    }

    /// True when a channel's share of the current is `off` its mean further than it is by itself.
    fn share_moved(&self, off: [Option<f64>; 3]) -> bool {
        let moved = |k: usize, off: f64| off.abs() > SHARE_MOVED + 4.0 * self.share_variance[k].sqrt();
        (0..3).any(|k| off[k].is_some_and(|off| moved(k, off)))
    }

    /// Takes a reading, whose [`Window::share_off`] is `off`.
    fn take(&mut self, features: &Features, off: [Option<f64>; 3]) {
        self.readings += 1;
        let share = 1.0 / (self.readings as f64).min(MEMORY_READINGS);
        for (variance, off) in self.share_variance.iter_mut().zip(off) {
            if let Some(off) = off {
                *variance += share * (off.powi(2) - *variance);
            }
        }
        self.mean.blend(features, share);
    }
}

/// What a new reading did to the evidence.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Change {
    /// Window `0` was started or moved.
    Window(usize),
    /// The reading contradicts what was collected; not yet believed.
    Contradiction,
    /// Everything collected was dropped; the reading starts a new epoch as window 0.
    NewEpoch,
}

/// All evidence about one circuit.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub struct Evidence {
    windows: Vec<Window>,
    contradictions: u32,
    rotation: Option<Rotation>,
}

impl Evidence {
    /// Windows collected in this epoch.
    pub fn windows(&self) -> &[Window] {
        &self.windows
    }

    /// Rotation measured at the voltage channels in this epoch.
    pub fn rotation(&self) -> Option<Rotation> {
        self.rotation
    }

    /// Steady readings behind the present epoch.
    pub fn readings(&self) -> u64 {
        self.windows.iter().map(|w| w.readings).sum()
    }

    /// False while the latest readings contradict the windows.
    pub fn settled(&self) -> bool {
        self.contradictions == 0
    }

    /// Forgets what channels that see another circuit showed, and the windows in which only they carried current.
    pub fn drop_foreign(&mut self, foreign: [bool; 3]) {
        self.windows.retain(|w| (0..3).any(|k| w.mean.current_alive[k] && !foreign[k]));
        for window in &mut self.windows {
            for k in (0..3).filter(|k| foreign[*k]) {
                window.mean.current_alive[k] = false;
                (window.mean.p[k], window.mean.q[k], window.mean.unsigned_pf[k]) = (None, None, None);
            }
            if foreign.contains(&true) {
                let mean = &mut window.mean;
                (mean.total_p, mean.total_q, mean.total_unsigned_pf) = (None, None, None);
            }
        }
    }

    /// Adds a steady reading, with the rotation measured beside it.
    pub fn add(&mut self, features: &Features, rotation: Option<Rotation>) -> Change {
        let level = (features.mean_current_a.ln() / 1.2f64.ln()).round() as i32;
        let alike = self.nearest(level, |w| w.mean.same_shape(features));
        // An uneven supply makes other shares at other loads: only those of one level are compared.
        let own = alike.filter(|index| self.windows[*index].level == level);
        let own = own.map(|index| (index, self.windows[index].share_off(features)));
        let share_moved = own.is_some_and(|(index, off)| self.windows[index].share_moved(off));
        let rotation_moved = rotation.is_some() && self.rotation.is_some() && rotation != self.rotation;
        if rotation_moved || share_moved || self.contradicts(features, level, alike) {
            self.contradictions += 1;
            if self.contradictions < CONTRADICTIONS {
                return Change::Contradiction;
            }
            *self = Evidence { windows: vec![Window::new(level, features)], rotation, ..Evidence::default() };
            return Change::NewEpoch;
        }
        self.contradictions = 0;
        self.rotation = rotation.or(self.rotation);
        if let Some((index, off)) = own {
            self.windows[index].take(features, off);
            return Change::Window(index);
        }
        let fresh = Window::new(level, features);
        if self.windows.len() < MAX_WINDOWS {
            self.windows.push(fresh);
            return Change::Window(self.windows.len() - 1);
        }
        // Full: the least-seen level makes room, so that a passing level never displaces a usual one for long.
        let index = self.windows.iter().enumerate().min_by_key(|(_, w)| w.readings).map_or(0, |(i, _)| i);
        self.windows[index] = fresh;
        Change::Window(index)
    }

    /// Index of the window whose level is nearest to `level`, of those that `fit`.
    fn nearest(&self, level: i32, fit: impl Fn(&Window) -> bool) -> Option<usize> {
        let fitting = self.windows.iter().enumerate().filter(|(_, w)| fit(w));
        fitting.min_by_key(|(_, w)| (w.level - level).abs()).map(|(index, _)| index)
    }

    /// True when a reading cannot come from the wiring that the windows come from, of which `alike` is the nearest of the same
    /// shape. A channel that is alive or dead by which other pumps run is no contradiction: it is evidence of its own.
    fn contradicts(&self, features: &Features, level: i32, alike: Option<usize>) -> bool {
        if let Some(window) = alike.map(|index| &self.windows[index]) {
            let steps = f64::from((window.level - level).abs());
            return window.mean.distance(features) > 0.35 + 0.1 * steps;
        }
        let comparable =
            |w: &Window| w.mean.starting == features.starting && w.mean.others_running == features.others_running;
        let other = self.nearest(level, comparable).map(|index| &self.windows[index]);
        other.is_some_and(|window| window.level == level || !window.mean.may_be_blank_beside(features))
    }
}
