//! What a reader must do, run on each store alike.

use super::*;
use crate::history::quantity::{COUNT, place};
use crate::history::store::{Batch, Sample};

const START_MS: i64 = 20_776 * 86_400_000;
const DAY_S: i64 = 86_400;
const POWER: usize = place::TOTAL_ACTIVE_POWER_W;
const ENERGY: usize = place::ENERGY_IMPORT_WH;

fn pump() -> Source {
    Source { station: "Alder Creek Lift".into(), is_monitor: false, name: "Pump 1".into() }
}

/// A reading every ten seconds: the power is the second, the energy grows by 1 Wh a second.
fn fill(store: &mut dyn Store, seconds: std::ops::Range<i64>) {
    let source = store.source(&pump()).unwrap();
    let sample = |second: i64| {
        let mut values = Box::new([f64::NAN; COUNT]);
        values[POWER] = second as f64;
        values[ENERGY] = 1e6 + second as f64;
        Sample { source, at_ms: START_MS + second * 1000, values }
    };
    let (from, to) = (START_MS + seconds.start * 1000, START_MS + seconds.end * 1000);
    store.write(&Batch { samples: seconds.step_by(10).map(sample).collect(), ..Batch::default() }).unwrap();
    for tier in [Tier::Minute, Tier::QuarterHour] {
        store.roll_up(tier, from / 900_000 * 900_000, (to + 899_999) / 900_000 * 900_000).unwrap();
    }
}

fn wanted(detail: Detail) -> Wanted {
    Wanted {
        source: pump(),
        quantities: vec![POWER, ENERGY],
        from_ms: START_MS,
        to_ms: START_MS + DAY_S * 1000,
        detail,
        statistic: Statistic::Mean,
    }
}

fn seconds(series: &Series) -> Vec<i64> {
    series.rows.at_ms.iter().map(|at| (at - START_MS) / 1000).collect()
}

fn what_is_there_is_listed(store: &mut dyn Store, reader: &HistoryReader) {
    let monitor = Source { is_monitor: true, name: "PM-1".into(), ..pump() };
    store.source(&monitor).unwrap();
    store.source(&pump()).unwrap();
    assert_eq!(reader.sources().unwrap(), [pump(), monitor]);
    let unknown = Wanted { source: Source { is_monitor: true, ..pump() }, ..wanted(Detail::Points(10)) };
    assert!(matches!(reader.series(&unknown), Err(ReadError::UnknownSource(_))));
    let empty = reader.series(&wanted(Detail::Points(10))).unwrap();
    assert_eq!(empty.rows.at_ms, [0; 0]);
}

fn the_finest_tier_that_fits_is_taken(store: &mut dyn Store, reader: &HistoryReader) {
    fill(store, 0..DAY_S);
    // 8,640 readings, 1,440 minutes, 96 quarters of an hour.
    let (second, minute, quarter) = (None, Some(60_000), Some(900_000));
    for (points, tier, interval_ms, rows) in [
        (8640, Tier::Detail, second, 8640),
        (8639, Tier::Minute, minute, 1440),
        (1440, Tier::Minute, minute, 1440),
        (1439, Tier::QuarterHour, quarter, 96),
        (96, Tier::QuarterHour, quarter, 96),
        (95, Tier::QuarterHour, Some(1_800_000), 48),
        (24, Tier::QuarterHour, Some(3_600_000), 24),
        (1, Tier::QuarterHour, Some(86_400_000), 1),
    ] {
        let series = reader.series(&wanted(Detail::Points(points))).unwrap();
        let found = (series.tier, series.interval_ms, series.rows.at_ms.len());
        assert_eq!(found, (tier, interval_ms, rows), "{points} points");
        assert_eq!(series.rows.samples.iter().sum::<i64>(), 8640, "every reading counts");
        assert_eq!(seconds(&series)[0], 0);
    }
    for tier in Tier::ALL {
        assert_eq!(reader.series(&wanted(Detail::Tier(tier))).unwrap().tier, tier);
    }
}

fn merged_rows_are_what_the_readings_say(store: &mut dyn Store, reader: &HistoryReader) {
    // From the middle of an hour on, so that the first merged row is of fewer readings.
    fill(store, 1800..DAY_S);
    let hours = reader.series(&wanted(Detail::Points(24))).unwrap();
    assert_eq!((hours.rows.samples[0], hours.rows.samples[1]), (180, 360));
    let row = |series: &Series, at: usize| series.rows.iter().nth(at).unwrap().1.to_vec();
    // Means of 1800, 1810 .. 3590 and of 3600 .. 7190; the register as it stood last.
    assert_eq!(row(&hours, 0), [2695.0, 1e6 + 3590.0]);
    assert_eq!(row(&hours, 1), [5395.0, 1e6 + 7190.0]);
    let day = reader.series(&wanted(Detail::Points(1))).unwrap();
    let mean = (1800.0 + DAY_S as f64 - 10.0) / 2.0;
    assert!((row(&day, 0)[0] - mean).abs() < 1e-6, "weighed by readings: {:?}", row(&day, 0));
    let of = |statistic| reader.series(&Wanted { statistic, ..wanted(Detail::Points(1)) }).unwrap();
    assert_eq!(row(&of(Statistic::Lowest), 0)[0], 1800.0);
    assert_eq!(row(&of(Statistic::Highest), 0)[0], DAY_S as f64 - 10.0);
}

