//! Alarms: the list, one of them, and what an operator does about it.
//!
//! Every act goes through the desk, which records it first. Who acts is who has proven it, never what the request says.

use axum::Json;
use axum::extract::{OriginalUri, State};
use axum::http::HeaderMap;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::Api;
use super::etag::{self, IfMatch};
use super::page::{self, Page};
use super::problem::{Body, Path, Problem, Query, Who};
use crate::access::role::{Permission, Principal};
use crate::alarm::machine::Act;
use crate::alarm::operator::{Operator, Refused};
use crate::alarm::set::Entry;
use crate::alarm::settings::Priority;
use crate::alarm::state::{AlarmState, Condition, Event};
use crate::alarm::words::AlarmText;
use crate::desk::ActError;
use crate::faces::json::rfc3339;
use crate::reading::UnixMs;

/// Which alarms to list.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Wanted {
    /// Only alarms in this state; `any` for all. Without it: all but those that are normal.
    state: Option<String>,
    /// Only alarms of this priority: low, medium, high, critical.
    priority: Option<String>,
    /// Only alarms of this station.
    station: Option<String>,
    /// Items on the page.
    #[param(minimum = 1, maximum = 1000)]
    limit: Option<usize>,
    /// `next` of the page before.
    cursor: Option<String>,
}

/// An alarm.
#[derive(Debug, Serialize, ToSchema)]
pub struct AlarmJson {
    /// For the paths of this API, and in what webhooks get; the same after every restart.
    id: String,
    /// For If-Match of an act on it, in quotes: changes with whatever happens to the alarm, and not with figures in its text.
    revision: String,
    /// What it is about; null for the daemon itself.
    station: Option<String>,
    /// Circuit or monitor; null for a whole station.
    part: Option<String>,
    kind: &'static str,
    /// alarm, work_order or event.
    class: &'static str,
    title: String,
    priority: &'static str,
    state: &'static str,
    /// true, false, or unknown when it cannot be told at present.
    condition: &'static str,
    chattering: bool,
    /// When its cause last came.
    active_since: Option<String>,
    /// To be read before what to do; empty when that is not at a panel.
    cautions: Vec<String>,
    headline: String,
    /// At most 140 characters, complete in itself.
    line: String,
    state_in_words: String,
    /// What is wrong, what follows, what to do; null when its cause was never told.
    story: Option<StoryJson>,
    acknowledged: Option<ActJson>,
    shelved: Option<ShelvedJson>,
    out_of_service: Option<OutOfServiceJson>,
    /// Since when rules set it aside.
    suppressed_since: Option<String>,
    /// Rules of the configuration that set it aside.
    suppressed_by: Vec<String>,
}

/// An alarm in words.
#[derive(Debug, Serialize, ToSchema)]
pub struct StoryJson {
    /// What is wrong, each probability beside its statement.
    what: String,
    means: String,
    /// Findings that it explains, or that show the same.
    seen_with_it: Vec<String>,
    action: String,
}

/// What an operator did.
#[derive(Debug, Serialize, ToSchema)]
pub struct ActJson {
    by: String,
    remark: String,
    at: String,
}

/// A shelving.
#[derive(Debug, Serialize, ToSchema)]
pub struct ShelvedJson {
    by: String,
    remark: String,
    at: String,
    until: String,
}

/// Out of service.
#[derive(Debug, Serialize, ToSchema)]
pub struct OutOfServiceJson {
    by: String,
    remark: String,
    at: String,
    /// When it returns to service by itself; null when somebody must return it.
    until: Option<String>,
}

/// What an operator says to an act.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Remark {
    /// At most 500 characters.
    #[serde(default)]
    #[schema(max_length = 500)]
    remark: String,
}

/// Why an alarm is taken out of service, and for how long.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct OutOfService {
    /// Why; at most 500 characters.
    #[schema(min_length = 1, max_length = 500)]
    remark: String,
    /// For how many minutes; without it until somebody returns it.
    #[serde(default)]
    #[schema(minimum = 1, maximum = 527_040)]
    minutes: Option<u32>,
}

/// How long to shelve, and why.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Shelve {
    /// Why; at most 500 characters.
    #[schema(min_length = 1, max_length = 500)]
    remark: String,
    /// For how many minutes; the longest shelving is the configuration's.
    #[schema(minimum = 1, maximum = 527_040)]
    minutes: u32,
}

