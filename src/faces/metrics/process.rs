//! Figures of the process itself, from /proc/self, written by the client library. What cannot be read is left out.

use std::fs;

use prometheus::core::Collector;
use prometheus::{Counter, Gauge, Registry, TextEncoder};

/// Clock ticks a second in /proc: USER_HZ, which Linux fixes at 100 for every architecture the daemon runs on.
const TICKS_PER_S: f64 = 100.0;

/// The figures of now, as a part of the page.
pub fn text() -> Result<String, prometheus::Error> {
    written(&read())
}

fn written(figures: &Figures) -> Result<String, prometheus::Error> {
    let registry = Registry::new();
    let register = |collector: Box<dyn Collector>| registry.register(collector);
    if let Some(cpu_s) = figures.cpu_s {
        let cpu = Counter::new("process_cpu_seconds_total", "CPU time of the daemon, user and system.")?;
        cpu.inc_by(cpu_s);
        register(Box::new(cpu))?;
    }
    let gauges = [
        ("process_resident_memory_bytes", "Resident memory of the daemon.", figures.resident_bytes),
        ("process_virtual_memory_bytes", "Virtual memory of the daemon.", figures.virtual_bytes),
        ("process_open_fds", "Open file descriptors of the daemon.", figures.open_fds),
        ("process_threads", "Threads of the daemon.", figures.threads),
        ("process_start_time_seconds", "Start of the daemon, seconds since the Unix epoch.", figures.start_s),
    ];
    for (name, help, value) in gauges {
        if let Some(value) = value {
            let gauge = Gauge::new(name, help)?;
            gauge.set(value);
            register(Box::new(gauge))?;
        }
    }
    TextEncoder::new().encode_to_string(&registry.gather())
}

#[derive(Debug, Clone, Copy, Default, PartialEq)]
struct Figures {
    /// CPU time, user and system, s.
    cpu_s: Option<f64>,
    /// Resident memory, bytes.
    resident_bytes: Option<f64>,
    /// Virtual memory, bytes.
    virtual_bytes: Option<f64>,
    /// Open file descriptors.
    open_fds: Option<f64>,
    /// Threads.
    threads: Option<f64>,
    /// Start, seconds since the Unix epoch.
    start_s: Option<f64>,
}

fn read() -> Figures {
    let text = |path: &str| fs::read_to_string(path).unwrap_or_default();
    let mut figures = parse(&text("/proc/self/stat"), &text("/proc/self/status"), &text("/proc/stat"));
    figures.open_fds = fs::read_dir("/proc/self/fd").ok().map(|entries| entries.count() as f64);
    figures
}

fn parse(stat: &str, status: &str, system: &str) -> Figures {
    // The command name may hold spaces and brackets; fields are counted from its last closing bracket.
    let fields: Vec<&str> = stat.rsplit_once(')').map_or_else(Vec::new, |(_, rest)| rest.split_whitespace().collect());
    let field = |number: usize| fields.get(number - 3)?.parse::<f64>().ok();
    let kilobytes = |key: &str| {
        let line = status.lines().find_map(|line| line.strip_prefix(key))?;
        Some(line.trim_start_matches(':').split_whitespace().next()?.parse::<f64>().ok()? * 1024.0)
    };
    let boot_s = system.lines().find_map(|line| line.strip_prefix("btime ")?.trim().parse::<f64>().ok());
    Figures {
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
        assert_eq!(parse("", "", ""), Figures::default());
    }

    #[test]
    fn what_is_known_is_written_and_the_rest_is_left_out() {
        let figures = Figures { cpu_s: Some(1.5), threads: Some(3.0), ..Figures::default() };
        let expected = concat!(
            "# HELP process_cpu_seconds_total CPU time of the daemon, user and system.\n",
            "# TYPE process_cpu_seconds_total counter\nprocess_cpu_seconds_total 1.5\n",
            "# HELP process_threads Threads of the daemon.\n# TYPE process_threads gauge\nprocess_threads 3\n",
        );
        assert_eq!(written(&figures).unwrap(), expected);
    }

    #[test]
    fn this_process_has_memory_and_threads() {
        let figures = read();
        assert!(figures.resident_bytes.unwrap() > 0.0 && figures.threads.unwrap() >= 1.0);
    }
}
