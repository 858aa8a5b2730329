//! A running daemon for the outer tests: what it says, line by line, and its pages.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;

use crate::support::wattassay;

/// Longest wait for anything to be said; only a failing test waits so long.
const PATIENCE: Duration = Duration::from_mins(1);

/// A daemon; killed when dropped.
pub struct Daemon {
    child: Child,
    lines: Receiver<String>,
    said: Vec<String>,
    /// Where its pages are.
    pub pages: String,
}

impl Drop for Daemon {
    fn drop(&mut self) {
        self.kill();
    }
}

impl Daemon {
    /// Starts `wattassay run` and waits until it listens.
    pub fn start(config: &Path) -> Daemon {
        Daemon::start_with(config, &[])
    }

    /// The same with more arguments.
    pub fn start_with(config: &Path, more: &[&str]) -> Daemon {
        let mut command = wattassay();
        command.args(["run", "--config"]).arg(config).args(more);
        let mut child = command.stdout(Stdio::null()).stderr(Stdio::piped()).spawn().expect("the daemon");
        let (sender, lines) = channel();
        let stderr = BufReader::new(child.stderr.take().unwrap());
        std::thread::spawn(move || stderr.lines().map_while(Result::ok).all(|line| sender.send(line).is_ok()));
        let mut daemon = Daemon { child, lines, said: Vec::new(), pages: String::new() };
        let line = daemon.wait_for("pages at http");
        let (_, address) = line.split_once("://").unwrap();
        daemon.pages = String::from(address.split('/').next().unwrap());
        daemon
    }

    /// The next line that holds these words.
    pub fn wait_for(&mut self, words: &str) -> String {
        loop {
            let line = self.lines.recv_timeout(PATIENCE);
            let line = line.unwrap_or_else(|_| panic!("\"{words}\" was not said:\n{}", self.said.join("\n")));
            self.said.push(line.clone());
            if line.contains(words) {
                return line;
            }
        }
    }

    /// Ends it and gives everything it ever said.
    pub fn all_it_said(mut self) -> String {
        self.kill();
        self.said.extend(self.lines.iter());
        self.said.join("\n")
    }

    /// The body of one of its pages.
    pub fn get(&self, path: &str) -> String {
        let mut stream = TcpStream::connect(&self.pages).unwrap();
        write!(stream, "GET {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n").unwrap();
        let mut answer = String::new();
        stream.read_to_string(&mut answer).unwrap();
        let (head, body) = answer.split_once("\r\n\r\n").unwrap();
        assert!(head.starts_with("HTTP/1.1 200"), "{path}: {head}");
        body.to_owned()
    }

    /// The value of a line of `/metrics`.
    pub fn metric(&self, series: &str) -> f64 {
        let page = self.get("/metrics");
        let line = page.lines().find_map(|line| line.strip_prefix(series));
        line.unwrap_or_else(|| panic!("no {series} in:\n{page}")).trim().parse().unwrap()
    }

    /// Sends a signal by its name.
    pub fn signal(&self, name: &str) {
        let sent = Command::new("kill").arg(format!("-{name}")).arg(self.child.id().to_string()).status().unwrap();
        assert!(sent.success());
    }

    /// Ends it at once.
    pub fn kill(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
