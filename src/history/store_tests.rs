//! What every store must do, run on each implementation alike.

use super::keeper::{Keeper, Limits};
use super::postgres::PostgresStore;
use super::quantity::{COUNT, QUANTITIES, place};
use super::sqlite::{self, SqliteStore};
use super::store::{Batch, Event, Query, Sample, Source, SourceId, Statistic, Store, Tier};

const DAY_MS: i64 = 24 * 3600 * 1000;
const START_MS: i64 = 20_776 * DAY_MS;

fn pump(name: &str) -> Source {
    Source { station: "Alder Creek Lift".into(), is_monitor: false, name: name.into() }
}

fn sample(source: SourceId, second: i64, pairs: &[(usize, f64)]) -> Sample {
    let mut values = Box::new([f64::NAN; COUNT]);
    for (place, value) in pairs {
        values[*place] = *value;
    }
    Sample { source, at_ms: START_MS + second * 1000, values }
}

fn samples(samples: Vec<Sample>) -> Batch {
    Batch { samples, ..Batch::default() }
}

fn read(store: &mut dyn Store, source: SourceId, tier: Tier, statistic: Statistic, place: usize) -> Vec<(i64, f64)> {
    let query = Query { source, tier, statistic, from_ms: 0, to_ms: i64::MAX, quantities: vec![place] };
    store.rows(&query).unwrap().iter().map(|(at, row)| ((at - START_MS) / 1000, row[0])).collect()
}

fn values_return_as_written(store: &mut dyn Store) {
    let (one, two) = (store.source(&pump("Pump 1")).unwrap(), store.source(&pump("Pump 2")).unwrap());
    assert_eq!(store.source(&pump("Pump 1")).unwrap(), one);
    let monitor = store.source(&Source { is_monitor: true, ..pump("Pump 1") }).unwrap();
    assert!(one != two && monitor != one);
    assert_eq!(store.sources().unwrap().len(), 3);
    let mut all = Box::new([0.0; COUNT]);
    (0..COUNT).for_each(|place| all[place] = place as f64 + 0.1);
    all[3] = f64::NAN;
    let full = Sample { source: one, at_ms: START_MS, values: all };
    store.write(&samples(vec![full.clone(), sample(two, 0, &[(0, 7.0)]), sample(one, 9, &[(0, 1e9 + 0.5)])])).unwrap();
    let query = Query {
        source: one,
        tier: Tier::Detail,
        statistic: Statistic::Mean,
        from_ms: START_MS,
        to_ms: START_MS + 9000,
        quantities: (0..COUNT).collect(),
    };
    let rows = store.rows(&query).unwrap();
    assert_eq!(rows.at_ms, [START_MS], "the end is not part of the span");
    for place in 0..COUNT {
        let (read, written) = (rows.values[place], full.values[place]);
        assert!(read == written || read.is_nan() && written.is_nan(), "{}: {read}", QUANTITIES[place].key);
    }
    // The same reading once more, corrected.
    store.write(&samples(vec![sample(one, 9, &[(0, 5.0)])])).unwrap();
    assert_eq!(read(store, one, Tier::Detail, Statistic::Mean, 0)[1], (9, 5.0));
}