/// Alarms, the most urgent first.
#[utoipa::path(get, path = "/api/v1/alarms", operation_id = "list_alarms", params(Wanted), tag = "alarms",
    responses((status = 200, body = Page<AlarmJson>), (status = 400, body = Problem, content_type = "application/problem+json")),
    extensions(("x-permission" = json!("view"))))]
pub async fn list(
    State(api): State<Api>,
    OriginalUri(uri): OriginalUri,
    Query(wanted): Query<Wanted>,
) -> Result<(HeaderMap, Json<Page<AlarmJson>>), Problem> {
    let limit = page::limit(wanted.limit)?;
    let state = match wanted.state.as_deref() {
        None | Some("any") => None,
        Some(word) => Some(word_of("state", word, AlarmState::ALL.map(|state| (state.key(), state)))?),
    };
    let priority = match wanted.priority.as_deref() {
        None => None,
        Some(word) => {
            let words = Priority::TARGET_SHARE.map(|(priority, _)| (priority.key(), priority));
            Some(word_of("priority", word, words)?)
        }
    };
    let list = api.desk.list();
    let mut entries: Vec<&Entry> = list
        .entries
        .iter()
        .filter(|entry| match (state, &wanted.state) {
            (Some(state), _) => entry.alarm.state() == state,
            (None, Some(_)) => true,
            (None, None) => entry.alarm.state() != AlarmState::Normal,
        })
        .filter(|entry| priority.is_none_or(|priority| entry.alarm.settings().priority == priority))
        .filter(|entry| wanted.station.as_deref().is_none_or(|name| entry.alarm.id().place.station() == Some(name)))
        .collect();
    entries.sort_by(|a, b| urgency(b).cmp(&urgency(a)).then_with(|| a.alarm.id().cmp(b.alarm.id())));
    let page = page::page(entries, |entry| entry.alarm.id().address(), wanted.cursor.as_deref(), limit)?;
    let page = Page { items: page.items.into_iter().map(alarm_json).collect(), total: page.total, next: page.next };
    Ok((page::links(uri.path(), uri.query(), page.next.as_deref()), Json(page)))
}

/// What wants an answer first, then the more urgent.
fn urgency(entry: &Entry) -> (bool, Priority) {
    (entry.alarm.state().wants_acknowledgement(), entry.alarm.settings().priority)
}

fn word_of<T: Copy, const N: usize>(parameter: &str, word: &str, words: [(&'static str, T); N]) -> Result<T, Problem> {
    words.iter().find(|(known, _)| *known == word).map(|(_, value)| *value).ok_or_else(|| {
        let known = words.map(|(known, _)| known).join(", ");
        Problem::bad_request(format!("{parameter} is one of {known}; not {word:?}")).about(parameter)
    })
}

/// One alarm.
#[utoipa::path(get, path = "/api/v1/alarms/{alarm}", operation_id = "get_alarm", tag = "alarms",
    params(("alarm" = String, Path, description = "Its id")),
    responses((status = 200, body = AlarmJson), (status = 404, body = Problem, content_type = "application/problem+json")),
    extensions(("x-permission" = json!("view"))))]
pub async fn one(State(api): State<Api>, Path(alarm): Path<String>) -> Result<Json<AlarmJson>, Problem> {
    let list = api.desk.list();
    list.entries.iter().find(|entry| entry.alarm.id().address() == alarm).map(alarm_json).map(Json).ok_or_else(unknown)
}

fn unknown() -> Problem {
    Problem::not_found("there is no alarm of this id").about("alarm")
}

macro_rules! act {
    ($(#[$doc:meta])* $name:ident, $id:literal, $path:literal, $permission:literal, $event:expr) => {
        $(#[$doc])*
        #[utoipa::path(post, path = $path, operation_id = $id, tag = "alarms", request_body = Remark,
            params(("alarm" = String, Path, description = "Its id"),
                ("If-Match" = Option<String>, Header, description = "Only if it is still as read: its `revision` in quotes, or the ETag it was read with")),
            responses(
                (status = 200, body = AlarmJson),
                (status = 404, body = Problem, content_type = "application/problem+json"),
                (status = 409, body = Problem, content_type = "application/problem+json"),
                (status = 412, description = "It has changed since it was read, perhaps by somebody else's act: nothing was done",
                    body = Problem, content_type = "application/problem+json")),
            extensions(("x-permission" = json!($permission))))]
        pub async fn $name(
            State(api): State<Api>,
            Path(alarm): Path<String>,
            Who(who): Who,
            wanted: IfMatch,
            Body(said): Body<Remark>,
        ) -> Result<Json<AlarmJson>, Problem> {
            let by = Operator::new(&who.name, &said.remark).map_err(|why| refused(&why))?;
            act(&api, &alarm, &wanted, $event(by)).await
        }
    };
}

