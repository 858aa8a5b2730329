//! The draft as TOML, with a mark at every guess.

use std::fmt::Write;

use super::place::{Line, Placed, Written};
use super::table::{Table, Times};
use super::{For, Layout};
use crate::config::quantity_word;
use crate::modbus::map::{Channel, Quantity};

/// Longest name of a column.
const LONGEST_NAME: usize = 200;
/// Words for "not available" that are listed.
const WORDS: usize = 12;

/// Whether a columns file can hold a name.
pub(super) fn is_name(name: &str) -> bool {
    !name.is_empty()
        && name.trim() == name
        && !name.chars().any(char::is_control)
        && name.chars().count() <= LONGEST_NAME
        // Bytes that are no text came as this.
        && !name.contains('\u{fffd}')
}

/// A text as TOML writes it.
fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}

/// A text within a comment: nothing that could end it.
fn comment(text: &str) -> String {
    let mut shown: String = text.chars().take(LONGEST_NAME).map(|c| if c.is_control() { ' ' } else { c }).collect();
    if text.chars().count() > LONGEST_NAME {
        shown.push_str("...");
    }
    shown
}

/// The whole draft.
pub(super) fn text(
    table: &Table,
    time: usize,
    times: &Times,
    layout: &Layout,
    placed: &[Placed],
    of: &For<'_>,
) -> String {
    let live = placed.iter().filter(|placed| placed.is_live()).count();
    let mut out = format!(
        "# Draft of a columns file for {}, made from its heading and first {} row{}.\n\
         # CHECK EACH LINE: all of this is guessed from names and a few values. A guess is marked CHECK, with what it rests on.\n\
         # {live} of {} {} placed. Then: wattassay replay --config stations.toml --columns THIS_FILE {}\n\nversion = 1\n",
        comment(of.file),
        table.rows.len(),
        if table.rows.len() == 1 { "" } else { "s" },
        placed.len(),
        if matches!(layout, Layout::Wide) { "columns" } else { "tags" },
        comment(of.file),
    );
    head(&mut out, table, time, layout, of, placed);
    let _ = writeln!(out, "\n[timestamp]");
    let _ = writeln!(out, "column = {:<30} # CHECK: by its name and values", quoted(&table.names[time]));
    let first = table.column(time).find(|cell| !cell.is_empty()).unwrap_or("");
    let or = times.or.map_or(String::new(), |or| format!("; could be {or}"));
    let _ = writeln!(out, "format = {:<30} # CHECK: first value {}{or}", quoted(times.format), comment(&quoted(first)));
    if times.needs_zone {
        let _ = writeln!(
            out,
            "zone = {:<32} # CHECK: the file does not say its time zone; for example \"America/New_York\"",
            quoted("UTC")
        );
    }
    if let Layout::Long { tag, value, hold_ms } = layout {
        let _ = writeln!(out, "\n[long]");
        let _ = writeln!(out, "tag_column = {:<26} # CHECK: by its name", quoted(&table.names[*tag]));
        let _ = writeln!(out, "value_column = {:<24} # CHECK: by its name", quoted(&table.names[*value]));
        match hold_ms {
            Some(ms) => {
                let _ = writeln!(
                    out,
                    "hold = {:<32} # CHECK: tags have rows at times of their own; this bridges the steps found",
                    quoted(&format!("{} s", ms.div_ceil(1000)))
                );
            }
            None => {
                out.push_str("# hold = \"10 s\"  # not needed by the rows seen: every time has a row of every tag\n");
            }
        }
    }
    for placed in placed {
        column(&mut out, placed);
    }
    unplaced(&mut out, placed);
    out
}

