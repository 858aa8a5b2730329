//! The outbox: what is kept, in which order it goes, what is dropped, and what a new start finds.

use super::*;
use crate::notify::outbox_file::{FILE_NAME, OutboxError, OutboxFile, Put};
use crate::notify::planner::State;

fn message(priority: Priority, n: i64) -> Message {
    Message { priority, at_unix_ms: n, subject: format!("message {n}"), ..Message::test(UnixMs(n), "t") }
}

fn put(target: &str, queue: usize, messages: Vec<Message>) -> Put {
    Put { target: target.to_owned(), queue, messages, state: State::default() }
}

fn open(folder: &std::path::Path) -> OutboxFile {
    OutboxFile::open(folder, 7).unwrap().0
}

/// Takes everything of a target out, in order.
fn drain(outbox: &mut OutboxFile, target: &str) -> Vec<(String, String)> {
    let mut all = Vec::new();
    while let Some(waiting) = outbox.next(target, &[]).unwrap() {
        outbox.remove(target, waiting.sequence).unwrap();
        all.push((waiting.id, waiting.message.subject));
    }
    all
}

#[test]
fn urgent_messages_go_first_and_ids_stay_over_a_restart() {
    let folder = tempfile::tempdir().unwrap();
    let messages = vec![message(Priority::Low, 1), message(Priority::High, 2), message(Priority::High, 3)];
    open(folder.path()).put(&[put("t", 10, messages), put("u", 10, vec![message(Priority::Low, 4)])]).unwrap();
    let id = open(folder.path()).next("t", &[]).unwrap().unwrap().id;
    let mut outbox = open(folder.path());
    let sent = drain(&mut outbox, "t");
    assert_eq!(sent.iter().map(|(_, subject)| &subject[8..]).collect::<Vec<_>>(), ["2", "3", "1"]);
    assert_eq!(sent[0].0, id);
    assert_eq!(outbox.waiting("u").unwrap(), 1);
    // Ids are not used again, also after everything has gone.
    outbox.put(&[put("t", 10, vec![message(Priority::Low, 5)])]).unwrap();
    let next = drain(&mut outbox, "t");
    assert!(sent.iter().all(|(id, _)| *id != next[0].0), "{next:?}");
}

#[test]
fn a_message_that_waits_lets_others_by() {
    let folder = tempfile::tempdir().unwrap();
    let mut outbox = open(folder.path());
    outbox.put(&[put("t", 10, vec![message(Priority::Low, 1), message(Priority::Low, 2)])]).unwrap();
    let first = outbox.next("t", &[]).unwrap().unwrap();
    let second = outbox.next("t", &[first.sequence]).unwrap().unwrap();
    assert_eq!(second.message.subject, "message 2");
    assert_eq!(outbox.next("t", &[first.sequence, second.sequence]).unwrap(), None);
}

#[test]
fn beyond_the_bound_the_oldest_of_the_least_urgent_are_dropped_counted_and_told() {
    let folder = tempfile::tempdir().unwrap();
    let mut outbox = open(folder.path());
    let messages = [Priority::Low, Priority::High, Priority::Low, Priority::Low];
    let messages = messages.iter().zip(1..).map(|(priority, n)| message(*priority, n)).collect();
    let dropped = outbox.put(&[put("t", 2, messages), put("u", 2, vec![message(Priority::Low, 9)])]).unwrap();
    assert_eq!(dropped.into_iter().collect::<Vec<_>>(), [("t".to_owned(), 2)]);
    assert_eq!(outbox.lost("t").unwrap(), (2, 0));
    assert_eq!(outbox.expire("t", 3).unwrap(), 1);
    assert_eq!(outbox.lost("t").unwrap(), (2, 1));
    outbox.tell_lost("t", &Message::lost(UnixMs(9), 2, 1)).unwrap();
    assert_eq!(outbox.lost("t").unwrap(), (0, 0));
    let subjects: Vec<String> = drain(&mut outbox, "t").into_iter().map(|(_, subject)| subject).collect();
    assert_eq!(subjects, ["Messages were lost", "message 4"]);
}

#[test]
fn a_full_disk_takes_the_reserve_and_then_messages_are_kept_in_memory() {
    let folder = tempfile::tempdir().unwrap();
    let mut outbox = open(folder.path());
    outbox.limit_pages();
    let long = Message { text: "x".repeat(100_000), ..message(Priority::High, 1) };
    let refused = outbox.put(&[put("t", 10, vec![long.clone()])]);
    assert!(matches!(refused, Err(OutboxError::Database { .. })), "{refused:?}");
    assert!(!folder.path().join("outbox.reserve").exists());
    let waiting = outbox.next("t", &[]).unwrap().unwrap();
    assert_eq!((outbox.waiting("t").unwrap(), &waiting.message), (1, &long));
    outbox.remove("t", waiting.sequence).unwrap();
    assert_eq!(outbox.waiting("t").unwrap(), 0);
}

#[test]
fn a_second_sender_is_refused_and_garbage_is_set_aside() {
    let folder = tempfile::tempdir().unwrap();
    let held = open(folder.path());
    assert!(matches!(OutboxFile::open(folder.path(), 0), Err(OutboxError::InUse(_))));
    drop(held);
    std::fs::write(folder.path().join(FILE_NAME), vec![0x5a; 20_000]).unwrap();
    let (mut outbox, aside) = OutboxFile::open(folder.path(), 7).unwrap();
    assert!(aside.is_some_and(|aside| aside.exists()));
    outbox.put(&[put("t", 2, vec![message(Priority::Low, 1)])]).unwrap();
}

#[test]
fn targets_that_are_gone_take_their_messages_with_them() {
    let folder = tempfile::tempdir().unwrap();
    let mut outbox = open(folder.path());
    outbox.put(&[put("t", 9, vec![message(Priority::Low, 1)]), put("u", 9, vec![message(Priority::Low, 2)])]).unwrap();
    assert_eq!(outbox.keep_only(&["u".to_owned()]).unwrap(), 1);
    assert_eq!(outbox.states().unwrap().into_keys().collect::<Vec<_>>(), ["u"]);
    assert_eq!((outbox.waiting("t").unwrap(), outbox.waiting("u").unwrap()), (0, 1));
}
