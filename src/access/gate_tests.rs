//! Log-ins, tokens and changed accounts, at times given by the test.

use super::accounts::{Accounts, ApiToken, User};
use super::gate::{Credential, Gate, LoggedIn, TokenRefused};
use super::password::PasswordHash;
use super::role::Role;
use super::secret::Secret;
use super::sessions::SessionTimes;
use super::throttle::FREE_OF_USER;
use crate::reading::{Instant2, MonoMs, UnixMs};

const PASSWORD: &str = "wet well float switch";

fn at(ms: u64) -> Instant2 {
    Instant2 { wall: UnixMs(1_700_000_000_000 + ms as i64), mono: MonoMs(ms) }
}

fn accounts() -> Accounts {
    let password = PasswordHash::of(&Secret::new(PASSWORD.to_owned())).unwrap();
    Accounts { users: vec![User { name: "J. Alvarez".into(), role: Role::Engineer, password }], tokens: vec![] }
}

fn gate(accounts: Accounts) -> Gate {
    Gate::new(accounts, SessionTimes { idle_ms: 60_000, longest_ms: 600_000 }).unwrap()
}

fn log_in(gate: &mut Gate, name: &str, password: &str, ms: u64) -> Result<LoggedIn, u64> {
    let begun = gate.begin_log_in(name, "10.0.0.1".parse().unwrap(), at(ms))?;
    let fits = begun.hash.is_of(&Secret::new(password.to_owned()));
    Ok(gate.end_log_in(begun, fits, at(ms)).unwrap())
}

fn id_of(outcome: LoggedIn) -> Secret {
    let LoggedIn::Yes { id, .. } = outcome else { panic!("{outcome:?}") };
    id
}

#[test]
fn the_right_password_begins_a_session_and_nothing_else_does() {
    let mut gate = gate(accounts());
    let id = id_of(log_in(&mut gate, "J. Alvarez", PASSWORD, 0).unwrap());
    let (credential, session) = gate.session(id.reveal(), at(1)).unwrap();
    assert_eq!(session.user().principal().name, "J. Alvarez");
    assert!(
        matches!(log_in(&mut gate, "J. Alvarez", "wrong", 2), Ok(LoggedIn::WrongPassword(name)) if name == "J. Alvarez")
    );
    assert!(matches!(log_in(&mut gate, PASSWORD, "J. Alvarez", 3), Ok(LoggedIn::NoSuchUser)));
    assert!(gate.session("guess", at(4)).is_none());
    gate.log_out(&credential);
    assert!(gate.session(id.reveal(), at(5)).is_none());
}

#[test]
fn a_name_of_nobody_is_tried_on_a_hash_like_any_other() {
    let mut gate = gate(accounts());
    let address = "10.0.0.1".parse().unwrap();
    let known = gate.begin_log_in("J. Alvarez", address, at(0)).unwrap();
    let unknown = gate.begin_log_in("nobody", address, at(0)).unwrap();
    let head = |hash: &PasswordHash| hash.as_text().rsplitn(3, '$').nth(2).map(str::to_owned);
    assert_eq!(head(&known.hash), head(&unknown.hash), "the same parameters, the same work");
    // Even a hash that fitted would open nothing.
    assert!(matches!(gate.end_log_in(unknown, true, at(0)), Ok(LoggedIn::NoSuchUser)));
}

#[test]
fn guessing_is_slowed_down_alike_for_users_and_for_nobody() {
    for name in ["J. Alvarez", "nobody"] {
        let mut gate = gate(accounts());
        for _ in 0..FREE_OF_USER {
            assert!(log_in(&mut gate, name, "wrong", 0).is_ok());
        }
        assert_eq!(log_in(&mut gate, name, PASSWORD, 0).unwrap_err(), 1, "{name}");
        assert!(log_in(&mut gate, name, PASSWORD, 1000).is_ok());
    }
}

#[test]
fn an_account_that_changed_while_the_password_was_tried_does_not_get_in() {
    let mut gate = gate(accounts());
    let begun = gate.begin_log_in("J. Alvarez", "10.0.0.1".parse().unwrap(), at(0)).unwrap();
    gate.replace(Accounts::default());
    assert!(matches!(gate.end_log_in(begun, true, at(1)), Ok(LoggedIn::WrongPassword(_))));
}

#[test]
fn a_demoted_user_and_a_removed_token_are_out_at_once() {
    let (token, secret) = ApiToken::make("historian".into(), Role::Operate, Some(at(1000).wall)).unwrap();
    let mut all = accounts();
    all.tokens.push(token);
    let mut gate = gate(all.clone());
    let id = id_of(log_in(&mut gate, "J. Alvarez", PASSWORD, 0).unwrap());
    let (session, held) = gate.session(id.reveal(), at(1)).unwrap();
    let (bearer, principal) = gate.token(secret.reveal(), at(1)).unwrap();
    assert!(gate.still_holds(&session, &held.user().principal(), at(1)));
    assert!(gate.still_holds(&bearer, &principal, at(1)));
    assert_eq!(gate.token(secret.reveal(), at(1000)), Err(TokenRefused::Expired("historian".into())));
    assert!(!gate.still_holds(&bearer, &principal, at(1000)));
    assert!(matches!(bearer, Credential::Token(_)));

    all.users[0].role = Role::View;
    all.tokens[0].role = Role::View;
    let told = gate.replace(all);
    assert_eq!(told.len(), 2, "{told:?}");
    assert!(gate.session(id.reveal(), at(2)).is_none());
    assert!(!gate.still_holds(&bearer, &principal, at(2)), "demoted");
    gate.replace(accounts());
    assert_eq!(gate.token(secret.reveal(), at(3)), Err(TokenRefused::Unknown));
}
