//! What all texts for people are made of: lines, paragraphs, values in cells, counts. Knows nothing of what they say.

use crate::reading::Measured;

/// Adds a line.
pub(super) fn line(out: &mut String, text: &str) {
    out.push_str(text);
    out.push('\n');
}

/// Breaks long text at 100 columns, later lines indented under the first.
pub(super) fn paragraph(out: &mut String, lead: &str, text: &str) {
    const WIDTH: usize = 100;
    let indent = " ".repeat(lead.len());
    let mut column = lead.len();
    out.push_str(lead);
    for (n, word) in text.split_whitespace().enumerate() {
        if n > 0 && column + 1 + word.chars().count() > WIDTH {
            out.push('\n');
            out.push_str(&indent);
            column = indent.len();
        } else if n > 0 {
            out.push(' ');
            column += 1;
        }
        out.push_str(word);
        column += word.chars().count();
    }
    out.push('\n');
}

/// A measured value in multiples of `unit`; one that is not a good value of now says so.
pub(super) fn cell(value: Measured, unit: f64, decimals: usize) -> String {
    match value {
        Measured::Good(v) => number(v / unit, decimals),
        Measured::Stale(v) => format!("old {}", number(v / unit, decimals)),
        Measured::OutOfRange(v) => format!("!{}", number(v / unit, decimals)),
        Measured::NotAvailable => "blank".to_owned(),
        Measured::Failed => "no answer".to_owned(),
        Measured::NotMapped => "-".to_owned(),
    }
}

/// A number without the sign of a zero: "-0.00 kW" would look like reversed power.
fn number(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    match text.strip_prefix('-') {
        Some(digits) if digits.chars().all(|c| matches!(c, '0' | '.')) => digits.to_owned(),
        _ => text,
    }
}

/// The ending of a noun after a count.
pub fn plural<N: Copy + PartialEq + From<u8>>(count: N) -> &'static str {
    if count == N::from(1) { "" } else { "s" }
}

/// A count with its thousands set apart.
pub fn grouped(count: u64) -> String {
    let digits = count.to_string();
    let mut out = String::with_capacity(digits.len() + digits.len() / 3);
    for (n, digit) in digits.chars().enumerate() {
        if n > 0 && (digits.len() - n).is_multiple_of(3) {
            out.push(',');
        }
        out.push(digit);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn thousands_are_set_apart() {
        for (count, text) in [(0, "0"), (999, "999"), (1000, "1,000"), (1_234_567, "1,234,567")] {
            assert_eq!(grouped(count), text);
        }
    }
}