fn roll_up_is_arithmetic(store: &mut dyn Store) {
    let id = store.source(&pump("Pump 1")).unwrap();
    let (mean, angle, counter) = (place::FREQUENCY_HZ, place::CURRENT_ANGLE_DEG, place::ENERGY_IMPORT_WH);
    let mut all = Vec::new();
    // Minute 0 has 60 readings from 0 to 59; minute 1 has two, one of them without the value.
    for second in 0..60 {
        let turned = if second % 2 == 0 { 179.0 } else { -179.0 };
        all.push(sample(id, second, &[(mean, second as f64), (angle, turned), (counter, 1000.0 + second as f64)]));
    }
    all.push(sample(id, 60, &[(mean, 200.0), (counter, 2000.0)]));
    all.push(sample(id, 61, &[(counter, 2001.0)]));
    store.write(&samples(all)).unwrap();
    for _ in 0..2 {
        // Twice, since it may be repeated after a kill.
        store.roll_up(Tier::Minute, START_MS, START_MS + 900_000).unwrap();
        store.roll_up(Tier::QuarterHour, START_MS, START_MS + 900_000).unwrap();
    }
    let m = |store: &mut dyn Store, statistic, place| read(store, id, Tier::Minute, statistic, place);
    assert_eq!(m(store, Statistic::Mean, mean), [(0, 29.5), (60, 200.0)]);
    assert_eq!(m(store, Statistic::Lowest, mean), [(0, 0.0), (60, 200.0)]);
    assert_eq!(m(store, Statistic::Highest, mean), [(0, 59.0), (60, 200.0)]);
    assert_eq!(m(store, Statistic::Mean, counter), [(0, 1059.0), (60, 2001.0)]);
    let turned = m(store, Statistic::Mean, angle);
    assert!((turned[0].1.abs() - 180.0).abs() < 1e-9 && turned[1].1.is_nan(), "{turned:?}");
    let q = |store: &mut dyn Store, statistic, place| read(store, id, Tier::QuarterHour, statistic, place);
    // Weighed by readings: (60 * 29.5 + 2 * 200) / 62.
    let weighed = q(store, Statistic::Mean, mean);
    assert!((weighed[0].1 - (60.0 * 29.5 + 2.0 * 200.0) / 62.0).abs() < 1e-9, "{weighed:?}");
    assert_eq!(q(store, Statistic::Highest, mean), [(0, 200.0)]);
    assert_eq!(q(store, Statistic::Mean, counter), [(0, 2001.0)]);
}

fn changes_and_states_are_kept(store: &mut dyn Store) {
    let id = store.source(&pump("Pump 1")).unwrap();
    let event = |second: i64, state: &str| Event {
        source: id,
        at_ms: START_MS + second * 1000,
        kind: "diagnosis".into(),
        subject: String::new(),
        state: state.into(),
        text: "CT 1 is reversed, \"sure\"".into(),
    };
    let states = vec![("alarms".to_owned(), vec![0, 255, 1]), ("empty".to_owned(), Vec::new())];
    let events = vec![event(0, "fault"), event(5, "sound")];
    store.write(&Batch { events: events.clone(), states, ..Batch::default() }).unwrap();
    store.write(&Batch { states: vec![("alarms".to_owned(), vec![2])], ..Batch::default() }).unwrap();
    assert_eq!(store.events(id, 0, i64::MAX).unwrap(), events);
    assert_eq!(store.events(id, START_MS, START_MS + 5000).unwrap(), events[..1]);
    assert_eq!(store.state("alarms").unwrap(), Some(vec![2]));
    assert_eq!(store.state("empty").unwrap(), Some(Vec::new()));
    assert_eq!(store.state("none").unwrap(), None);
}

/// Ten days of a reading a minute, kept one day, three and nine.
fn age_is_kept_tier_by_tier(store: &mut dyn Store) {
    let id = store.source(&pump("Pump 1")).unwrap();
    let limits = Limits { age_ms: [DAY_MS, 3 * DAY_MS, 9 * DAY_MS], size_bytes: u64::MAX };
    let mut keeper = Keeper::new(store, limits).unwrap();
    for day in 0..10 {
        let all = (0..1440).map(|minute| sample(id, day * 86_400 + minute * 60, &[(0, 1.0)])).collect();
        store.write(&samples(all)).unwrap();
        keeper.note(START_MS + day * DAY_MS, START_MS + (day + 1) * DAY_MS - 60_000);
        while keeper.roll_up(store).unwrap() {}
        while keeper.trim(store).unwrap() {}
    }
    let now = START_MS + 10 * DAY_MS - 60_000;
    for (tier, days) in [(Tier::Detail, 1), (Tier::Minute, 3), (Tier::QuarterHour, 9)] {
        let oldest = store.earliest(tier, i64::MIN).unwrap().unwrap();
        let interval = tier.interval_ms().unwrap_or(60_000);
        assert!((0..interval).contains(&(oldest - (now - days * DAY_MS))), "{tier:?}");
    }
    let quarters = read(store, id, Tier::QuarterHour, Statistic::Mean, 0);
    assert!(quarters.windows(2).all(|w| w[1].0 == w[0].0 + 900), "no hole between the tiers' steps");
}

