//! The users file: what is read from a good one, the words for each mistake, and no line of it in any of them.

use proptest::prelude::*;

use super::*;
use crate::access::accounts::{Accounts, ApiToken, User};
use crate::access::password::PasswordHash;
use crate::access::role::Role;
use crate::access::secret::Digest;
use crate::config::{check_account_name, parse_users};
use crate::reading::UnixMs;

const HASH: &str = "$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc";
const GOOD: &str = r#"version = 1
[[users]]
name = "J. Alvarez"
role = "engineer"
password = "$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc"
[[users]]
name = "R. Osei"
role = "operate"
password = "$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc"
[[tokens]]
name = "historian"
role = "view"
sha256 = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
expires = 2027-11-25T00:00:00Z
"#;

fn told_of_users(text: &str) -> Vec<String> {
    match parse_users("u.toml", text) {
        Ok(_) => vec!["no problem".to_owned()],
        Err(problems) => problems.to_string().lines().map(str::to_owned).collect(),
    }
}

#[test]
fn a_good_file_gives_every_account() -> Result<(), Box<dyn std::error::Error>> {
    let accounts = parse_users("u.toml", GOOD)?;
    let password = PasswordHash::parse(HASH).ok_or("no hash")?;
    let user = |name: &str, role| User { name: name.into(), role, password: password.clone() };
    let token = ApiToken {
        name: "historian".into(),
        role: Role::View,
        digest: Digest::of("abc"),
        expires: Some(UnixMs(1_827_100_800_000)),
    };
    let expected = Accounts {
        users: vec![user("J. Alvarez", Role::Engineer), user("R. Osei", Role::Operate)],
        tokens: vec![token],
    };
    assert_eq!(accounts, expected);
    assert_eq!(parse_users("u.toml", &accounts.to_text())?, expected, "what is written is read back");
    assert_eq!(parse_users("u.toml", "version = 1\n")?, Accounts::default());
    Ok(())
}

#[test]
fn every_mistake_is_told_without_a_line_of_the_file() {
    let hint = "run \"wattassay users password\" and give the user's name; nobody writes this by hand";
    let no_hash = [format!("u.toml:5:12: users.password: this is not the argon2id hash of a password; {hint}")];
    let no_hash: Vec<&str> = no_hash.iter().map(String::as_str).collect();
    assert_eq!(told_of_users(&with(GOOD, HASH, "in clear text")), no_hash);
    check(
        told_of_users,
        GOOD,
        &[
            ("version = 1", "", &["u.toml:1:1: version: this key is missing; write version = 1"]),
            (
                "name = \"R. Osei\"",
                "name = \"J. Alvarez\"",
                &[
                    "u.toml:7:8: users.name: a second user named \"J. Alvarez\"; the first is at line 3; give each user its own name",
                ],
            ),
            (
                "name = \"R. Osei\"",
                "name = \"token x\"",
                &[
                    "u.toml:7:8: users.name: \"token x\" would look like a token's in the journal; take a name that does not begin with \"token \"",
                ],
            ),
            (
                "role = \"operate\"\n",
                "",
                &[
                    "u.toml:6:1: users.role: this key is missing; write role = and one of \"view\", \"field\", \"operate\", \"engineer\"",
                ],
            ),
            (
                "role = \"view\"",
                "role = \"viewer\"",
                &[
                    "u.toml:12:8: tokens.role: \"viewer\" is not a choice here; did you mean \"view\"? (choices: view, field, operate, engineer)",
                ],
            ),
            (
                "sha256 = \"ba78",
                "sha256 = \"wat_",
                &[
                    "u.toml:13:10: tokens.sha256: this is not the SHA-256 of a token; make a token with \"wattassay users token add\"; nobody writes this by hand",
                ],
            ),
            (
                "expires = 2027-11-25T00:00:00Z",
                "expires = 2027-11-25",
                &[
                    "u.toml:14:11: tokens.expires: \"2027-11-25\" is not a time with its zone; write date, time and zone, for example expires = \"2026-11-25T10:00:00Z\"",
                ],
            ),
            ("expires =", "expire =", &["u.toml:14:1: tokens.expire: this key is not known; did you mean expires?"]),
        ],
    );
}

#[test]
fn names_that_would_be_refused_are_refused_before_they_are_written() {
    assert_eq!(check_account_name("J. Alvarez"), Ok(()));
    assert_eq!(check_account_name("Zähler \"2\""), Ok(()));
    for bad in ["", " x", "token x", "a\nb", &"x".repeat(65)] {
        assert!(check_account_name(bad).is_err(), "{bad:?}");
    }
}

proptest! {
    #[test]
    fn any_text_is_read_without_a_panic_and_shows_no_line(text in "(version|\\[\\[users\\]\\]|name|role|=|\"|\n|[a-z ]){0,60}") {
        if let Err(problems) = parse_users("u.toml", &text) {
            prop_assert!(!problems.is_empty());
            prop_assert!(problems.iter().all(|problem| problem.excerpt.is_none()));
        }
    }

    #[test]
    fn whatever_name_may_be_taken_is_read_back(name in "\\PC{0,70}") {
        prop_assume!(check_account_name(&name).is_ok());
        let password = PasswordHash::parse(HASH);
        prop_assume!(password.is_some());
        let users = password.into_iter().map(|password| User { name: name.clone(), role: Role::View, password }).collect();
        let accounts = Accounts { users, tokens: vec![] };
        prop_assert_eq!(parse_users("u.toml", &accounts.to_text()).ok(), Some(accounts));
    }
}
