//! One file's text with the problems found in it so far: turns byte spans into line, column and excerpt.
//!
//! Must never decide what is right; readers do that and only report here.

use std::cell::RefCell;
use std::ops::Range;

use super::problem::{Excerpt, Problem, Warning, by_place};

/// A range of bytes of the text.
pub(super) type Span = Range<usize>;

/// Collects the problems of one file. Shared by all readers of that file, hence the cell.
pub(super) struct Report<'a> {
    file: &'a str,
    text: &'a str,
    line_starts: Vec<usize>,
    problems: RefCell<Vec<Problem>>,
    warnings: RefCell<Vec<Warning>>,
}

impl<'a> Report<'a> {
    pub(super) fn new(file: &'a str, text: &'a str) -> Report<'a> {
        let line_starts = std::iter::once(0).chain(text.match_indices('\n').map(|(at, _)| at + 1)).collect();
        Report { file, text, line_starts, problems: RefCell::default(), warnings: RefCell::default() }
    }

    /// Adds a problem at a place of the text.
    pub(super) fn add(&self, span: &Span, key: impl Into<String>, message: impl Into<String>, hint: impl Into<String>) {
        let problem = self.problem(span, key.into(), message.into(), hint.into());
        self.problems.borrow_mut().push(problem);
    }

    /// Adds a warning at a place of the text. It refuses nothing.
    pub(super) fn warn(
        &self,
        span: &Span,
        key: impl Into<String>,
        message: impl Into<String>,
        hint: impl Into<String>,
    ) {
        let problem = self.problem(span, key.into(), message.into(), hint.into());
        self.warnings.borrow_mut().push(Warning(problem));
    }

    fn problem(&self, span: &Span, key: String, message: String, hint: String) -> Problem {
        let start = self.boundary(span.start);
        let end = self.boundary(span.end.max(start));
        let index = self.line_index(start);
        let line_start = self.line_starts[index];
        let line_end = self.line_starts.get(index + 1).map_or(self.text.len(), |next| next - 1);
        let line = self.text[line_start..line_end.max(start)].trim_end_matches('\r');
        let before = self.text[line_start..start].chars().count();
        let marked = self.text[start..end.min(line_end).max(start)].chars().count();
        Problem {
            file: self.file.to_owned(),
            line: index + 1,
            column: before + 1,
            key,
            message,
            hint,
            excerpt: Some(Excerpt::of_line(line, before, marked)),
        }
    }

    /// Number of the line at a byte, from 1, to point at another place in a message.
    pub(super) fn line(&self, span: &Span) -> usize {
        self.line_index(self.boundary(span.start)) + 1
    }

    pub(super) fn is_clean(&self) -> bool {
        self.problems.borrow().is_empty()
    }

    /// The warnings so far, in order of place.
    pub(super) fn take_warnings(&self) -> Vec<Warning> {
        let mut warnings = self.warnings.take();
        warnings.sort_by(|a, b| by_place(&a.0, &b.0));
        warnings
    }

    pub(super) fn into_problems(self) -> Vec<Problem> {
        self.problems.into_inner()
    }

    fn line_index(&self, at: usize) -> usize {
        self.line_starts.partition_point(|start| *start <= at).saturating_sub(1)
    }

    /// The nearest character boundary at or before `at`, so that no span can cut a character.
    fn boundary(&self, at: usize) -> usize {
        let at = at.min(self.text.len());
        (0..=at).rev().find(|at| self.text.is_char_boundary(*at)).unwrap_or(0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn place(text: &str, span: Span) -> (usize, usize, String) {
        let report = Report::new("f", text);
        report.add(&span, "", "m", "h");
        let problem = report.into_problems().remove(0);
        let excerpt = problem.excerpt.unwrap_or(Excerpt { text: String::new(), indent: 0, carets: 0 });
        (problem.line, problem.column, excerpt.text.chars().skip(excerpt.indent).take(excerpt.carets).collect())
    }

    #[test]
    fn places_are_counted_in_lines_and_characters() {
        let text = "é = 1\r\nbé = 22\n";
        assert_eq!(place(text, 0..2), (1, 1, "é".to_owned()));
        let at = text.find("22").unwrap_or(0);
        assert_eq!(place(text, at..at + 2), (2, 6, "22".to_owned()));
    }

    #[test]
    fn odd_spans_are_taken_to_the_nearest_place() {
        assert_eq!(place("", 0..0), (1, 1, String::new()));
        assert_eq!(place("é", 1..1).0, 1);
        assert_eq!(place("a\nb", 99..200), (2, 2, String::new()));
        assert_eq!(place("ab\ncd", 1..5), (1, 2, "b".to_owned()));
    }
}
