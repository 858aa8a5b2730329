//! `wattassay users`: who may log in, and which programs have a token. A running daemon takes every change by itself.
//!
//! Must never take a password as an argument, where every user of the machine could see it, nor show one.

use std::fmt::Write as _;
use std::io::{self, BufRead, IsTerminal, Read};
use std::path::{Path, PathBuf};

use anyhow::{Context, bail};
use clap::builder::PossibleValue;
use clap::{Args, Subcommand, ValueEnum};
use jiff::Timestamp;

use super::{ConfigFile, Exit, complain, print};
use crate::access::accounts::{Accounts, ApiToken, User};
use crate::access::password::{MAX_CHARS, PasswordHash};
use crate::access::role::Role;
use crate::access::secret::Secret;
use crate::access::store::{self, StoreError};
use crate::config;
use crate::journal::export::time;
use crate::reading::UnixMs;

#[derive(Debug, Args)]
pub(super) struct Options {
    #[command(subcommand)]
    action: Action,
}

#[derive(Debug, Subcommand)]
enum Action {
    /// Add a user; asks for the password, or takes the first line of standard input
    Add {
        /// Name, as typed to log in and as the journal gives it
        name: String,
        /// What the user may do
        #[arg(long, value_enum)]
        role: RoleWord,
        #[command(flatten)]
        config: ConfigFile,
    },
    /// List users and tokens
    List {
        #[command(flatten)]
        config: ConfigFile,
    },
    /// Give a user another password, asked for as with add; ends the user's sessions
    Password {
        /// Name of the user
        name: String,
        #[command(flatten)]
        config: ConfigFile,
    },
    /// Give a user another role; ends the user's sessions
    Role {
        /// Name of the user
        name: String,
        /// What the user may do from now on
        #[arg(value_enum)]
        role: RoleWord,
        #[command(flatten)]
        config: ConfigFile,
    },
    /// Remove a user; ends the user's sessions
    Remove {
        /// Name of the user
        name: String,
        #[command(flatten)]
        config: ConfigFile,
    },
    /// Tokens, by which programs get in
    Token {
        #[command(subcommand)]
        action: TokenAction,
    },
}

#[derive(Debug, Subcommand)]
enum TokenAction {
    /// Make a token and print it: once, it is kept nowhere
    Add {
        /// Name, as the journal gives it
        name: String,
        /// What the program may do
        #[arg(long, value_enum)]
        role: RoleWord,
        /// Until when it is good, such as 2027-11-25T00:00:00Z [default: for ever]
        #[arg(long, value_name = "TIME")]
        expires: Option<Timestamp>,
        #[command(flatten)]
        config: ConfigFile,
    },
    /// List tokens
    List {
        #[command(flatten)]
        config: ConfigFile,
    },
    /// Remove a token: it opens nothing any more
    Remove {
        /// Name of the token
        name: String,
        #[command(flatten)]
        config: ConfigFile,
    },
}

/// A role, as an argument.
#[derive(Debug, Clone, Copy)]
struct RoleWord(Role);

impl ValueEnum for RoleWord {
    fn value_variants<'a>() -> &'a [RoleWord] {
        const ALL: [RoleWord; Role::ALL.len()] = {
            let mut all = [RoleWord(Role::View); Role::ALL.len()];
            let mut n = 0;
            while n < all.len() {
                all[n] = RoleWord(Role::ALL[n]);
                n += 1;
            }
            all
        };
        &ALL
    }

    fn to_possible_value(&self) -> Option<PossibleValue> {
        Some(PossibleValue::new(self.0.key()).help(self.0.summary()))
    }
}

impl From<RoleWord> for Role {
    fn from(word: RoleWord) -> Role {
        word.0
    }
}

pub(super) fn run(options: &Options) -> anyhow::Result<Exit> {
    let text = match &options.action {
        Action::Add { name, role, config } => add(config, name, (*role).into())?,
        Action::List { config } => list(&store::read(&users_file(config)?)?),
        Action::Password { name, config } => set_password(config, name)?,
        Action::Role { name, role, config } => set_role(config, name, (*role).into())?,
        Action::Remove { name, config } => remove(config, name)?,
        Action::Token { action: TokenAction::Add { name, role, expires, config } } => {
            add_token(config, name, (*role).into(), *expires)?
        }
        Action::Token { action: TokenAction::List { config } } => list_tokens(&store::read(&users_file(config)?)?),
        Action::Token { action: TokenAction::Remove { name, config } } => remove_token(config, name)?,
    };
    print(&text)?;
    Ok(Exit::Well)
}

/// Where the configuration says users are.
fn users_file(options: &ConfigFile) -> anyhow::Result<PathBuf> {
    let config = config::load(&options.config)?;
    let access = config.access.with_context(|| {
        format!("{} has no [access] table; add [access] and users = \"users.toml\" to it", options.config.display())
    })?;
    Ok(access.users)
}

fn change<T>(path: &Path, begin: bool, by: impl FnOnce(&mut Accounts) -> anyhow::Result<T>) -> anyhow::Result<T> {
    store::change(path, begin, |accounts| by(accounts).map_err(Failed)).map_err(|failed| failed.0)
}