fn size_is_kept_from_the_oldest_detail(store: &mut dyn Store) {
    let id = store.source(&pump("Pump 1")).unwrap();
    let year = 366 * DAY_MS;
    let full: Vec<(usize, f64)> = (0..COUNT).map(|place| (place, 0.1 + place as f64)).collect();
    let all = (0..14_400).map(|second| sample(id, second, &full)).collect();
    store.write(&samples(all)).unwrap();
    let before = store.size_bytes().unwrap();
    let mut keeper = Keeper::new(store, Limits { age_ms: [year; 3], size_bytes: before / 2 }).unwrap();
    keeper.note(START_MS, START_MS + 14_400_000);
    while keeper.roll_up(store).unwrap() {}
    while keeper.trim(store).unwrap() {}
    let after = store.size_bytes().unwrap();
    assert!(after <= before / 2 && after > before / 4, "{before} to {after}");
    let detail = read(store, id, Tier::Detail, Statistic::Mean, 0);
    assert!(detail[0].0 > 0);
    assert_eq!(detail.last().unwrap().0, 14_399);
    assert_eq!(read(store, id, Tier::Minute, Statistic::Mean, 0)[0].0, 0, "coarser tiers are whole");
}

fn late_readings_and_a_clock_put_back_are_rolled_up(store: &mut dyn Store) {
    let id = store.source(&pump("Pump 1")).unwrap();
    let mut keeper = Keeper::new(store, Limits::default()).unwrap();
    let mut step = |store: &mut dyn Store, second: i64, value: f64| {
        store.write(&samples(vec![sample(id, second, &[(0, value)])])).unwrap();
        keeper.note(START_MS + second * 1000, START_MS + second * 1000);
        while keeper.roll_up(store).unwrap() {}
    };
    step(store, 0, 1.0);
    step(store, 100, 1.0);
    step(store, 30, 3.0);
    // A clock that was years ahead for one reading must cost neither time nor rows.
    step(store, 20 * 366 * 86_400, 9.0);
    step(store, 400, 1.0);
    let minutes = read(store, id, Tier::Minute, Statistic::Mean, 0);
    assert_eq!(minutes[..2], [(0, 2.0), (60, 1.0)], "{minutes:?}");
}

