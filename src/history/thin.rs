//! Fewer points out of many rows: rows that begin in the same interval become one, as if that interval had been a tier.
//!
//! Pure. Must never fill a gap: an interval without rows has no point, a quantity without values none either.

use super::quantity::{QUANTITIES, Rollup};
use super::store::{Rows, Statistic};

/// Intervals that people read easily, ms: those of the clock, of days and of weeks.
const INTERVALS_MS: [i64; 19] = [
    1_000,
    2_000,
    5_000,
    10_000,
    15_000,
    30_000,
    60_000,
    120_000,
    300_000,
    600_000,
    900_000,
    1_800_000,
    3_600_000,
    7_200_000,
    10_800_000,
    21_600_000,
    43_200_000,
    DAY_MS,
    7 * DAY_MS,
];
const DAY_MS: i64 = 86_400_000;

/// The shortest interval, a whole multiple of `of_ms`, of which at most `points` reach from the first row to the last.
pub(super) fn interval_for(ends_ms: (i64, i64), points: usize, of_ms: i64) -> i64 {
    let points = (points.max(1)) as i64;
    let fits = |interval: i64| {
        interval % of_ms == 0 && ends_ms.1.div_euclid(interval) - ends_ms.0.div_euclid(interval) < points
    };
    let easy = INTERVALS_MS.into_iter().find(|interval| fits(*interval));
    easy.unwrap_or_else(|| {
        // Whole weeks. A span across an interval's bound needs one more than its length says, or a single longer one.
        let mut interval = 14 * DAY_MS;
        while !fits(interval) && interval < i64::MAX / 4 {
            interval *= 2;
        }
        interval
    })
}

/// Makes one row of all that begin in the same interval.
pub(super) fn merge(rows: &Rows, interval_ms: i64, statistic: Statistic) -> Rows {
    let width = rows.quantities.len();
    let mut merged = Rows { quantities: rows.quantities.clone(), ..Rows::default() };
    let mut first = 0;
    while first < rows.at_ms.len() {
        let begins = |row: usize| rows.at_ms[row].div_euclid(interval_ms);
        let end = (first..rows.at_ms.len()).find(|row| begins(*row) != begins(first)).unwrap_or(rows.at_ms.len());
        merged.at_ms.push(begins(first) * interval_ms);
        merged.samples.push(rows.samples[first..end].iter().sum());
        for (column, place) in rows.quantities.iter().enumerate() {
            let values = (first..end).map(|row| (rows.samples[row] as f64, rows.values[row * width + column]));
            let good = values.filter(|(_, value)| !value.is_nan());
            merged.values.push(one(good, QUANTITIES[*place].rollup, statistic));
        }
        first = end;
    }
    merged
}

/// One value of several, each with the readings it stands for. NaN when there is none.
fn one(values: impl Iterator<Item = (f64, f64)>, rollup: Rollup, statistic: Statistic) -> f64 {
    match (statistic, rollup) {
        (Statistic::Lowest, _) => values.map(|(_, value)| value).fold(f64::NAN, f64::min),
        (Statistic::Highest, _) => values.map(|(_, value)| value).fold(f64::NAN, f64::max),
        // The register as it stood at the end, whatever it was before a reset.
        (Statistic::Mean, Rollup::Counter) => values.last().map_or(f64::NAN, |(_, value)| value),
        (Statistic::Mean, Rollup::Angle) => {
            let (mut sine, mut cosine, mut any) = (0.0, 0.0, false);
            for (weight, value) in values {
                sine += weight * value.to_radians().sin();
                cosine += weight * value.to_radians().cos();
                any = true;
            }
            if any { sine.atan2(cosine).to_degrees() } else { f64::NAN }
        }
        (Statistic::Mean, Rollup::Mean) => {
            let (sum, weights) = values.fold((0.0, 0.0), |(sum, all), (weight, v)| (sum + weight * v, all + weight));
            sum / weights
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::history::quantity::place;

    const MEAN: usize = place::FREQUENCY_HZ;
    const ANGLE: usize = place::CURRENT_ANGLE_DEG;
    const COUNTER: usize = place::ENERGY_IMPORT_WH;

    fn rows(quantity: usize, of: &[(i64, i64, f64)]) -> Rows {
        Rows {
            quantities: vec![quantity],
            at_ms: of.iter().map(|row| row.0).collect(),
            samples: of.iter().map(|row| row.1).collect(),
            values: of.iter().map(|row| row.2).collect(),
        }
    }

    fn merged(quantity: usize, statistic: Statistic, of: &[(i64, i64, f64)]) -> Vec<f64> {
        merge(&rows(quantity, of), 120_000, statistic).values
    }

    #[test]
    fn each_kind_of_quantity_is_merged_in_its_way() {
        let values = [(0, 60, 50.0), (60_000, 20, 54.0), (120_000, 60, 10.0), (180_000, 60, f64::NAN)];
        // (60 x 50 + 20 x 54) / 80 = 51; a row without the value does not weigh.
        assert_eq!(merged(MEAN, Statistic::Mean, &values), [51.0, 10.0]);
        assert_eq!(merged(MEAN, Statistic::Lowest, &values), [50.0, 10.0]);
        assert_eq!(merged(MEAN, Statistic::Highest, &values), [54.0, 10.0]);
        assert_eq!(merged(COUNTER, Statistic::Mean, &values), [54.0, 10.0]);
        let reset = [(0, 60, 900.0), (60_000, 60, 3.0)];
        assert_eq!(merged(COUNTER, Statistic::Mean, &reset), [3.0], "the last, not the highest");
        let turned = merged(ANGLE, Statistic::Mean, &[(0, 60, 179.0), (60_000, 60, -179.0)]);
        assert!((turned[0].abs() - 180.0).abs() < 1e-9, "{turned:?}");
        for statistic in Statistic::ALL {
            for quantity in [MEAN, ANGLE, COUNTER] {
                assert!(merged(quantity, statistic, &[(0, 60, f64::NAN)])[0].is_nan());
            }
        }
    }

    #[test]
    fn a_gap_stays_a_gap() {
        let all = merge(&rows(MEAN, &[(0, 1, 1.0), (600_000, 1, 2.0)]), 120_000, Statistic::Mean);
        assert_eq!((all.at_ms, all.samples), (vec![0, 600_000], vec![1, 1]));
        assert_eq!(merge(&rows(MEAN, &[]), 120_000, Statistic::Mean).at_ms, [0; 0]);
    }

    proptest! {
        #[test]
        fn points_are_never_more_than_wanted_and_readings_none_lost(
            first in 0_i64..2_000_000_000_000,
            steps in prop::collection::vec(1_i64..100, 1..200),
            points in 1_usize..50,
            of_ms in prop::sample::select(vec![1_000_i64, 60_000, 900_000]),
        ) {
            let mut at = first / of_ms * of_ms;
            let of: Vec<_> = steps.iter().map(|step| { at += step * of_ms; (at, 3, 1.0) }).collect();
            let ends = (of[0].0, of[of.len() - 1].0);
            let interval = interval_for(ends, points, of_ms);
            prop_assert_eq!(interval % of_ms, 0);
            let all = merge(&rows(MEAN, &of), interval, Statistic::Mean);
            // A single point for a span across the bound of every interval is the one case that cannot be.
            prop_assert!(all.at_ms.len() <= points.max(2), "{} of {points}", all.at_ms.len());
            prop_assert_eq!(all.samples.iter().sum::<i64>(), 3 * of.len() as i64);
            prop_assert!(all.values.iter().all(|value| (value - 1.0).abs() < 1e-9));
        }
    }
}
