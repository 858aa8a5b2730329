//! The history in PostgreSQL, for a site that runs one: the same tables, in a schema of their own.
//!
//! Room is the server's: what is removed is given back by its own vacuum. Must never hold up the thread of anyone but the history.

use std::collections::HashMap;
use std::time::Duration;

use tokio::runtime::{Builder, Runtime};
use tokio_postgres::binary_copy::BinaryCopyInWriter;
use tokio_postgres::error::SqlState;
use tokio_postgres::types::{ToSql, Type};
use tokio_postgres::{Client, NoTls, Row};

use super::postgres_tls::Address;
use super::quantity::{COUNT, QUANTITIES};
use super::sql::{self, Dialect};
use super::store::{Batch, Event, Extent, Query, Rows, Sample, Source, SourceId, Statistic, Store, StoreError, Tier};

const DIALECT: Dialect = Dialect {
    integer: "BIGINT",
    real: "DOUBLE PRECISION",
    bytes: "BYTEA",
    serial: "BIGSERIAL PRIMARY KEY",
    clustered: "",
};
/// Where the tables are in a server.
pub const SCHEMA: &str = "wattassay";
const CONNECT: Duration = Duration::from_secs(10);
/// A statement that takes longer counts as failed, so that a server that hangs does not hold the queue for ever.
const STATEMENT_LIMIT: &str = "SET statement_timeout = '60s'";

impl From<tokio_postgres::Error> for StoreError {
    fn from(error: tokio_postgres::Error) -> StoreError {
        let text = error.as_db_error().map_or_else(|| with_causes(&error), ToString::to_string);
        if error.code() == Some(&SqlState::DISK_FULL) { StoreError::Full(text) } else { StoreError::Failed(text) }
    }
}

/// What went wrong, and why as far down as is told.
fn with_causes(error: &dyn std::error::Error) -> String {
    let mut text = error.to_string();
    let mut cause = error.source();
    while let Some(deeper) = cause {
        let why = deeper.to_string();
        if !text.contains(&why) {
            text = format!("{text}: {why}");
        }
        cause = deeper.source();
    }
    text
}

/// What a connection may do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Access {
    /// Everything; makes the tables that are missing.
    Write,
    /// Reads what is there.
    Read,
}

/// See the module. Must be made, used and dropped on a thread that no runtime owns.
#[derive(Debug)]
pub struct PostgresStore {
    runtime: Runtime,
    address: Address,
    schema: String,
    access: Access,
    client: Client,
}

impl PostgresStore {
    /// Connects as `connection` says (`host=/run/postgresql user=wattassay dbname=wattassay`, see [`Address`]) and makes
    /// what is missing in `schema`, a name of small letters, digits and underscores.
    pub fn open(connection: &str, schema: &str) -> Result<PostgresStore, StoreError> {
        PostgresStore::connect(connection, schema, Access::Write)
    }

    /// Connects to read what another process keeps; changes nothing.
    pub fn open_to_read(connection: &str, schema: &str) -> Result<PostgresStore, StoreError> {
        PostgresStore::connect(connection, schema, Access::Read)
    }

    fn connect(connection: &str, schema: &str, access: Access) -> Result<PostgresStore, StoreError> {
        if schema.is_empty() || !schema.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'_') {
            return Err(StoreError::Failed(format!("\"{schema}\" is not a name of a schema")));
        }
        let mut address: Address = connection.parse().map_err(|error| StoreError::Failed(with_causes(&error)))?;
        address.config.connect_timeout(CONNECT).application_name("wattassay");
        if address.config.get_password().is_none()
            && let Ok(password) = std::env::var("PGPASSWORD")
        {
            address.config.password(password);
        }
        let runtime = Builder::new_current_thread()
            .enable_all()
            .build()
            .map_err(|error| StoreError::Failed(error.to_string()))?;
        let client = runtime.block_on(connect(&address, schema, access))?;
        Ok(PostgresStore { runtime, address, schema: schema.to_owned(), access, client })
    }

    /// Connects again when the connection has gone.
    fn connected(&mut self) -> Result<(), StoreError> {
        if self.client.is_closed() {
            self.client = self.runtime.block_on(connect(&self.address, &self.schema, self.access))?;
        }
        Ok(())
    }

    fn query(&mut self, sql: &str, parameters: &[&(dyn ToSql + Sync)]) -> Result<Vec<Row>, StoreError> {
        self.connected()?;
        Ok(self.runtime.block_on(self.client.query(sql, parameters))?)
    }

    #[cfg(test)]
    pub(super) fn is_encrypted(&mut self) -> bool {
        self.query("SELECT ssl FROM pg_stat_ssl WHERE pid = pg_backend_pid()", &[]).unwrap()[0].get(0)
    }

    /// Removes everything, the schema too.
    #[cfg(test)]
    pub(super) fn destroy(mut self) {
        let sql = format!("DROP SCHEMA {} CASCADE", self.schema);
        self.query(&sql, &[]).unwrap();
    }
}