act!(
    /// Acknowledges an alarm.
    acknowledge, "acknowledge_alarm", "/api/v1/alarms/{alarm}/acknowledge", "acknowledge", Event::Acknowledge
);
act!(
    /// Lets a latched alarm go.
    reset, "reset_alarm", "/api/v1/alarms/{alarm}/reset", "operate-alarms", Event::Reset
);
act!(
    /// Ends a shelving early.
    unshelve, "unshelve_alarm", "/api/v1/alarms/{alarm}/unshelve", "operate-alarms", Event::Unshelve
);
act!(
    /// Returns an alarm to service.
    return_to_service, "return_alarm_to_service", "/api/v1/alarms/{alarm}/return-to-service", "operate-alarms",
    Event::ReturnToService
);

/// Sets an alarm aside for a limited time; a critical one needs an engineer.
#[utoipa::path(post, path = "/api/v1/alarms/{alarm}/shelve", operation_id = "shelve_alarm", tag = "alarms", request_body = Shelve,
    params(("alarm" = String, Path, description = "Its id"),
        ("If-Match" = Option<String>, Header, description = "Only if it is still as read: its `revision` in quotes, or the ETag it was read with")),
    responses(
        (status = 200, body = AlarmJson),
        (status = 404, body = Problem, content_type = "application/problem+json"),
        (status = 409, body = Problem, content_type = "application/problem+json"),
        (status = 412, description = "It has changed since it was read, perhaps by somebody else's act: nothing was done",
            body = Problem, content_type = "application/problem+json")),
    extensions(("x-permission" = json!("operate-alarms"))))]
pub async fn shelve(
    State(api): State<Api>,
    Path(alarm): Path<String>,
    Who(who): Who,
    wanted: IfMatch,
    Body(said): Body<Shelve>,
) -> Result<Json<AlarmJson>, Problem> {
    let by = Operator::new(&who.name, &said.remark).map_err(|why| refused(&why))?;
    let (until, approved) = (in_minutes(&api, said.minutes), may_approve(&who));
    act(&api, &alarm, &wanted, Event::Shelve { by, until, approved }).await
}

/// Takes an alarm out of service for maintenance; a critical one needs an engineer.
#[utoipa::path(post, path = "/api/v1/alarms/{alarm}/out-of-service", operation_id = "take_alarm_out_of_service", tag = "alarms",
    request_body = OutOfService,
    params(("alarm" = String, Path, description = "Its id"),
        ("If-Match" = Option<String>, Header, description = "Only if it is still as read: its `revision` in quotes, or the ETag it was read with")),
    responses(
        (status = 200, body = AlarmJson),
        (status = 404, body = Problem, content_type = "application/problem+json"),
        (status = 409, body = Problem, content_type = "application/problem+json"),
        (status = 412, description = "It has changed since it was read, perhaps by somebody else's act: nothing was done",
            body = Problem, content_type = "application/problem+json")),
    extensions(("x-permission" = json!("operate-alarms"))))]
pub async fn take_out_of_service(
    State(api): State<Api>,
    Path(alarm): Path<String>,
    Who(who): Who,
    wanted: IfMatch,
    Body(said): Body<OutOfService>,
) -> Result<Json<AlarmJson>, Problem> {
    let by = Operator::new(&who.name, &said.remark).map_err(|why| refused(&why))?;
    let (until, approved) = (said.minutes.map(|minutes| in_minutes(&api, minutes)), may_approve(&who));
    act(&api, &alarm, &wanted, Event::TakeOutOfService { by, until, approved }).await
}

fn in_minutes(api: &Api, minutes: u32) -> UnixMs {
    UnixMs(api.clock.now().wall.0.saturating_add(i64::from(minutes) * 60_000))
}