fn a_tier_that_no_longer_reaches_back_is_not_taken(store: &mut dyn Store, reader: &HistoryReader) {
    fill(store, 0..DAY_S);
    store.remove_before(Tier::Detail, START_MS + (DAY_S - 3600) * 1000).unwrap();
    // 360 readings are left, which would fit and would hide most of the day.
    let series = reader.series(&wanted(Detail::Points(400))).unwrap();
    assert_eq!((series.tier, series.rows.at_ms.len()), (Tier::QuarterHour, 96));
    // In the last hour they are all there.
    let last = Wanted { from_ms: START_MS + (DAY_S - 3600) * 1000, ..wanted(Detail::Points(400)) };
    assert_eq!(reader.series(&last).unwrap().tier, Tier::Detail);
}

fn what_is_not_rolled_up_yet_is_seen(store: &mut dyn Store, reader: &HistoryReader) {
    let source = store.source(&pump()).unwrap();
    let sample = |second: i64| {
        let mut values = Box::new([f64::NAN; COUNT]);
        values[POWER] = second as f64;
        Sample { source, at_ms: START_MS + second * 1000, values }
    };
    store.write(&Batch { samples: (0..50).map(sample).collect(), ..Batch::default() }).unwrap();
    let series = reader.series(&wanted(Detail::Points(10))).unwrap();
    assert_eq!((series.tier, series.interval_ms), (Tier::Detail, Some(5000)));
    assert_eq!(seconds(&series), [0, 5, 10, 15, 20, 25, 30, 35, 40, 45]);
    assert_eq!(series.rows.values[0], 2.0);
}

type ReaderTest = (&'static str, fn(&mut dyn Store, &HistoryReader));

const ALL: [ReaderTest; 5] = [
    ("list", what_is_there_is_listed),
    ("tiers", the_finest_tier_that_fits_is_taken),
    ("merged", merged_rows_are_what_the_readings_say),
    ("reach", a_tier_that_no_longer_reaches_back_is_not_taken),
    ("fresh", what_is_not_rolled_up_yet_is_seen),
];

#[test]
fn a_folder_is_read_beside_its_writer() {
    for (name, test) in ALL {
        println!("{name}");
        let folder = tempfile::tempdir().unwrap();
        let mut store = SqliteStore::open(folder.path(), 0).unwrap().0;
        test(&mut store, &HistoryReader::folder(folder.path()));
    }
}

/// `WATTASSAY_POSTGRES` says how to reach a server; see `store_tests`.
#[test]
fn a_server_is_read_beside_its_writer() {
    let Ok(connection) = std::env::var("WATTASSAY_POSTGRES") else {
        eprintln!("skipped: WATTASSAY_POSTGRES is not set");
        return;
    };
    for (name, test) in ALL {
        println!("{name}");
        let schema = format!("test_read_{name}_{}", std::process::id());
        let mut store = PostgresStore::open(&connection, &schema).unwrap();
        test(&mut store, &HistoryReader::postgres(&connection, &schema));
        let mut reading = PostgresStore::open_to_read(&connection, &schema).unwrap();
        let refused = reading.source(&Source { name: "Pump 9".into(), ..pump() }).unwrap_err().to_string();
        assert!(refused.contains("read-only"), "{refused}");
        store.destroy();
    }
}

#[test]
fn a_reader_cannot_write_and_makes_no_file() {
    let folder = tempfile::tempdir().unwrap();
    assert!(HistoryReader::folder(folder.path()).sources().is_err());
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
    drop(SqliteStore::open(folder.path(), 0).unwrap());
    let refused = SqliteStore::open_beside(folder.path()).unwrap().source(&pump()).unwrap_err();
    assert!(refused.to_string().contains("readonly"), "{refused}");
}

#[test]
fn more_than_memory_should_hold_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let mut store = SqliteStore::open(folder.path(), 0).unwrap().0;
    fill(&mut store, 0..DAY_S);
    // The same quantity many times over stands for more of them.
    let quantities = vec![POWER; MOST_VALUES / 2500];
    let many = |tier| Wanted { quantities: quantities.clone(), ..wanted(Detail::Tier(tier)) };
    let reader = HistoryReader::folder(folder.path());
    assert!(matches!(reader.series(&many(Tier::Detail)), Err(ReadError::TooMuch { most: 2500 })));
    assert_eq!(reader.series(&many(Tier::Minute)).unwrap().rows.at_ms.len(), 1440);
    let fewer = Wanted { detail: Detail::Tier(Tier::QuarterHour), ..wanted(Detail::Points(1)) };
    assert_eq!(reader.series(&fewer).unwrap().rows.at_ms.len(), 96);
}
