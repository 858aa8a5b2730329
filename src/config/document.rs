//! Files to text, and text to a TOML document: the faults that come before any key is looked at.
//!
//! Must never look at keys or values.

use std::io::Read;
use std::path::Path;

use toml::Spanned;
use toml::de::DeTable;

use super::problem::{Excerpt, Problem};
use super::report::Report;

/// Larger files are refused: no real configuration comes near, and a wrong path might (a disk image, a log).
const MAX_FILE_BYTES: u64 = 8 * 1024 * 1024;

/// Syntax faults shown of one file; a missing quote can make every later line look wrong.
const MAX_SYNTAX_FAULTS: usize = 10;

/// The text of a file.
pub(super) fn read_text(path: &Path) -> Result<String, Box<Problem>> {
    let file_name = path.display().to_string();
    let fault = |message: String, hint: &str| Box::new(Problem::of_file(file_name.clone(), message, hint));
    let unreadable = |error: std::io::Error| {
        fault(format!("this file cannot be read: {error}"), "check the path and its permissions")
    };
    let file = std::fs::File::open(path).map_err(unreadable)?;
    let mut bytes = Vec::new();
    file.take(MAX_FILE_BYTES + 1).read_to_end(&mut bytes).map_err(unreadable)?;
    if bytes.len() as u64 > MAX_FILE_BYTES {
        return Err(fault(
            format!("this file is larger than {} MiB", MAX_FILE_BYTES / 1024 / 1024),
            "check the path; a configuration is a small text file",
        ));
    }
    String::from_utf8(bytes).map_err(|error| not_utf8(&file_name, error.as_bytes(), error.utf8_error().valid_up_to()))
}

fn not_utf8(file_name: &str, bytes: &[u8], valid: usize) -> Box<Problem> {
    let before = String::from_utf8_lossy(&bytes[..valid]);
    let line_text = before.rsplit('\n').next().unwrap_or_default();
    let chars = line_text.chars().count();
    Box::new(Problem {
        line: before.matches('\n').count() + 1,
        column: chars + 1,
        excerpt: Some(Excerpt::of_line(line_text, chars, 1)),
        ..Problem::of_file(
            file_name,
            format!("byte {:#04x} is not part of UTF-8 text", bytes[valid]),
            "save the file as UTF-8",
        )
    })
}

/// The document, or syntax faults in the report. Only the first fault of a line is told.
pub(super) fn parse_document<'a>(report: &Report<'_>, text: &'a str) -> Option<Spanned<DeTable<'a>>> {
    let (document, errors) = DeTable::parse_recoverable(text);
    if errors.is_empty() {
        return Some(document);
    }
    let mut lines = Vec::new();
    for error in errors {
        let span = error.span().unwrap_or(0..0);
        let line = report.line(&span);
        if lines.contains(&line) || lines.len() >= MAX_SYNTAX_FAULTS {
            continue;
        }
        lines.push(line);
        report.add(
            &span,
            "",
            format!("not valid TOML: {}", error.message()),
            "mend this first; the rest of the file is checked after that",
        );
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    fn faults(bytes: &[u8]) -> String {
        let Ok(file) = tempfile::NamedTempFile::new() else { return "no file".to_owned() };
        if std::fs::write(file.path(), bytes).is_err() {
            return "not written".to_owned();
        }
        match read_text(file.path()) {
            Ok(text) => format!("read {} bytes", text.len()),
            Err(problem) => problem.to_string().replace(&file.path().display().to_string(), "f.toml"),
        }
    }

    #[test]
    fn a_byte_outside_utf8_is_placed() {
        assert_eq!(
            faults(b"a = 1\nname = \"\xff\"\n"),
            "f.toml:2:9: byte 0xff is not part of UTF-8 text; save the file as UTF-8\n  2 | name = \"\n    |         ^"
        );
    }

    #[test]
    fn a_huge_file_is_refused() {
        assert_eq!(faults(&vec![b'#'; 8 * 1024 * 1024]), "read 8388608 bytes");
        assert!(faults(&vec![b'#'; 8 * 1024 * 1024 + 1]).contains("larger than 8 MiB"));
    }

    #[test]
    fn a_missing_file_is_named() {
        let problem =
            read_text(Path::new("/nowhere/x.toml")).err().map(|problem| problem.to_string()).unwrap_or_default();
        assert!(problem.starts_with("/nowhere/x.toml: this file cannot be read: No such file"), "{problem}");
    }
}
