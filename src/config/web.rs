//! The `[http]`, `[access]` and `[metrics]` tables.
//!
//! Must never open a file: whether certificates and users are good is known only to what uses them.

use std::net::SocketAddr;
use std::ops::RangeInclusive;
use std::path::PathBuf;
use std::time::Duration;

use super::problem::quoted;
use super::quantity::Dimension;
use super::reader::{Fault, Field, Located, TableReader};
use super::web_model::{
    AccessConfig, DEFAULT_HTTP_LISTEN, HttpConfig, HttpLimits, HttpTlsConfig, MetricsAccess, MetricsConfig,
};

const DEFAULT_SESSION_IDLE_S: f64 = 1800.0;
const DEFAULT_SESSION_LONGEST_S: f64 = 43_200.0;

/// Reads `[http]`; none when it is at fault.
pub(super) fn read_http(root: &TableReader<'_>) -> Option<HttpConfig> {
    let Some(table) = root.table("http") else { return Some(HttpConfig::default()) };
    let listen = read_listen(&table, "127.0.0.1:9184").or(DEFAULT_HTTP_LISTEN);
    let tls = read_tls(&table);
    let limits = read_limits(&table);
    table.finish();
    Some(HttpConfig { listen: listen?, tls: tls?, limits: limits? })
}

/// An address to listen on; one that other machines reach must be meant.
fn read_listen(table: &TableReader<'_>, example: &str) -> Field<SocketAddr> {
    let expose = table.boolean("expose");
    let listen = table.text("listen", example);
    table.check("listen", listen, |text| {
        let address: SocketAddr = text.parse().map_err(|_| {
            let port = example.rsplit(':').next().unwrap_or_default();
            Fault::new(
                format!("{} is not an address to listen on", quoted(text)),
                format!("write a numeric address and a port, for example {example:?} or \"[::1]:{port}\""),
            )
        })?;
        // A bad `expose` has its own problem; this one would only follow from it.
        if address.ip().is_loopback() || matches!(expose, Field::Bad | Field::Good(Located { value: true, .. })) {
            Ok(address)
        } else {
            Err(Fault::new(
                format!("{address} can be reached from other machines"),
                "listen on 127.0.0.1, or add expose = true when that is meant",
            ))
        }
    })
}

#[allow(clippy::option_option, reason = "absent, and at fault, are two things")]
fn read_tls(http: &TableReader<'_>) -> Option<Option<HttpTlsConfig>> {
    let Some(table) = http.table("tls") else { return Some(None) };
    let file = |key, example| table.need(key, read_file(&table, key, example), &format!("write {key} = {example:?}"));
    let (certificate, key) = (file("certificate", "http.pem"), file("key", "http.key"));
    table.finish();
    Some(Some(HttpTlsConfig { certificate: certificate.value()?, key: key.value()? }))
}

fn read_file(table: &TableReader<'_>, key: &'static str, example: &str) -> Field<PathBuf> {
    let path = table.text(key, example);
    table.check(key, path, |text| {
        if text.trim().is_empty() || text.contains('\0') {
            Err(Fault::new("this is not a file", format!("write for example {key} = {example:?}")))
        } else {
            Ok(PathBuf::from(text))
        }
    })
}

fn read_limits(table: &TableReader<'_>) -> Option<HttpLimits> {
    let defaults = HttpLimits::default();
    let body = table.quantity("max_body", Dimension::Size, &(1e4..=1e8), "from 0.01 MB to 100 MB");
    let connections = table.integer("max_connections", 1..=1024).or(defaults.connections as i64);
    let per_address = table.integer("max_connections_per_address", 1..=1024);
    let header =
        read_span(table, "header_timeout", defaults.header_timeout.as_secs_f64(), 1.0..=300.0, "from 1 s to 5 min");
    let request =
        read_span(table, "request_timeout", defaults.request_timeout.as_secs_f64(), 1.0..=300.0, "from 1 s to 5 min");
    let body = body.or(defaults.body_bytes as f64);
    let per_address = per_address.or(defaults.connections_per_address as i64);
    Some(HttpLimits {
        body_bytes: body? as usize,
        connections: connections? as usize,
        connections_per_address: per_address? as usize,
        header_timeout: header?,
        request_timeout: request?,
    })
}

fn read_span(
    table: &TableReader<'_>,
    key: &'static str,
    default_s: f64,
    range_s: RangeInclusive<f64>,
    bounds: &str,
) -> Option<Duration> {
    table.quantity(key, Dimension::Time, &range_s, bounds).or(default_s).map(Duration::from_secs_f64)
}

/// Reads `[access]`; the inner option is none when there is no such table.
#[allow(clippy::option_option, reason = "absent, and at fault, are two things")]
pub(super) fn read_access(root: &TableReader<'_>) -> Option<Option<AccessConfig>> {
    let table = match root.optional_table("access") {
        Field::Absent => return Some(None),
        Field::Bad => return None,
        Field::Good(table) => table.value,
    };
    let users = read_file(&table, "users", "users.toml");
    let users =
        table.need("users", users, "name the file that \"wattassay users\" keeps, for example users = \"users.toml\"");
    let idle = read_span(&table, "session_idle", DEFAULT_SESSION_IDLE_S, 60.0..=604_800.0, "from 1 min to 7 d");
    let longest =
        read_span(&table, "session_longest", DEFAULT_SESSION_LONGEST_S, 60.0..=2_592_000.0, "from 1 min to 30 d");
    table.finish();
    Some(Some(AccessConfig { users: users.value()?, session_idle: idle?, session_longest: longest? }))
}

/// Reads `[metrics]`. Tokens need users; `has_access` is none when `[access]` is at fault, which is told already.
pub(super) fn read_metrics(root: &TableReader<'_>, has_access: Option<bool>) -> Option<MetricsConfig> {
    let Some(table) = root.table("metrics") else { return Some(MetricsConfig::default()) };
    let listen = match read_listen(&table, "127.0.0.1:9185") {
        Field::Absent => Some(None),
        Field::Bad => None,
        Field::Good(listen) => Some(Some(listen.value)),
    };
    let access = table.choice("access", &[("open", MetricsAccess::Open), ("token", MetricsAccess::Token)]);
    let access = table.check("access", access, |access| {
        if access == MetricsAccess::Token && has_access == Some(false) {
            Err(Fault::new(
                "without an [access] table there are no tokens",
                "add [access] and users = \"users.toml\" to it",
            ))
        } else {
            Ok(access)
        }
    });
    table.finish();
    Some(MetricsConfig { listen: listen?, access: access.or(MetricsAccess::Open)? })
}
