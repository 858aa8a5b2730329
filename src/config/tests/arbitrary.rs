//! Whatever the text, reading ends in a checked value or in problems that point into the text; never in a panic.

use proptest::prelude::*;

use super::*;
use crate::config::Problems;

/// Files that use most of the keys, as stock to be mutilated.
const STOCK: [&str; 6] = [
    MINIMAL,
    SMALL_MAP,
    include_str!("../../../config/example.toml"),
    include_str!("../../../config/maps/generic-full.toml"),
    include_str!("../../../config/maps/generic-totals.toml"),
    include_str!("../../../config/maps/generic-blanking.toml"),
];

/// Pieces that are likely to matter to a reader of these files.
const PIECES: [&str; 22] = [
    "\"",
    "'''",
    "[",
    "]]",
    "[[stations]]",
    "[[points]]",
    "=",
    "\n",
    "0",
    "-1",
    "99999999999999999999",
    "1e999",
    "nan",
    "true",
    "\"480 V\"",
    "\"0x\"",
    "{",
    "}",
    "1979-05-27",
    "\u{0}",
    "é",
    "reference-5",
];

/// Reads the text both ways and holds what must hold of any outcome.
fn check(text: &str, maps: &MapLibrary) -> Result<(), TestCaseError> {
    if let Err(problems) = parse("f.toml", text, maps) {
        check_problems(&problems, text)?;
    }
    match parse_map("m.toml", text) {
        Err(problems) => check_problems(&problems, text)?,
        Ok(map) => {
            for point in &map.points {
                prop_assert!(u32::from(point.address) + u32::from(point.encoding.width()) <= 65_536);
                prop_assert!(point.scale.is_finite() && point.scale != 0.0 && point.offset.is_finite());
                prop_assert!(point.target.slot < map.slots);
            }
        }
    }
    Ok(())
}

fn check_problems(problems: &Problems, text: &str) -> Result<(), TestCaseError> {
    prop_assert!(!problems.is_empty(), "an error without a problem");
    let lines = text.split('\n').count();
    for problem in problems {
        prop_assert!((1..=lines).contains(&problem.line) && problem.column >= 1);
        prop_assert!(!problem.message.is_empty() && !problem.hint.is_empty());
        let shown = problem.to_string();
        prop_assert!(!shown.chars().any(|c| c.is_control() && c != '\n'), "{shown:?}");
    }
    let places: Vec<(usize, usize)> = problems.iter().map(|problem| (problem.line, problem.column)).collect();
    prop_assert!(places.is_sorted());
    Ok(())
}

/// Cuts a piece out of the text and puts another in its place; positions are taken to character boundaries.
fn mutilated(text: &str, at: prop::sample::Index, cut: usize, piece: &str) -> String {
    let boundary = |mut at: usize| {
        while !text.is_char_boundary(at) {
            at -= 1;
        }
        at
    };
    let start = boundary(at.index(text.len() + 1));
    let end = boundary((start + cut).min(text.len())).max(start);
    format!("{}{piece}{}", &text[..start], &text[end..])
}

/// Moves a line to another place, or doubles it.
fn shuffled(text: &str, from: prop::sample::Index, to: prop::sample::Index, keep: bool) -> String {
    let mut lines: Vec<&str> = text.lines().collect();
    let from = from.index(lines.len());
    let line = if keep { lines[from] } else { lines.remove(from) };
    lines.insert(to.index(lines.len() + 1), line);
    lines.join("\n")
}

proptest! {
    #[test]
    fn any_text_is_read_or_told(text in any::<String>()) {
        check(&text, &MapLibrary::builtin())?;
    }

    #[test]
    fn text_of_pieces_is_read_or_told(picks in prop::collection::vec(0..PIECES.len(), 0..40)) {
        let text: String = picks.into_iter().map(|pick| PIECES[pick]).collect();
        check(&text, &MapLibrary::builtin())?;
    }

    #[test]
    fn a_mutilated_file_is_read_or_told(
        stock in 0..STOCK.len(),
        wounds in prop::collection::vec((any::<prop::sample::Index>(), 0..12usize, 0..PIECES.len()), 1..4),
    ) {
        let mut text = STOCK[stock].to_owned();
        for (at, cut, pick) in wounds {
            text = mutilated(&text, at, cut, PIECES[pick]);
        }
        check(&text, &MapLibrary::builtin())?;
    }

    #[test]
    fn a_file_with_lines_moved_is_read_or_told(
        stock in 0..STOCK.len(),
        moves in prop::collection::vec((any::<prop::sample::Index>(), any::<prop::sample::Index>(), any::<bool>()), 1..4),
    ) {
        let mut text = STOCK[stock].to_owned();
        for (from, to, keep) in moves {
            text = shuffled(&text, from, to, keep);
        }
        check(&text, &MapLibrary::builtin())?;
    }

    #[test]
    fn a_value_of_another_type_is_read_or_told(stock in 0..STOCK.len(), line in any::<prop::sample::Index>(), value in 0..8usize) {
        let value = ["1", "-1.5", "\"\"", "\"1 V\"", "true", "[]", "[[1, 2], {}]", "{ a = 1 }"][value];
        let mut lines: Vec<String> = STOCK[stock].lines().map(str::to_owned).collect();
        let index = line.index(lines.len());
        if let Some((key, _)) = lines[index].split_once(" = ") {
            lines[index] = format!("{key} = {value}");
        }
        check(&lines.join("\n"), &MapLibrary::builtin())?;
    }
}

#[test]
fn deep_nesting_is_told_and_not_followed_to_the_end_of_the_stack() {
    for (open, close) in [("[", "]"), ("{a=", "}")] {
        let text = format!("x = {}1{}", open.repeat(50_000), close.repeat(50_000));
        assert!(told(&text)[0].contains("not valid TOML"), "{}", told(&text)[0]);
    }
    let headers = format!("[{}x]", "a.".repeat(50_000));
    assert_ne!(told(&headers), ["no problem"]);
}
