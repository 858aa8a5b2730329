//! Lists in pages: a limit, a cursor, and the links to the neighbouring page.
//!
//! A cursor is the name of the last item seen, so that a list that changes in between skips and repeats nothing else.

use std::fmt::Write;

use axum::http::{HeaderMap, HeaderValue, header};
use serde::Serialize;
use utoipa::ToSchema;

use super::problem::Problem;

/// Items on a page unless the request says otherwise.
pub const DEFAULT_LIMIT: usize = 100;
/// Items on a page at most.
pub const LIMIT_MAX: usize = 1000;

/// A page of a list.
#[derive(Debug, Serialize, ToSchema)]
pub struct Page<T> {
    /// Items in order.
    pub items: Vec<T>,
    /// Items in the whole list.
    pub total: usize,
    /// Cursor of the next page; null at the end.
    pub next: Option<String>,
}

/// The limit of a request.
pub fn limit(asked: Option<usize>) -> Result<usize, Problem> {
    match asked {
        None => Ok(DEFAULT_LIMIT),
        Some(limit) if (1..=LIMIT_MAX).contains(&limit) => Ok(limit),
        Some(limit) => Err(Problem::bad_request(format!("limit is from 1 to {LIMIT_MAX}, not {limit}")).about("limit")),
    }
}

/// The page after the item whose key is `cursor`. `key` names an item; items are in order of these names, or the cursor is
/// looked for where it stands.
pub fn page<T>(
    all: Vec<T>,
    key: impl Fn(&T) -> String,
    cursor: Option<&str>,
    limit: usize,
) -> Result<Page<T>, Problem> {
    let total = all.len();
    let from = match cursor {
        None => 0,
        Some(cursor) => all.iter().position(|item| key(item) == cursor).map(|at| at + 1).ok_or_else(|| {
            Problem::bad_request("this cursor is none of this list; begin again without one").about("cursor")
        })?,
    };
    let items: Vec<T> = all.into_iter().skip(from).take(limit).collect();
    let next = items.last().filter(|_| from + items.len() < total).map(key);
    Ok(Page { items, total, next })
}

/// The Link header (RFC 8288) to the next page; `query` is the request's, whose cursor is replaced.
pub fn links(path: &str, query: Option<&str>, next: Option<&str>) -> HeaderMap {
    links_both(path, query, next, None)
}

/// The same to the next page and the previous one.
pub fn links_both(path: &str, query: Option<&str>, next: Option<&str>, prev: Option<&str>) -> HeaderMap {
    let mut headers = HeaderMap::new();
    let kept = query.unwrap_or_default().split('&').filter(|pair| !pair.is_empty() && !pair.starts_with("cursor="));
    let kept: String = kept.map(|pair| format!("{pair}&")).collect();
    let link = |(cursor, relation): (Option<&str>, &str)| {
        cursor.map(|cursor| format!("<{path}?{kept}cursor={}>; rel=\"{relation}\"", percent(cursor)))
    };
    let all: Vec<String> = [(next, "next"), (prev, "prev")].into_iter().filter_map(link).collect();
    if !all.is_empty()
        // Percent-encoded, so that it is always a header's text.
        && let Ok(value) = HeaderValue::from_str(&all.join(", "))
    {
        headers.insert(header::LINK, value);
    }
    headers
}

/// Text for a URL: everything but unreserved characters is encoded (RFC 3986).
pub fn percent(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for byte in text.bytes() {
        match byte {
            b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' => out.push(char::from(byte)),
            byte => {
                // Writing to a string cannot fail.
                let _ = write!(out, "%{byte:02X}");
            }
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn numbers(cursor: Option<&str>, limit: usize) -> Page<usize> {
        page((0..10).collect(), ToString::to_string, cursor, limit).unwrap()
    }

    #[test]
    fn pages_follow_each_other_to_the_end() {
        let (mut seen, mut cursor) = (Vec::new(), None);
        loop {
            let page = numbers(cursor.as_deref(), 4);
            assert_eq!(page.total, 10);
            seen.extend(page.items);
            cursor = page.next;
            if cursor.is_none() {
                break;
            }
        }
        assert_eq!(seen, (0..10).collect::<Vec<_>>());
        assert_eq!(numbers(Some("9"), 4).items.len(), 0);
        assert_eq!(numbers(None, 10).next, None);
    }

    #[test]
    fn a_foreign_cursor_and_a_foreign_limit_are_problems() {
        assert!(page(vec![1], ToString::to_string, Some("7"), 1).is_err());
        assert!(limit(Some(0)).is_err() && limit(Some(1001)).is_err());
        assert_eq!((limit(None).unwrap(), limit(Some(7)).unwrap()), (DEFAULT_LIMIT, 7));
    }

    #[test]
    fn the_link_keeps_the_question_and_moves_the_cursor() {
        let headers = links("/api/v1/stations", Some("limit=2&cursor=x"), Some("Alder Creek & Lift"));
        assert_eq!(headers[header::LINK], "</api/v1/stations?limit=2&cursor=Alder%20Creek%20%26%20Lift>; rel=\"next\"");
        assert!(links("/x", None, None).is_empty());
    }
}
