//! The journal in pages, the newest entry first, with its head, so that a caller can keep it and prove later that nothing
//! was cut off.

use axum::Json;
use axum::extract::{OriginalUri, State};
use axum::http::HeaderMap;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::page;
use super::problem::{Problem, Query};
use super::readers::{Readers, time, word};
use crate::journal::chain::Head;
use crate::journal::export;
use crate::journal::reader::{Cursor, Filter};
use crate::journal::{Kind, Record};

/// Which entries are wanted.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Asked {
    /// Only entries of this kind, such as transition, operator_action, diagnosis, field_check.
    kind: Option<String>,
    /// Only entries of this station.
    station: Option<String>,
    /// Only entries by this person.
    person: Option<String>,
    /// Not before, RFC 3339.
    from: Option<String>,
    /// Before, RFC 3339.
    to: Option<String>,
    /// newest (without it) or oldest: from which end to begin. A page is always newest first.
    begin: Option<String>,
    /// Entries on the page.
    #[param(minimum = 1, maximum = 1000)]
    limit: Option<usize>,
    /// `next` or `prev` of another page.
    cursor: Option<String>,
}

/// A page of the journal.
#[derive(Debug, Serialize, ToSchema)]
pub struct JournalJson {
    /// The newest first.
    items: Vec<RecordJson>,
    /// Cursor of the page of older entries; null at the beginning of the journal.
    next: Option<String>,
    /// Cursor of the page of newer entries; null where there were none.
    prev: Option<String>,
    /// The newest entry of the whole journal.
    head: HeadJson,
}

/// Place and hash of the newest entry.
#[derive(Debug, Serialize, ToSchema)]
pub struct HeadJson {
    /// 0 for an empty journal.
    sequence: i64,
    /// 64 hexadecimal digits.
    hash: String,
}

/// An entry of the journal.
#[derive(Debug, Serialize, ToSchema)]
pub struct RecordJson {
    /// Place, from 1 without gaps.
    sequence: i64,
    at: String,
    at_unix_ms: i64,
    kind: String,
    /// Empty for the whole program.
    station: String,
    /// Circuit, monitor or alarm.
    subject: String,
    /// Person; empty for what the program saw by itself.
    by: String,
    text: String,
    /// A JSON object as text, exactly as it was hashed; or empty.
    data: String,
    /// SHA-256 of this entry and, through it, of all before.
    hash: String,
}

/// The journal, the newest entry first.
#[utoipa::path(get, path = "/api/v1/journal", operation_id = "list_journal", params(Asked), tag = "journal",
    responses(
        (status = 200, body = JournalJson),
        (status = 400, body = Problem, content_type = "application/problem+json"),
        (status = 404, body = Problem, content_type = "application/problem+json")),
    extensions(("x-permission" = json!("view"))))]
pub async fn list(
    State(readers): State<Readers>,
    OriginalUri(uri): OriginalUri,
    Query(asked): Query<Asked>,
) -> Result<(HeaderMap, Json<JournalJson>), Problem> {
    let reader = readers.journal()?;
    let limit = page::limit(asked.limit)?;
    let cursor = cursor(&asked)?;
    let filter = filter(asked)?;
    let read = move || {
        let page = reader.page(&filter, cursor, limit);
        page.map_err(|error| Problem::internal("reading the journal", &error))
    };
    let mut found = readers.ask("reading the journal", read).await?;
    let upwards = matches!(cursor, Cursor::Oldest | Cursor::After(_));
    if upwards {
        found.records.reverse();
    }
    // Behind a cursor there is what it was made from.
    let older = if upwards { matches!(cursor, Cursor::After(_)) } else { found.more };
    let newer = if upwards { found.more } else { matches!(cursor, Cursor::Before(_)) };
    let next = found.records.last().filter(|_| older).map(|record| format!("before-{}", record.sequence));
    let prev = found.records.first().filter(|_| newer).map(|record| format!("after-{}", record.sequence));
    let links = page::links_both(uri.path(), uri.query(), next.as_deref(), prev.as_deref());
    let head = head_json(found.head);
    Ok((links, Json(JournalJson { items: found.records.into_iter().map(record_json).collect(), next, prev, head })))
}

fn filter(asked: Asked) -> Result<Filter, Problem> {
    let kinds = Kind::ALL.map(|kind| (kind.key(), kind));
    Ok(Filter {
        kind: asked.kind.as_deref().map(|kind| word("kind", kind, &kinds)).transpose()?,
        from_ms: time("from", asked.from.as_deref())?,
        to_ms: time("to", asked.to.as_deref())?,
        station: asked.station,
        person: asked.person,
    })
}

fn cursor(asked: &Asked) -> Result<Cursor, Problem> {
    let Some(text) = asked.cursor.as_deref() else {
        let begin = asked.begin.as_deref().unwrap_or("newest");
        return word("begin", begin, &[("newest", Cursor::Newest), ("oldest", Cursor::Oldest)]);
    };
    let place = |digits: &str| digits.parse::<i64>().ok().filter(|place| *place >= 0);
    let (before, after) = (text.strip_prefix("before-"), text.strip_prefix("after-"));
    let read = before.and_then(place).map(Cursor::Before).or_else(|| after.and_then(place).map(Cursor::After));
    read.ok_or_else(|| {
        Problem::bad_request("this is no cursor of the journal; begin again without one").about("cursor")
    })
}

fn head_json(head: Head) -> HeadJson {
    HeadJson { sequence: head.sequence, hash: head.hash.to_string() }
}

fn record_json(record: Record) -> RecordJson {
    RecordJson {
        sequence: record.sequence,
        at: export::time(record.at_unix_ms),
        at_unix_ms: record.at_unix_ms,
        kind: record.kind,
        station: record.station,
        subject: record.subject,
        by: record.by,
        text: record.text,
        data: record.data,
        hash: record.hash.to_string(),
    }
}
