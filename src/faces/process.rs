//! Figures of the process itself, from /proc/self. What cannot be read is left out; nothing here may fail a scrape.

use std::fs;

/// Clock ticks a second in /proc: USER_HZ, which Linux fixes at 100 for every architecture the daemon runs on.
const TICKS_PER_S: f64 = 100.0;

/// Figures of the process.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct ProcessFigures {
    /// CPU time, user and system, s.
    pub cpu_s: Option<f64>,
    /// Resident memory, bytes.
    pub resident_bytes: Option<f64>,
    /// Virtual memory, bytes.
    pub virtual_bytes: Option<f64>,
    /// Open file descriptors.
    pub open_fds: Option<f64>,
    /// Threads.
    pub threads: Option<f64>,
    /// Start, seconds since the Unix epoch.
    pub start_s: Option<f64>,
}

/// Reads them now.
pub fn read() -> ProcessFigures {
    let text = |path: &str| fs::read_to_string(path).unwrap_or_default();
    let mut figures = parse(&text("/proc/self/stat"), &text("/proc/self/status"), &text("/proc/stat"));
    figures.open_fds = fs::read_dir("/proc/self/fd").ok().map(|entries| entries.count() as f64);
    figures
}

fn parse(stat: &str, status: &str, system: &str) -> ProcessFigures {
    // The command name may hold spaces and brackets; fields are counted from its last closing bracket.
    let fields: Vec<&str> = stat.rsplit_once(')').map_or_else(Vec::new, |(_, rest)| rest.split_whitespace().collect());
    let field = |number: usize| fields.get(number - 3)?.parse::<f64>().ok();
    let kilobytes = |key: &str| {
        let line = status.lines().find_map(|line| line.strip_prefix(key))?;
        Some(line.trim_start_matches(':').split_whitespace().next()?.parse::<f64>().ok()? * 1024.0)
    };
    let boot_s = system.lines().find_map(|line| line.strip_prefix("btime ")?.trim().parse::<f64>().ok());
    ProcessFigures {
        cpu_s: field(14).zip(field(15)).map(|(user, kernel)| (user + kernel) / TICKS_PER_S),
        resident_bytes: kilobytes("VmRSS"),
        virtual_bytes: kilobytes("VmSize"),
        open_fds: None,
        threads: field(20),
        start_s: boot_s.zip(field(22)).map(|(boot, ticks)| boot + ticks / TICKS_PER_S),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fields_are_found_behind_any_command_name() {
        let stat = "7 (a) b (c)) S 1 7 7 0 -1 4194304 100 0 0 0 250 50 0 0 20 0 5 0 1234 99999 300";
        let figures = parse(stat, "Name:\tx\nVmSize:\t  200 kB\nVmRSS:\t  100 kB\n", "cpu 1\nbtime 1000\n");
        assert_eq!(figures.cpu_s, Some(3.0));
        assert_eq!(figures.threads, Some(5.0));
        assert_eq!(figures.start_s, Some(1012.34));
        assert_eq!(figures.resident_bytes, Some(102_400.0));
        assert_eq!(figures.virtual_bytes, Some(204_800.0));
        assert_eq!(parse("", "", ""), ProcessFigures::default());
    }

    #[test]
    fn this_process_has_memory_and_threads() {
        let figures = read();
        assert!(figures.resident_bytes.unwrap() > 0.0 && figures.threads.unwrap() >= 1.0);
    }
}