async fn connect(address: &Address, schema: &str, access: Access) -> Result<Client, StoreError> {
    // Each connection ends by itself with its client; what went wrong is told to whoever asks the client next.
    let client = if let Some(tls) = address.tls().map_err(StoreError::Failed)? {
        let (client, connection) = address.config.connect(tls).await?;
        tokio::spawn(connection);
        client
    } else {
        let (client, connection) = address.config.connect(NoTls).await?;
        tokio::spawn(connection);
        client
    };
    client.batch_execute(STATEMENT_LIMIT).await?;
    let sql = match access {
        Access::Write => {
            let tables = sql::schema(DIALECT);
            format!(
                "SET client_min_messages = warning; CREATE SCHEMA IF NOT EXISTS {schema}; SET search_path = {schema};
                 {tables} CREATE TEMPORARY TABLE incoming (LIKE detail)"
            )
        }
        Access::Read => {
            let there = "SELECT FROM information_schema.schemata WHERE schema_name = $1";
            if client.query_opt(there, &[&schema]).await?.is_none() {
                return Err(StoreError::Failed(format!("there is no schema \"{schema}\" in this database")));
            }
            format!("SET default_transaction_read_only = on; SET search_path = {schema}")
        }
    };
    client.batch_execute(&sql).await?;
    Ok(client)
}

/// The last of each source and time: one statement cannot set a row twice.
fn last_of_each(samples: &[Sample]) -> impl Iterator<Item = &Sample> {
    let mut last = HashMap::with_capacity(samples.len());
    for sample in samples {
        last.insert((sample.source, sample.at_ms), sample);
    }
    last.into_values()
}

async fn write(client: &mut Client, batch: &Batch) -> Result<(), tokio_postgres::Error> {
    let transaction = client.transaction().await?;
    if !batch.samples.is_empty() {
        let columns = QUANTITIES.map(|quantity| quantity.key).join(", ");
        let sink = transaction.copy_in(&format!("COPY incoming (source, at_ms, {columns}) FROM STDIN BINARY")).await?;
        let types: Vec<Type> = [Type::INT8, Type::INT8].into_iter().chain([Type::FLOAT8; COUNT]).collect();
        let mut writer = std::pin::pin!(BinaryCopyInWriter::new(sink, &types));
        for sample in last_of_each(&batch.samples) {
            let values = sample.values.map(|value| (!value.is_nan()).then_some(value));
            let mut row: Vec<&(dyn ToSql + Sync)> = vec![&sample.source.0, &sample.at_ms];
            row.extend(values.iter().map(|value| value as &(dyn ToSql + Sync)));
            writer.as_mut().write(&row).await?;
        }
        writer.finish().await?;
        transaction.batch_execute(&format!("{}; TRUNCATE incoming", sql::insert_from("incoming"))).await?;
    }
    for e in &batch.events {
        let sql = "INSERT INTO event (source, at_ms, kind, subject, state, text) VALUES ($1, $2, $3, $4, $5, $6)";
        transaction.execute(sql, &[&e.source.0, &e.at_ms, &e.kind, &e.subject, &e.state, &e.text]).await?;
    }
    for (key, value) in &batch.states {
        let sql = "INSERT INTO state (key, value) VALUES ($1, $2)
                   ON CONFLICT (key) DO UPDATE SET value = excluded.value";
        transaction.execute(sql, &[key, value]).await?;
    }
    transaction.commit().await
}

impl Store for PostgresStore {
    fn source(&mut self, source: &Source) -> Result<SourceId, StoreError> {
        let is_monitor = i64::from(source.is_monitor);
        let named: [&(dyn ToSql + Sync); 3] = [&source.station, &is_monitor, &source.name];
        let insert = "INSERT INTO source (station, is_monitor, name) VALUES ($1, $2, $3) ON CONFLICT DO NOTHING";
        self.query(insert, &named)?;
        let select = "SELECT id FROM source WHERE station = $1 AND is_monitor = $2 AND name = $3";
        let rows = self.query(select, &named)?;
        rows.first().map(|row| SourceId(row.get(0))).ok_or_else(|| StoreError::Failed("a source is gone".to_owned()))
    }

    fn sources(&mut self) -> Result<Vec<(SourceId, Source)>, StoreError> {
        let rows = self.query("SELECT id, station, is_monitor, name FROM source ORDER BY id", &[])?;
        let source =
            |row: &Row| Source { station: row.get(1), is_monitor: row.get::<_, i64>(2) != 0, name: row.get(3) };
        Ok(rows.iter().map(|row| (SourceId(row.get(0)), source(row))).collect())
    }