/// Lets both kinds of failure out of a change of the file.
struct Failed(anyhow::Error);

impl From<StoreError> for Failed {
    fn from(error: StoreError) -> Failed {
        Failed(error.into())
    }
}

fn add(options: &ConfigFile, name: &str, role: Role) -> anyhow::Result<String> {
    let path = users_file(options)?;
    fitting(name)?;
    let known = path.try_exists()? && store::read(&path)?.user(name).is_some();
    if known {
        bail!("there is a user {name} already");
    }
    let password = PasswordHash::of(&ask_password(name)?)?;
    change(&path, true, |accounts| {
        if accounts.user(name).is_some() {
            bail!("there is a user {name} already");
        }
        accounts.users.push(User { name: name.to_owned(), role, password });
        Ok(format!("user {name} added with role {role}\n"))
    })
}

fn fitting(name: &str) -> anyhow::Result<()> {
    config::check_account_name(name).map_err(|fault| anyhow::anyhow!("name {name:?}: {fault}"))
}

fn user<'a>(accounts: &'a mut Accounts, name: &str) -> anyhow::Result<&'a mut User> {
    let known = accounts.users.iter().map(|user| user.name.clone()).collect::<Vec<_>>().join(", ");
    accounts
        .users
        .iter_mut()
        .find(|user| user.name == name)
        .with_context(|| format!("no user {name}; there are: {known}"))
}

fn set_password(options: &ConfigFile, name: &str) -> anyhow::Result<String> {
    let path = users_file(options)?;
    user(&mut store::read(&path)?, name)?;
    let password = PasswordHash::of(&ask_password(name)?)?;
    change(&path, false, |accounts| {
        user(accounts, name)?.password = password;
        Ok(format!("user {name} has a new password\n"))
    })
}

fn set_role(options: &ConfigFile, name: &str, role: Role) -> anyhow::Result<String> {
    change(&users_file(options)?, false, |accounts| {
        user(accounts, name)?.role = role;
        Ok(format!("user {name} has role {role}\n"))
    })
}

fn remove(options: &ConfigFile, name: &str) -> anyhow::Result<String> {
    change(&users_file(options)?, false, |accounts| {
        user(accounts, name)?;
        accounts.users.retain(|user| user.name != name);
        Ok(format!("user {name} removed\n"))
    })
}

fn add_token(options: &ConfigFile, name: &str, role: Role, expires: Option<Timestamp>) -> anyhow::Result<String> {
    let path = users_file(options)?;
    fitting(name)?;
    let expires = expires.map(|at| UnixMs(at.as_millisecond()));
    let secret = change(&path, true, |accounts| {
        if accounts.tokens.iter().any(|token| token.name == name) {
            bail!("there is a token {name} already");
        }
        let (token, secret) = ApiToken::make(name.to_owned(), role, expires)?;
        accounts.tokens.push(token);
        Ok(secret)
    })?;
    complain(&format!(
        "token {name} added with role {role}. It is shown this once and kept nowhere; programs send it as\n\
         Authorization: Bearer TOKEN"
    ));
    Ok(format!("{}\n", secret.reveal()))
}

fn remove_token(options: &ConfigFile, name: &str) -> anyhow::Result<String> {
    change(&users_file(options)?, false, |accounts| {
        let before = accounts.tokens.len();
        accounts.tokens.retain(|token| token.name != name);
        if accounts.tokens.len() == before {
            let known: Vec<&str> = accounts.tokens.iter().map(|token| token.name.as_str()).collect();
            bail!("no token {name}; there are: {}", known.join(", "));
        }
        Ok(format!("token {name} removed\n"))
    })
}

fn list(accounts: &Accounts) -> String {
    let mut out = String::new();
    for user in &accounts.users {
        let _ = writeln!(out, "user {}: {}", user.name, user.role);
    }
    out + &list_tokens(accounts)
}

fn list_tokens(accounts: &Accounts) -> String {
    let mut out = String::new();
    for token in &accounts.tokens {
        let until = token.expires.map_or_else(String::new, |at| format!(", until {}", time(at.0)));
        let _ = writeln!(out, "token {}: {}{until}", token.name, token.role);
    }
    out
}

/// A password from a person at a terminal, twice and without showing it; else the first line of standard input.
fn ask_password(name: &str) -> anyhow::Result<Secret> {
    if io::stdin().is_terminal() {
        let first = Secret::new(rpassword::prompt_password(format!("Password for {name}: "))?);
        let second = Secret::new(rpassword::prompt_password("The same again: ")?);
        if !first.is(second.reveal()) {
            bail!("the two are not the same");
        }
        return Ok(first);
    }
    // A character has at most 4 bytes; more cannot be a password that is taken.
    let mut line = String::new();
    io::stdin().lock().take(4 * MAX_CHARS as u64 + 2).read_line(&mut line).context("the password on standard input")?;
    let length = line.trim_end_matches(['\r', '\n']).len();
    line.truncate(length);
    Ok(Secret::new(line))
}
