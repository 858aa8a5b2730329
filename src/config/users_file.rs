//! A users file: TOML text to checked accounts, all problems of the file at once.
//!
//! Must never show a line of the file in a problem: it may hold a hash, or a password that someone put there.

use std::path::Path;

use super::document::{parse_document, read_text};
use super::problem::{Problem, Problems, quoted};
use super::reader::{Fault, Field, TableReader};
use super::report::Report;
use super::station::{MAX_NAME_CHARS, Names};
use crate::access::accounts::{Accounts, ApiToken, TOKEN_WORD, User};
use crate::access::password::PasswordHash;
use crate::access::role::Role;
use crate::access::secret::Digest;

/// Reads and checks a users file.
pub fn load_users(path: &Path) -> Result<Accounts, Problems> {
    let text = read_text(path).map_err(|problem| Problems::new(vec![without_excerpt(*problem)]))?;
    parse_users(&path.display().to_string(), &text)
}

/// Checks the text of a users file.
pub fn parse_users(file_name: &str, text: &str) -> Result<Accounts, Problems> {
    let report = Report::new(file_name, text);
    let document = parse_document(&report, text);
    let accounts = document.as_ref().and_then(|document| {
        let root = TableReader::new(&report, "", 0..0, document.get_ref());
        let version = root.integer("version", 1..=1);
        root.need("version", version, "write version = 1");
        let (users, tokens) = (read_users(&root), read_tokens(&root));
        root.finish();
        Some(Accounts { users: users?, tokens: tokens? })
    });
    match accounts {
        Some(accounts) if report.is_clean() => Ok(accounts),
        _ => Err(Problems::new(report.into_problems().into_iter().map(without_excerpt).collect())),
    }
}

/// Whether a name may be a user's or a token's; as the file, so the command that writes it.
pub fn check_account_name(name: &str) -> Result<(), String> {
    // The reader's own rules, by way of a file with nothing else in it.
    let text = format!("name = {}\n", toml::Value::from(name));
    let report = Report::new("", &text);
    if let Some(document) = parse_document(&report, &text) {
        let table = TableReader::new(&report, "", 0..0, document.get_ref());
        read_name(&table, "J. Alvarez");
    }
    report.into_problems().into_iter().next().map_or(Ok(()), |problem| Err(problem.message))
}

fn without_excerpt(problem: Problem) -> Problem {
    Problem { excerpt: None, ..problem }
}

fn read_name(table: &TableReader<'_>, example: &str) -> Field<String> {
    let name = table.name("name", MAX_NAME_CHARS, example);
    table.check("name", name, |name| {
        if name.starts_with(TOKEN_WORD) {
            let fault = format!("{} would look like a token's in the journal", quoted(&name));
            Err(Fault::new(fault, format!("take a name that does not begin with {TOKEN_WORD:?}")))
        } else {
            Ok(name)
        }
    })
}

fn read_role(table: &TableReader<'_>) -> Field<Role> {
    let roles = Role::ALL.map(|role| (role.key(), role));
    let hint = format!("write role = and one of {}", Role::ALL.map(|role| quoted(role.key())).join(", "));
    table.need("role", table.choice("role", &roles), &hint)
}

fn read_users(root: &TableReader<'_>) -> Option<Vec<User>> {
    let tables = match root.tables("users") {
        Field::Absent => return Some(Vec::new()),
        Field::Bad => return None,
        Field::Good(tables) => tables.value,
    };
    let mut names = Names::new("user");
    let all: Vec<_> = tables.into_iter().map(|table| read_user(table, &mut names)).collect();
    all.into_iter().collect()
}

fn read_user(table: TableReader<'_>, names: &mut Names) -> Option<User> {
    let name = table.need("name", read_name(&table, "J. Alvarez"), "name the user, for example name = \"J. Alvarez\"");
    let name = names.take(&table, name);
    let role = read_role(&table);
    let hint = "run \"wattassay users password\" and give the user's name; nobody writes this by hand";
    let password = table.need("password", table.text("password", "$argon2id$..."), hint);
    let password = table.check("password", password, |text| {
        PasswordHash::parse(text).ok_or_else(|| Fault::new("this is not the argon2id hash of a password", hint))
    });
    table.finish();
    Some(User { name: name?, role: role.value()?, password: password.value()? })
}

fn read_tokens(root: &TableReader<'_>) -> Option<Vec<ApiToken>> {
    let tables = match root.tables("tokens") {
        Field::Absent => return Some(Vec::new()),
        Field::Bad => return None,
        Field::Good(tables) => tables.value,
    };
    let mut names = Names::new("token");
    let all: Vec<_> = tables.into_iter().map(|table| read_token(table, &mut names)).collect();
    all.into_iter().collect()
}

fn read_token(table: TableReader<'_>, names: &mut Names) -> Option<ApiToken> {
    let name = table.need("name", read_name(&table, "historian"), "name the token, for example name = \"historian\"");
    let name = names.take(&table, name);
    let role = read_role(&table);
    let hint = "make a token with \"wattassay users token add\"; nobody writes this by hand";
    let digest = table.need("sha256", table.text("sha256", "64 digits"), hint);
    let digest = table.check("sha256", digest, |text| {
        Digest::parse(text).ok_or_else(|| Fault::new("this is not the SHA-256 of a token", hint))
    });
    let expires = match table.time("expires") {
        Field::Absent => Some(None),
        Field::Bad => None,
        Field::Good(time) => Some(Some(time.value)),
    };
    table.finish();
    Some(ApiToken { name: name?, role: role.value()?, digest: digest.value()?, expires: expires? })
}