    fn write(&mut self, batch: &Batch) -> Result<(), StoreError> {
        self.connected()?;
        Ok(self.runtime.block_on(write(&mut self.client, batch))?)
    }

    fn roll_up(&mut self, tier: Tier, from_ms: i64, to_ms: i64) -> Result<(), StoreError> {
        self.connected()?;
        let client = &mut self.client;
        let all = async {
            let transaction = client.transaction().await?;
            for sql in Statistic::ALL.iter().filter_map(|statistic| sql::roll_up(tier, *statistic)) {
                transaction.execute(&sql, &[&from_ms, &to_ms]).await?;
            }
            transaction.commit().await
        };
        Ok(self.runtime.block_on(all)?)
    }

    fn first_rows(&mut self, query: &Query, most: usize) -> Result<Rows, StoreError> {
        let most = most.min(i64::MAX as usize) as i64;
        let rows = self.query(&sql::select(query), &[&query.source.0, &query.from_ms, &query.to_ms, &most])?;
        let columns = query.quantities.len();
        let value = |row: &Row, column| row.get::<_, Option<f64>>(column).unwrap_or(f64::NAN);
        Ok(Rows {
            quantities: query.quantities.clone(),
            at_ms: rows.iter().map(|row| row.get(0)).collect(),
            samples: rows.iter().map(|row| row.get(1)).collect(),
            values: rows.iter().flat_map(|row| (2..columns + 2).map(move |column| value(row, column))).collect(),
        })
    }

    fn extent(&mut self, query: &Query, most: usize) -> Result<Extent, StoreError> {
        let most = most as i64;
        let rows = self.query(&sql::extent(query), &[&query.source.0, &query.from_ms, &query.to_ms, &most])?;
        let extent = |row: &Row| Extent {
            rows: row.get::<_, i64>(0) as usize,
            ends_ms: row.get::<_, Option<i64>>(1).zip(row.get::<_, Option<i64>>(2)),
        };
        Ok(rows.first().map(extent).unwrap_or_default())
    }

    fn events(&mut self, source: SourceId, from_ms: i64, to_ms: i64) -> Result<Vec<Event>, StoreError> {
        let sql = "SELECT at_ms, kind, subject, state, text FROM event
                   WHERE source = $1 AND at_ms >= $2 AND at_ms < $3 ORDER BY at_ms, id";
        let event = |row: &Row| Event {
            source,
            at_ms: row.get(0),
            kind: row.get(1),
            subject: row.get(2),
            state: row.get(3),
            text: row.get(4),
        };
        Ok(self.query(sql, &[&source.0, &from_ms, &to_ms])?.iter().map(event).collect())
    }

    fn state(&mut self, key: &str) -> Result<Option<Vec<u8>>, StoreError> {
        let rows = self.query("SELECT value FROM state WHERE key = $1", &[&key])?;
        Ok(rows.first().map(|row| row.get(0)))
    }

    fn earliest(&mut self, tier: Tier, from_ms: i64) -> Result<Option<i64>, StoreError> {
        let rows = self.query(&sql::earliest(tier), &[&from_ms])?;
        Ok(rows.first().and_then(|row| row.get(0)))
    }

    fn remove_before(&mut self, tier: Tier, before_ms: i64) -> Result<u64, StoreError> {
        self.connected()?;
        let client = &mut self.client;
        let all = async {
            let transaction = client.transaction().await?;
            let mut removed = 0;
            for table in sql::aging_tables(tier) {
                removed += transaction.execute(&sql::remove_before(&table), &[&before_ms]).await?;
            }
            transaction.commit().await?;
            Ok::<u64, tokio_postgres::Error>(removed)
        };
        Ok(self.runtime.block_on(all)?)
    }

    /// Rows times their mean width: removed rows lie in the server's files until its vacuum has run, and must not count.
    fn size_bytes(&mut self) -> Result<u64, StoreError> {
        let mut bytes = 0.0;
        for table in Tier::ALL.into_iter().flat_map(sql::tables) {
            let sql = format!(
                "SELECT (SELECT count(*) FROM {table})::float8
                 * coalesce((SELECT avg(pg_column_size(t.*)) FROM (SELECT * FROM {table} LIMIT 100) t), 0)::float8"
            );
            bytes += self.query(&sql, &[])?.first().map_or(0.0, |row| row.get::<_, f64>(0));
        }
        Ok(bytes as u64)
    }

    fn tidy(&mut self) -> Result<bool, StoreError> {
        Ok(false)
    }

    fn give_back(&mut self) -> Result<(), StoreError> {
        Ok(())
    }

    fn release_reserve(&mut self) -> Result<(), StoreError> {
        Ok(())
    }

    fn restore_reserve(&mut self) -> Result<(), StoreError> {
        Ok(())
    }
}