/// Setting a critical alarm aside is approved by doing it: the name of somebody who may is the approval, and is recorded.
fn may_approve(who: &Principal) -> bool {
    who.role.may(Permission::SetCriticalAside)
}

async fn act(api: &Api, alarm: &str, wanted: &IfMatch, event: Event) -> Result<Json<AlarmJson>, Problem> {
    let list = api.desk.list();
    let entry = list.entries.iter().find(|entry| entry.alarm.id().address() == alarm).ok_or_else(unknown)?;
    let revision = entry.alarm.revision();
    let seen = match wanted {
        IfMatch::Absent => None,
        IfMatch::Any => Some(revision),
        IfMatch::Tags(tags) => {
            // The whole answer is as good as the revision: whoever read it has seen more.
            let whole = || serde_json::to_vec(&alarm_json(entry)).map(|body| etag::tag(&body)).unwrap_or_default();
            let known = tags.contains(&format!("\"{revision}\"")) || tags.contains(&whole());
            Some(Some(revision).filter(|_| known).ok_or_else(|| changed(entry))?)
        }
    };
    match api.desk.act(entry.alarm.id().clone(), event, seen).await {
        Ok(entry) => Ok(Json(alarm_json(&entry))),
        Err(ActError::Refused(why)) => Err(refused(&why)),
        Err(ActError::Changed(entry)) => Err(changed(&entry)),
        Err(error @ (ActError::NotRecorded(_) | ActError::Stopping)) => Err(Problem::unavailable(error.to_string())),
    }
}

/// Tells whoever comes second what the first has made of it.
fn changed(entry: &Entry) -> Problem {
    let state = AlarmText::of(entry, &rfc3339).state;
    Problem::changed(format!(
        "the alarm has changed since it was read, and nothing was done. Now: {state} Read it again."
    ))
}

fn refused(why: &Refused) -> Problem {
    let detail = why.to_string();
    match why {
        Refused::UnknownAlarm(_) => unknown(),
        Refused::WhoMissing => Problem::who_are_you(),
        Refused::NeedsApproval(_) => Problem::forbidden("needs-approval", detail),
        Refused::RemarkMissing(_) | Refused::TooLong { .. } | Refused::NotPrintable { .. } => {
            Problem::not_acceptable(detail).about("remark")
        }
        _ => Problem::conflict(detail),
    }
}

fn alarm_json(entry: &Entry) -> AlarmJson {
    let alarm = &entry.alarm;
    let text = AlarmText::of(entry, &rfc3339);
    let act =
        |act: &Act| ActJson { by: act.by.who().to_owned(), remark: act.by.remark().to_owned(), at: rfc3339(act.at) };
    AlarmJson {
        id: alarm.id().address(),
        revision: alarm.revision().to_string(),
        station: alarm.id().place.station().map(str::to_owned),
        part: alarm.id().place.part().map(str::to_owned),
        kind: alarm.id().kind.key(),
        class: alarm.id().kind.class().key(),
        title: text.title,
        priority: alarm.settings().priority.key(),
        state: alarm.state().key(),
        condition: match alarm.condition() {
            Condition::True => "true",
            Condition::False => "false",
            Condition::Unknown => "unknown",
        },
        chattering: alarm.chattering(),
        active_since: alarm.active_since().map(rfc3339),
        cautions: text.cautions,
        headline: text.headline,
        line: text.line,
        state_in_words: text.state,
        story: text.story.map(|story| StoryJson {
            action: story.action(),
            what: story.what,
            means: story.means,
            seen_with_it: story.attached,
        }),
        acknowledged: alarm.acknowledgement().map(act),
        shelved: alarm.shelving().map(|shelving| ShelvedJson {
            by: shelving.act.by.who().to_owned(),
            remark: shelving.act.by.remark().to_owned(),
            at: rfc3339(shelving.act.at),
            until: rfc3339(shelving.until),
        }),
        out_of_service: alarm.out_of_service().map(|act| OutOfServiceJson {
            by: act.by.who().to_owned(),
            remark: act.by.remark().to_owned(),
            at: rfc3339(act.at),
            until: alarm.out_of_service_until().map(rfc3339),
        }),
        suppressed_since: alarm.suppressed_since().map(rfc3339),
        suppressed_by: alarm.rules().to_vec(),
    }
}
