//! Who may do what, by route: read from the API's document, where every operation carries `x-permission`.
//!
//! The document and what is enforced cannot differ. Must never allow what the document does not mention.

use std::collections::HashMap;

use axum::http::Method;
use utoipa::openapi::OpenApi;
use utoipa::openapi::path::{Operation, PathItem};

use crate::access::role::Permission;

/// Name of the extension.
pub const X_PERMISSION: &str = "x-permission";
/// Its word for a route that is open to everybody.
pub const OPEN: &str = "none";

/// What a route asks of whoever asks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Need {
    /// Nothing.
    Open,
    /// This permission.
    Permission(Permission),
}

/// What is known of a method of a path.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Ruling {
    /// This is what it needs.
    Needs(Need),
    /// The path is known, the method is not; these are.
    OtherMethods(Vec<Method>),
    /// Nothing is known.
    NoRule,
}

/// The rules of all routes, by path as the router writes it.
#[derive(Debug, Clone, Default)]
pub struct Rules(HashMap<String, Vec<(Method, Need)>>);

impl Rules {
    /// The rules of a document. An operation without a word that is known has no rule, and so is refused to everybody.
    pub fn of(document: &OpenApi) -> Rules {
        let mut rules = Rules::default();
        for (path, method, operation) in operations(document) {
            if let Some(need) = need_of(operation) {
                rules.set(path, method, need);
            } else {
                tracing::error!("{method} {path} has no {X_PERMISSION} in the API's document and is refused");
            }
        }
        rules
    }

    /// Puts a rule in force, in place of the one there was.
    pub fn set(&mut self, path: &str, method: Method, need: Need) {
        let of_path = self.0.entry(path.to_owned()).or_default();
        of_path.retain(|(known, _)| *known != method);
        of_path.push((method, need));
    }

    /// What a method of a path needs. HEAD is GET without its body (RFC 9110, 9.3.2).
    pub fn ruling(&self, method: &Method, path: &str) -> Ruling {
        let Some(of_path) = self.0.get(path) else { return Ruling::NoRule };
        let asked = if method == Method::HEAD { &Method::GET } else { method };
        match of_path.iter().find(|(known, _)| known == asked) {
            Some((_, need)) => Ruling::Needs(*need),
            None => Ruling::OtherMethods(of_path.iter().map(|(known, _)| known.clone()).collect()),
        }
    }
}

/// Every operation of a document with its path and method.
pub fn operations(document: &OpenApi) -> Vec<(&str, Method, &Operation)> {
    let of_item = |item: &'_ PathItem| {
        [
            (Method::GET, item.get.is_some()),
            (Method::PUT, item.put.is_some()),
            (Method::POST, item.post.is_some()),
            (Method::DELETE, item.delete.is_some()),
            (Method::PATCH, item.patch.is_some()),
        ]
    };
    let mut all = Vec::new();
    for (path, item) in &document.paths.paths {
        for (method, _) in of_item(item).into_iter().filter(|(_, is_there)| *is_there) {
            if let Some(operation) = operation(item, &method) {
                all.push((path.as_str(), method, operation));
            }
        }
    }
    all
}

fn operation<'d>(item: &'d PathItem, method: &Method) -> Option<&'d Operation> {
    match *method {
        Method::GET => item.get.as_ref(),
        Method::PUT => item.put.as_ref(),
        Method::POST => item.post.as_ref(),
        Method::DELETE => item.delete.as_ref(),
        Method::PATCH => item.patch.as_ref(),
        _ => None,
    }
}

/// What an operation says it needs; none when it says nothing that is known.
pub fn need_of(operation: &Operation) -> Option<Need> {
    match operation.extensions.as_ref()?.get(X_PERMISSION)?.as_str()? {
        OPEN => Some(Need::Open),
        word => Permission::of_key(word).map(Need::Permission),
    }
}

#[cfg(test)]
mod tests {
    use utoipa::openapi::extensions::ExtensionsBuilder;
    use utoipa::openapi::path::{HttpMethod, OperationBuilder, PathItemBuilder};
    use utoipa::openapi::{InfoBuilder, OpenApiBuilder, PathsBuilder};

    use super::*;

    fn document(words: &[(&str, HttpMethod, Option<&str>)]) -> OpenApi {
        let mut paths = PathsBuilder::new();
        for (path, method, word) in words {
            let extensions = word.map(|word| ExtensionsBuilder::new().add(X_PERMISSION, word).build());
            let operation = OperationBuilder::new().extensions(extensions).build();
            paths = paths.path(*path, PathItemBuilder::new().operation(method.clone(), operation).build());
        }
        OpenApiBuilder::new().info(InfoBuilder::new().title("t").version("1").build()).paths(paths.build()).build()
    }

    #[test]
    fn what_the_document_does_not_say_has_no_rule() {
        let rules = Rules::of(&document(&[
            ("/open", HttpMethod::Get, Some("none")),
            ("/act/{alarm}", HttpMethod::Post, Some("operate-alarms")),
            ("/silent", HttpMethod::Get, None),
            ("/misspelt", HttpMethod::Get, Some("Operate-alarms")),
        ]));
        let needs = |need| Ruling::Needs(need);
        assert_eq!(rules.ruling(&Method::GET, "/open"), needs(Need::Open));
        assert_eq!(rules.ruling(&Method::HEAD, "/open"), needs(Need::Open));
        assert_eq!(rules.ruling(&Method::POST, "/act/{alarm}"), needs(Need::Permission(Permission::OperateAlarms)));
        assert_eq!(rules.ruling(&Method::GET, "/act/{alarm}"), Ruling::OtherMethods(vec![Method::POST]));
        assert_eq!(rules.ruling(&Method::OPTIONS, "/open"), Ruling::OtherMethods(vec![Method::GET]));
        for path in ["/silent", "/misspelt", "/nowhere", "/open/"] {
            assert_eq!(rules.ruling(&Method::GET, path), Ruling::NoRule, "{path}");
        }
    }

    #[test]
    fn a_rule_that_is_set_replaces_the_documents() {
        let mut rules = Rules::of(&document(&[("/metrics", HttpMethod::Get, Some("none"))]));
        rules.set("/metrics", Method::GET, Need::Permission(Permission::View));
        assert_eq!(rules.ruling(&Method::GET, "/metrics"), Ruling::Needs(Need::Permission(Permission::View)));
    }
}