type StoreTest = (&'static str, fn(&mut dyn Store));

const ALL: [StoreTest; 6] = [
    ("values", values_return_as_written),
    ("roll_up", roll_up_is_arithmetic),
    ("states", changes_and_states_are_kept),
    ("age", age_is_kept_tier_by_tier),
    ("size", size_is_kept_from_the_oldest_detail),
    ("late", late_readings_and_a_clock_put_back_are_rolled_up),
];

#[test]
fn the_embedded_store_does_what_a_store_must() {
    for (name, test) in ALL {
        println!("{name}");
        let folder = tempfile::tempdir().unwrap();
        test(&mut SqliteStore::open(folder.path(), 0).unwrap().0);
    }
}

/// `WATTASSAY_POSTGRES` says how to reach a server, such as `host=/tmp/pg user=postgres dbname=postgres`; `.ci/run` starts
/// one. Without it there is nothing to test against.
#[test]
fn postgresql_does_what_a_store_must() {
    let Ok(connection) = std::env::var("WATTASSAY_POSTGRES") else {
        eprintln!("skipped: WATTASSAY_POSTGRES is not set");
        return;
    };
    let open = |schema: &str| PostgresStore::open(&connection, schema).unwrap();
    for (name, test) in ALL {
        println!("{name}");
        let schema = format!("test_{name}_{}", std::process::id());
        let mut store = open(&schema);
        test(&mut store);
        // What was kept is there for the next process.
        let sources = store.sources().unwrap();
        drop(store);
        let mut again = open(&schema);
        assert_eq!(again.sources().unwrap(), sources);
        again.destroy();
    }
}

/// `WATTASSAY_POSTGRES_TLS` says how to reach a server that wants TLS, by a name that its certificate bears and by an address
/// that it does not; `WATTASSAY_POSTGRES_CA` is the file of its authority. `.ci/run` makes them.
#[test]
fn postgresql_over_tls_is_trusted_as_far_as_it_proves_itself() {
    let variable = |name| std::env::var(name).ok();
    let Some((server, authority)) = variable("WATTASSAY_POSTGRES_TLS").zip(variable("WATTASSAY_POSTGRES_CA")) else {
        eprintln!("skipped: WATTASSAY_POSTGRES_TLS and WATTASSAY_POSTGRES_CA are not set");
        return;
    };
    let schema = format!("test_tls_{}", std::process::id());
    let folder = tempfile::tempdir().unwrap();
    let stranger = folder.path().join("stranger.pem");
    let own = rcgen::generate_simple_self_signed(vec!["localhost".to_owned()]).unwrap();
    std::fs::write(&stranger, own.cert.pem()).unwrap();
    let open = |host: &str, options: &str| PostgresStore::open(&format!("host={host} {server} {options}"), &schema);

    let trusted = format!("sslrootcert={authority}");
    let mut store = open("localhost", &trusted).unwrap();
    values_return_as_written(&mut store);
    assert!(store.is_encrypted());
    let good = [
        ("localhost", format!("{trusted} sslmode=verify-full")),
        ("127.0.0.1", format!("{trusted} sslmode=verify-ca")),
        ("127.0.0.1", "sslmode=require".to_owned()),
        ("127.0.0.1", "sslmode=prefer".to_owned()),
    ];
    for (host, options) in good {
        assert!(open(host, &options).unwrap().is_encrypted(), "{host} {options}");
    }
    let stranger = format!("sslrootcert={}", stranger.display());
    let bad = [
        ("127.0.0.1", trusted, "not valid for name"),
        ("localhost", stranger.clone(), "UnknownIssuer"),
        ("localhost", format!("{stranger} sslmode=verify-ca"), "UnknownIssuer"),
        ("localhost", "sslmode=verify-full".to_owned(), "UnknownIssuer"),
        ("localhost", "sslmode=disable".to_owned(), "no encryption"),
    ];
    for (host, options, words) in bad {
        let error = open(host, &options).unwrap_err().to_string();
        assert!(error.contains(words), "{host} {options}: {error}");
    }
    store.destroy();
}

#[test]
fn a_postgresql_reader_changes_nothing_and_makes_nothing() {
    let Ok(connection) = std::env::var("WATTASSAY_POSTGRES") else {
        eprintln!("skipped: WATTASSAY_POSTGRES is not set");
        return;
    };
    let schema = format!("test_reader_{}", std::process::id());
    let missing = PostgresStore::open_to_read(&connection, &schema).unwrap_err().to_string();
    assert!(missing.contains("there is no schema"), "{missing}");
    let mut store = PostgresStore::open(&connection, &schema).unwrap();
    let id = store.source(&pump("Pump 1")).unwrap();
    store.write(&samples(vec![sample(id, 0, &[(0, 7.0)])])).unwrap();
    let mut reader = PostgresStore::open_to_read(&connection, &schema).unwrap();
    assert_eq!(read(&mut reader, id, Tier::Detail, Statistic::Mean, 0), [(0, 7.0)]);
    let refused = reader.remove_before(Tier::Detail, i64::MAX).unwrap_err().to_string();
    assert!(refused.contains("read-only"), "{refused}");
    store.destroy();
}

#[test]
fn a_name_that_is_no_schema_never_reaches_a_server() {
    for bad in ["", "a b", "x; DROP TABLE detail", "Ä"] {
        assert!(PostgresStore::open("host=/nowhere", bad).unwrap_err().to_string().contains("not a name of a schema"));
    }
}

#[test]
fn the_embedded_store_keeps_everything_over_a_restart_and_gives_room_back() {
    let folder = tempfile::tempdir().unwrap();
    changes_and_states_are_kept(&mut SqliteStore::open(folder.path(), 0).unwrap().0);
    let (mut store, set_aside) = SqliteStore::open(folder.path(), 0).unwrap();
    assert_eq!((set_aside, store.state("alarms").unwrap()), (None, Some(vec![2])));
    let id = store.source(&pump("Pump 1")).unwrap();
    store.write(&samples((0..50_000).map(|second| sample(id, second, &[(0, 1.5)])).collect())).unwrap();
    let pages = store.pages();
    store.remove_before(Tier::Detail, i64::MAX).unwrap();
    while store.tidy().unwrap() {}
    assert!(store.pages() < pages / 2, "{pages} to {}", store.pages());
}

#[test]
fn a_file_that_is_no_history_is_set_aside() {
    for contents in [&b"SQLite no more"[..], &[0x5a; 9000]] {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join(sqlite::FILE_NAME), contents).unwrap();
        let (mut store, set_aside) = SqliteStore::open(folder.path(), 7).unwrap();
        assert_eq!(std::fs::read(set_aside.unwrap()).unwrap(), contents);
        values_return_as_written(&mut store);
    }
}