fn head(out: &mut String, table: &Table, time: usize, layout: &Layout, of: &For<'_>, placed: &[Placed]) {
    let delimiter = if table.delimiter == b'\t' { "tab".to_owned() } else { char::from(table.delimiter).to_string() };
    let _ = writeln!(out, "delimiter = {:<27} # CHECK: what gives as many cells in every row", quoted(&delimiter));
    let _ = writeln!(
        out,
        "decimal_mark = {:<24} # CHECK: by the first values",
        quoted(if table.decimal_comma { "," } else { "." })
    );
    if table.skip_lines > 0 {
        let _ = writeln!(out, "skip_lines = {:<26} # CHECK: lines before the heading", table.skip_lines);
    }
    let words = not_available(table, time, layout, placed);
    let list: Vec<String> = std::iter::once("\"\"".to_owned()).chain(words.iter().map(|w| quoted(w))).collect();
    let mark = if words.is_empty() { "" } else { " # CHECK: texts found where numbers should be" };
    let _ = writeln!(out, "not_available = [{}]{mark}", list.join(", "));
    match of.station {
        Some(station) => {
            let _ = writeln!(out, "station = {}", quoted(station));
        }
        None if of.circuits.is_empty() => {
            out.push_str("# station = \"...\"  # where the configuration has more than one\n# circuit = \"...\"  # where the station has more than one\n");
        }
        None => {}
    }
}

/// Texts in columns of numbers, in order of their first place.
fn not_available(table: &Table, time: usize, layout: &Layout, placed: &[Placed]) -> Vec<String> {
    let numeric = |name: &str| {
        placed.iter().any(|placed| {
            placed.name == name
                && matches!(&placed.line, Line::Live(written) if written.quantity != Quantity::RunStatus)
        })
    };
    let columns: Vec<usize> = match layout {
        Layout::Wide => (0..table.names.len()).filter(|n| *n != time && numeric(&table.names[*n])).collect(),
        Layout::Long { value, .. } => vec![*value],
    };
    let mut words: Vec<String> = Vec::new();
    for row in &table.rows {
        if let Layout::Long { tag, .. } = layout
            && !row.get(*tag).is_some_and(|tag| numeric(tag))
        {
            continue;
        }
        for cell in columns.iter().filter_map(|n| row.get(*n)) {
            let text = !cell.is_empty()
                && crate::replay::cells::number(cell.as_bytes(), table.decimal_comma).is_none()
                && !cell.bytes().any(|b| b.is_ascii_digit());
            if text && is_name(cell) && cell.chars().count() <= 20 && words.len() < WORDS && !words.contains(cell) {
                words.push(cell.clone());
            }
        }
    }
    words
}

fn channel_word(quantity: Quantity, channel: Channel) -> &'static str {
    match (channel, quantity == Quantity::VoltageLl) {
        (Channel::Total, _) => "total",
        (Channel::One, false) => "1",
        (Channel::Two, false) => "2",
        (Channel::Three, false) => "3",
        (Channel::One, true) => "12",
        (Channel::Two, true) => "23",
        (Channel::Three, true) => "31",
    }
}

fn column(out: &mut String, placed: &Placed) {
    let (written, off) = match &placed.line {
        Line::Live(written) => (written, None),
        Line::Off(written, why) => (written, Some(why)),
        Line::Unplaced(_) => return,
    };
    let lead = if off.is_some() { "# " } else { "" };
    out.push('\n');
    if let Some(why) = off {
        let _ = writeln!(out, "# LEFT OUT, {}", comment(why));
    }
    let Written { quantity, channel, unit, circuit, notes } = written;
    let notes = notes.iter().map(|note| comment(note)).collect::<Vec<_>>().join("; ");
    let notes = if notes.is_empty() { "by the name".to_owned() } else { format!("by the name; {notes}") };
    let _ = writeln!(out, "{lead}[[columns]] # CHECK: {notes}");
    let _ = writeln!(out, "{lead}column = {}", quoted(&placed.name));
    let _ = writeln!(out, "{lead}quantity = {}", quoted(quantity_word(*quantity)));
    let _ = writeln!(out, "{lead}channel = {}", quoted(channel_word(*quantity, *channel)));
    if let Some(unit) = unit {
        let _ = writeln!(out, "{lead}unit = {}", quoted(unit));
    }
    if let Some(circuit) = circuit {
        let _ = writeln!(out, "{lead}circuit = {}", quoted(circuit));
    }
}

fn unplaced(out: &mut String, placed: &[Placed]) {
    let mut left = placed.iter().filter_map(|placed| match &placed.line {
        Line::Unplaced(why) => Some((&placed.name, why)),
        _ => None,
    });
    let Some(first) = left.next() else { return };
    out.push_str("\n# Not placed:\n");
    for (name, why) in std::iter::once(first).chain(left) {
        let _ = writeln!(out, "# column = {:<30} # {}", comment(&quoted(name)), comment(why));
    }
}
