//! What a columns file says once it has been read and checked: which column is which value of which circuit.
//!
//! Plain data and the choice of a file's plan; loading from TOML is `config::columns_file`. Must never read a row.

use super::time::TimeFormat;
use crate::config::model::StationConfig;
use crate::modbus::map::Target;

/// How recorded files are to be read.
#[derive(Debug, Clone)]
pub struct Columns {
    /// How text and numbers are written.
    pub text: TextRules,
    /// Name of the column that holds the time.
    pub time_column: String,
    /// How times are written.
    pub time_format: TimeFormat,
    /// One column a value, or one row a value.
    pub layout: Layout,
    /// A gap between readings longer than this is left out of energies, ms.
    pub longest_gap_ms: u64,
    /// The configured stations, with the conventions and blanking of this columns file in their monitors' maps.
    pub stations: Vec<StationConfig>,
    /// One for each `[[files]]` table, or a single one without a pattern; never empty.
    pub plans: Vec<FilePlan>,
}

/// How text and numbers are written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TextRules {
    /// Between fields; one ASCII character.
    pub delimiter: u8,
    /// The decimal sign is a comma, not a point.
    pub decimal_comma: bool,
    /// Cells that mean "not available", compared without the blanks around them.
    pub not_available: Vec<String>,
    /// Words that say a pump runs, compared without regard to capitals.
    pub running: Vec<String>,
    /// Words that say it is stopped.
    pub stopped: Vec<String>,
    /// Lines before the line of column names.
    pub skip_lines: u64,
}

impl Default for TextRules {
    fn default() -> TextRules {
        let words = |words: &[&str]| words.iter().map(|&word| word.to_owned()).collect();
        TextRules {
            delimiter: b',',
            decimal_comma: false,
            // An empty cell holds no value in any file.
            not_available: words(&[""]),
            running: words(&["on", "run", "running", "true", "yes"]),
            stopped: words(&["off", "stop", "stopped", "false", "no"]),
            skip_lines: 0,
        }
    }
}

/// Shape of the table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Layout {
    /// A row holds one time and a value in each column.
    Wide,
    /// A row holds one time, the name of a value and the value; rows of the same time make one reading.
    Long {
        /// Column that holds the name of the value.
        tag_column: String,
        /// Column that holds the value.
        value_column: String,
        /// How long a value without a row of the same time keeps its last one, ms; 0 is not at all.
        hold_ms: u64,
    },
}

/// What the columns of a file mean.
#[derive(Debug, Clone, PartialEq)]
pub struct FilePlan {
    /// Which files it is for: a file name in which `*` stands for anything. `None` is every file.
    pub pattern: Option<String>,
    /// All values, in the order of the columns file.
    pub values: Vec<ValueColumn>,
}

/// A monitor of a station, by index.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct MonitorKey {
    /// Index into [`Columns::stations`].
    pub station: usize,
    /// Index into the station's monitors.
    pub monitor: usize,
}

/// One value: its column (or its name, in the long layout) and where it goes.
#[derive(Debug, Clone, PartialEq)]
pub struct ValueColumn {
    /// Name of the column, or of the value in the long layout.
    pub column: String,
    /// Monitor it was read from.
    pub monitor: MonitorKey,
    /// Where the value goes.
    pub target: Target,
    /// Unit as declared.
    pub unit: &'static str,
    /// Multiplier from it to the SI unit.
    pub scale: f64,
}

/// Why a file has no plan.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PlanChoiceError {
    /// No pattern fits.
    #[error("no [[files]] table of the columns file fits \"{file}\"; patterns there: {patterns}")]
    NoneFits {
        /// Name of the file.
        file: String,
        /// All patterns, for the person to compare.
        patterns: String,
    },
    /// More than one pattern fits.
    #[error("the patterns {patterns} of the columns file all fit \"{file}\"; only one may")]
    SeveralFit {
        /// Name of the file.
        file: String,
        /// The patterns that fit.
        patterns: String,
    },
}

impl Columns {
    /// The plan for a file of this name (without its folder).
    pub fn plan_for(&self, file_name: &str) -> Result<usize, PlanChoiceError> {
        let fits = |plan: &FilePlan| plan.pattern.as_deref().is_none_or(|pattern| pattern_fits(pattern, file_name));
        let patterns = |of: &mut dyn Iterator<Item = &FilePlan>| {
            of.filter_map(|plan| plan.pattern.as_deref()).map(|p| format!("\"{p}\"")).collect::<Vec<_>>().join(", ")
        };
        let mut fitting = self.plans.iter().enumerate().filter(|(_, plan)| fits(plan)).map(|(index, _)| index);
        match (fitting.next(), fitting.next()) {
            (Some(index), None) => Ok(index),
            (None, _) => Err(PlanChoiceError::NoneFits {
                file: file_name.to_owned(),
                patterns: patterns(&mut self.plans.iter()),
            }),
            (Some(_), Some(_)) => Err(PlanChoiceError::SeveralFit {
                file: file_name.to_owned(),
                patterns: patterns(&mut self.plans.iter().filter(|plan| fits(plan))),
            }),
        }
    }
}

/// Whether `name` is `pattern` with anything in place of each `*`. Linear in the name for each star.
pub fn pattern_fits(pattern: &str, name: &str) -> bool {
    let mut parts = pattern.split('*');
    let first = parts.next().unwrap_or_default();
    let Some(mut rest) = name.strip_prefix(first) else { return false };
    let mut parts: Vec<&str> = parts.collect();
    let Some(last) = parts.pop() else { return rest.is_empty() };
    for part in parts {
        let Some(at) = rest.find(part) else { return false };
        rest = &rest[at + part.len()..];
    }
    rest.ends_with(last)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn patterns_are_names_with_stars() {
        for (pattern, name, fits) in [
            ("a.csv", "a.csv", true),
            ("a.csv", "a.csv.gz", false),
            ("a.csv*", "a.csv.gz", true),
            ("alder-*.csv", "alder-2025-11.csv", true),
            ("alder-*.csv", "alder-.csv", true),
            ("alder-*.csv", "alder.csv", false),
            ("*", "", true),
            ("a*b*b", "ab", false),
            ("a*b*b", "abb", true),
            ("", "a", false),
        ] {
            assert_eq!(pattern_fits(pattern, name), fits, "{pattern} {name}");
        }
    }
}
