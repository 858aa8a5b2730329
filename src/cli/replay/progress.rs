//! A line of progress on a terminal, and nothing elsewhere.

use std::io::{self, IsTerminal, Write};
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use crate::faces::text::grouped;

/// What the threads that read count.
#[derive(Debug, Clone, Default)]
pub(super) struct Counts {
    /// Bytes read from disk, before unpacking.
    pub(super) bytes: Arc<AtomicU64>,
    /// Lines read.
    pub(super) lines: Arc<AtomicU64>,
}

/// The line itself.
pub(super) struct Progress {
    counts: Counts,
    files: usize,
    total_bytes: u64,
    shown: bool,
    terminal: bool,
}

impl Progress {
    pub(super) fn new(files: &[PathBuf], counts: Counts) -> Progress {
        let total_bytes = files.iter().filter_map(|path| path.metadata().ok()).map(|data| data.len()).sum();
        Progress { counts, files: files.len(), total_bytes, shown: false, terminal: io::stderr().is_terminal() }
    }

    pub(super) fn show(&mut self, files_done: usize) {
        if self.terminal {
            let read = self.counts.bytes.load(Ordering::Relaxed);
            let lines = self.counts.lines.load(Ordering::Relaxed);
            let text = bar(read, self.total_bytes, lines, (files_done, self.files));
            self.shown = write!(io::stderr().lock(), "\r\x1b[K{text}").is_ok();
        }
    }

    pub(super) fn clear(&mut self) {
        if self.shown {
            let _ = write!(io::stderr().lock(), "\r\x1b[K");
        }
    }
}

fn bar(read: u64, total: u64, lines: u64, (done, files): (usize, usize)) -> String {
    const WIDTH: usize = 30;
    let share = if total == 0 { 0.0 } else { (read as f64 / total as f64).min(1.0) };
    let full = (share * WIDTH as f64) as usize;
    format!(
        "[{}{}] {:>3.0} %  {done} of {files} files done, {} lines",
        "#".repeat(full),
        ".".repeat(WIDTH - full),
        100.0 * share,
        grouped(lines)
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_bar_shows_the_share_read() {
        let shown = bar(50, 100, 1_234_567, (12, 300));
        assert_eq!(shown, "[###############...............]  50 %  12 of 300 files done, 1,234,567 lines");
        assert!(bar(7, 0, 1, (0, 1)).contains("  0 %"));
        assert!(bar(500, 100, 1, (1, 1)).contains("100 %"));
    }
}
