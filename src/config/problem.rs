//! What is wrong with a configuration, told so that a person can mend it: place, key, fault and the right writing.
//!
//! Plain data and its rendering. Must never read a file, and must never print a control character from one.

use std::fmt;

/// One fault of one file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// File as named on the command line, or the built-in map's name.
    pub file: String,
    /// Line, from 1; 0 when the fault is the whole file's.
    pub line: usize,
    /// Column in characters, from 1; 0 when the fault is the whole file's.
    pub column: usize,
    /// Dotted key ("stations.monitors.unit"); empty when there is none.
    pub key: String,
    /// What is wrong, without a final full stop.
    pub message: String,
    /// What would be right, without a final full stop.
    pub hint: String,
    /// The line of the file, to show with a caret below the fault.
    pub excerpt: Option<Excerpt>,
}

/// A line of the file and the part of it that is at fault.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Excerpt {
    /// The line (or a part of a long one), safe to print.
    pub text: String,
    /// Characters before the caret.
    pub indent: usize,
    /// Carets, at least one.
    pub carets: usize,
}

impl Excerpt {
    /// Longest piece of a line that is shown.
    const MAX_CHARS: usize = 100;

    /// Cuts the excerpt out of `line`, marking `len` characters after the first `start`.
    pub fn of_line(line: &str, start: usize, len: usize) -> Excerpt {
        let skip = start.saturating_sub(Self::MAX_CHARS / 2);
        let text: String = line
            .chars()
            .skip(skip)
            .take(Self::MAX_CHARS)
            .map(|c| if c.is_control() { ' ' } else { c })
            .collect::<String>()
            .trim_end()
            .to_owned();
        let indent = start - skip;
        let room = text.chars().count().saturating_sub(indent);
        Excerpt { text, indent, carets: len.min(room).max(1) }
    }
}

impl Problem {
    /// A fault of a whole file.
    pub fn of_file(file: impl Into<String>, message: impl Into<String>, hint: impl Into<String>) -> Problem {
        Problem {
            file: file.into(),
            line: 0,
            column: 0,
            key: String::new(),
            message: message.into(),
            hint: hint.into(),
            excerpt: None,
        }
    }
}

/// What a configuration says and can hardly mean. It refuses nothing: the configuration is used as written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Warning(pub Problem);

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.write(f, "")
    }
}

impl fmt::Display for Warning {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.write(f, ": warning")
    }
}

impl Problem {
    /// Place, `mark`, key, fault, hint and excerpt, in this order.
    fn write(&self, f: &mut fmt::Formatter<'_>, mark: &str) -> fmt::Result {
        write!(f, "{}", self.file)?;
        if self.line > 0 {
            write!(f, ":{}:{}", self.line, self.column)?;
        }
        f.write_str(mark)?;
        if !self.key.is_empty() {
            write!(f, ": {}", self.key)?;
        }
        write!(f, ": {}", self.message)?;
        if !self.hint.is_empty() {
            write!(f, "; {}", self.hint)?;
        }
        if let Some(excerpt) = &self.excerpt {
            let number = self.line.to_string();
            let margin = " ".repeat(number.len());
            write!(f, "\n  {number} | {}", excerpt.text)?;
            write!(f, "\n  {margin} | {}{}", " ".repeat(excerpt.indent), "^".repeat(excerpt.carets))?;
        }
        Ok(())
    }
}

/// All faults found, ordered by file, line and column. Never empty when it is returned as an error.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Problems {
    list: Vec<Problem>,
}

impl Problems {
    /// Sorts the faults by place; faults of one place keep the order in which they were found.
    pub fn new(mut list: Vec<Problem>) -> Problems {
        list.sort_by(by_place);
        Problems { list }
    }

    /// The faults in order of place.
    pub fn iter(&self) -> std::slice::Iter<'_, Problem> {
        self.list.iter()
    }

    /// How many there are.
    pub fn len(&self) -> usize {
        self.list.len()
    }

    /// True when nothing is wrong.
    pub fn is_empty(&self) -> bool {
        self.list.is_empty()
    }

    /// Gives the faults away.
    pub fn into_vec(self) -> Vec<Problem> {
        self.list
    }
}

impl<'a> IntoIterator for &'a Problems {
    type Item = &'a Problem;
    type IntoIter = std::slice::Iter<'a, Problem>;

    fn into_iter(self) -> Self::IntoIter {
        self.iter()
    }
}

impl fmt::Display for Problems {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, problem) in self.list.iter().enumerate() {
            if index > 0 {
                writeln!(f)?;
            }
            write!(f, "{problem}")?;
        }
        Ok(())
    }
}

impl std::error::Error for Problems {}

/// Orders problems by file, line and column.
pub(super) fn by_place(a: &Problem, b: &Problem) -> std::cmp::Ordering {
    (&a.file, a.line, a.column).cmp(&(&b.file, b.line, b.column))
}

/// Text of a file in quotes for a message: escaped, and cut when long.
pub(super) fn quoted(text: &str) -> String {
    const MAX_CHARS: usize = 60;
    if text.chars().count() <= MAX_CHARS {
        return format!("{text:?}");
    }
    let head: String = text.chars().take(MAX_CHARS).collect();
    format!("{:?}", format!("{head}…"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn renders_place_key_fault_hint_and_caret() {
        let problem = Problem {
            file: "a.toml".into(),
            line: 12,
            column: 19,
            key: "stations.nominal_voltage".into(),
            message: "480 has no unit".into(),
            hint: "write \"480 V\"".into(),
            excerpt: Some(Excerpt::of_line("nominal_voltage = 480", 18, 3)),
        };
        assert_eq!(
            problem.to_string(),
            "a.toml:12:19: stations.nominal_voltage: 480 has no unit; write \"480 V\"\n  \
             12 | nominal_voltage = 480\n     |                   ^^^"
        );
    }

    #[test]
    fn a_warning_has_the_layout_of_a_problem_and_says_that_it_is_one() {
        let problem = Problem { line: 3, column: 1, key: "a.b".into(), ..Problem::of_file("a.toml", "odd", "mend it") };
        assert_eq!(Warning(problem).to_string(), "a.toml:3:1: warning: a.b: odd; mend it");
    }

    #[test]
    fn a_fault_of_the_whole_file_has_no_place() {
        assert_eq!(
            Problem::of_file("a.toml", "cannot be read", "check it").to_string(),
            "a.toml: cannot be read; check it"
        );
    }

    #[test]
    fn excerpt_is_short_and_free_of_control_characters() {
        let line = format!("{}\u{1b}[31mBAD{}", "x".repeat(300), "y".repeat(300));
        let excerpt = Excerpt::of_line(&line, 305, 3);
        assert!(excerpt.text.chars().count() <= Excerpt::MAX_CHARS);
        assert!(!excerpt.text.contains('\u{1b}'));
        let marked: String = excerpt.text.chars().skip(excerpt.indent).take(excerpt.carets).collect();
        assert_eq!(marked, "BAD");
    }

    #[test]
    fn caret_survives_a_place_past_the_end_of_the_line() {
        assert_eq!(Excerpt::of_line("ab", 2, 0), Excerpt { text: "ab".into(), indent: 2, carets: 1 });
    }

    #[test]
    fn long_text_is_cut_in_messages() {
        assert_eq!(quoted("a\"b"), "\"a\\\"b\"");
        assert!(quoted(&"é".repeat(1000)).chars().count() < 70);
    }
}
