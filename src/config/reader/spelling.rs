//! Words that are not known: the known word that was probably meant. It is offered in a hint; must never be taken for the word.

use super::field::Fault;
use crate::config::problem::quoted;

/// What is said of a name that nothing has.
pub(in crate::config) fn not_there<'n>(what: &str, name: &str, known: impl Iterator<Item = &'n str> + Clone) -> Fault {
    let hint = match nearest(name, known.clone()) {
        Some(near) => format!("did you mean {near:?}?"),
        None => format!("the configuration has {}", known.map(quoted).collect::<Vec<_>>().join(", ")),
    };
    Fault::new(format!("there is no {what} named {}", quoted(name)), hint)
}

/// The word of `known` nearest to `word`, when it is near enough to be a slip of the pen.
pub(in crate::config) fn nearest<'k>(word: &str, known: impl IntoIterator<Item = &'k str>) -> Option<&'k str> {
    const MAX_CHARS: usize = 64;
    if word.chars().count() > MAX_CHARS {
        return None;
    }
    let limit = (word.chars().count() / 3).max(1);
    known
        .into_iter()
        .map(|near| (edit_distance(&word.to_lowercase(), &near.to_lowercase()), near))
        .filter(|(distance, _)| *distance <= limit)
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, near)| near)
}

/// Levenshtein distance in characters.
fn edit_distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, from) in a.chars().enumerate() {
        let mut diagonal = std::mem::replace(&mut row[0], i + 1);
        for (j, to) in b.iter().enumerate() {
            let substituted = diagonal + usize::from(from != *to);
            diagonal = row[j + 1];
            row[j + 1] = substituted.min(diagonal + 1).min(row[j] + 1);
        }
    }
    row[b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn distance_is_the_number_of_slips() {
        assert_eq!(edit_distance("kitten", "sitting"), 3);
        assert_eq!(edit_distance("", "abc"), 3);
        assert_eq!(edit_distance("abc", "abc"), 0);
    }

    #[test]
    fn nearest_takes_slips_and_leaves_strangers() {
        let known = ["nominal_voltage", "name", "rotation"];
        assert_eq!(nearest("nominal_volatge", known), Some("nominal_voltage"));
        assert_eq!(nearest("Name", known), Some("name"));
        assert_eq!(nearest("colour", known), None);
        assert_eq!(nearest(&"x".repeat(10_000), known), None);
    }
}
