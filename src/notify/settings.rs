//! What the configuration says about notifications: plain settings with documented defaults. Must never hold a secret, only
//! the files they are in.

use std::collections::BTreeSet;
use std::path::PathBuf;
use std::time::Duration;

use jiff::civil::Time;
use jiff::tz::TimeZone;

use super::quiet::QuietHours;
use super::told::Told;
use crate::alarm::rationale::Class;
use crate::alarm::settings::Priority;

/// Everything about notifications.
#[derive(Debug, Clone, PartialEq)]
pub struct Settings {
    /// Folder of the outbox.
    pub folder: PathBuf,
    /// Targets, webhooks first; their names differ.
    pub targets: Vec<Target>,
}

/// Where something is sent, and what.
#[derive(Debug, Clone, PartialEq)]
pub struct Target {
    /// Name for people, records and metrics; unique.
    pub name: String,
    /// Priorities that are sent here.
    pub priorities: BTreeSet<Priority>,
    /// Stations that are sent here; none is all. Alarms of wattassay itself are sent in any case.
    pub stations: Option<BTreeSet<String>>,
    /// Classes that are sent one by one, as they happen.
    pub at_once: BTreeSet<Class>,
    /// Classes that are sent once a day in one message; what is in neither is not sent here. Critical alarms of them are sent at
    /// once.
    pub digest: BTreeSet<Class>,
    /// Local time of that message.
    pub digest_at: Time,
    /// What is told of an alarm.
    pub tell: BTreeSet<Told>,
    /// Times without messages, but critical ones.
    pub quiet: QuietHours,
    /// How many messages at most; none is no limit.
    pub rate: Option<Rate>,
    /// Time zone of the texts, the quiet hours and the digest.
    pub zone: TimeZone,
    /// How long to go on trying to deliver a message.
    pub max_age: Duration,
    /// Messages that may wait.
    pub queue: usize,
    /// A delivery that takes longer has failed.
    pub timeout: Duration,
    /// How it is sent.
    pub channel: Channel,
}

/// A limit on messages.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Rate {
    /// So many ...
    pub messages: u32,
    /// ... within this time, ms.
    pub within_ms: u64,
}

impl Rate {
    /// Twenty in ten minutes: twice what counts as a flood for one operator. Own choice.
    pub const DEFAULT: Rate = Rate { messages: 20, within_ms: 600_000 };
}

/// Sent one by one to people unless they ask for more: what an operator has to act on.
pub const DEFAULT_AT_ONCE: [Class; 1] = [Class::Alarm];
/// The digest is sent when the day's work is given out.
pub const DEFAULT_DIGEST_AT: Time = Time::constant(7, 0, 0, 0);
/// Longest wait for a delivery.
pub const DEFAULT_TIMEOUT: Duration = Duration::from_secs(15);
/// An alarm that is three days late is no news any more.
pub const DEFAULT_MAX_AGE: Duration = Duration::from_hours(72);
/// Some hundred kilobytes a target.
pub const DEFAULT_QUEUE: usize = 1000;

/// How messages are sent.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Channel {
    /// Signed JSON by HTTP.
    Webhook(Webhook),
    /// Mail by SMTP.
    Email(Email),
    /// A line to a syslog receiver.
    Syslog(Syslog),
}

/// A receiver of signed JSON.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Webhook {
    /// Where: http or https.
    pub url: hyper::Uri,
    /// The file with the secret that signs.
    pub secret_file: PathBuf,
    /// Authorities to trust in place of the system's.
    pub ca_file: Option<PathBuf>,
}

/// A mail server and who gets mail.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Email {
    /// Host name of the server.
    pub host: String,
    /// Port.
    pub port: u16,
    /// How the connection is protected.
    pub security: MailSecurity,
    /// Sender.
    pub from: lettre::message::Mailbox,
    /// Recipients, at least one.
    pub to: Vec<lettre::message::Mailbox>,
    /// User name, and the file with the password.
    pub login: Option<(String, PathBuf)>,
    /// Authorities to trust in place of the system's.
    pub ca_file: Option<PathBuf>,
}

/// How a connection to a mail server is protected.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MailSecurity {
    /// STARTTLS, without which nothing is sent.
    StartTls,
    /// TLS from the first byte.
    Tls,
    /// None.
    Plain,
}

impl MailSecurity {
    /// The usual port: RFC 6409 (587), RFC 8314 (465), RFC 5321 (25).
    pub fn usual_port(self) -> u16 {
        match self {
            MailSecurity::StartTls => 587,
            MailSecurity::Tls => 465,
            MailSecurity::Plain => 25,
        }
    }
}

/// A syslog receiver.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Syslog {
    /// Host, without port.
    pub host: String,
    /// Port.
    pub port: u16,
    /// How lines travel.
    pub transport: SyslogTransport,
    /// Facility, 0..=23 (RFC 5424, table 1).
    pub facility: u8,
    /// Private enterprise number in the name of the structured data.
    pub enterprise: u32,
    /// Authorities to trust in place of the system's.
    pub ca_file: Option<PathBuf>,
}

impl Syslog {
    /// The number set aside for examples (RFC 5612): wattassay has none of its own.
    pub const DEFAULT_ENTERPRISE: u32 = 32_473;
    /// "daemon".
    pub const DEFAULT_FACILITY: u8 = 3;
}

/// How syslog lines travel.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SyslogTransport {
    /// One datagram a line (RFC 5426).
    Udp,
    /// Counted octets over TCP (RFC 6587).
    Tcp,
    /// The same inside TLS (RFC 5425).
    Tls,
}

impl SyslogTransport {
    /// The usual port: RFC 5426 (514), RFC 5425 (6514); 601 for TCP is the registered one (RFC 3195).
    pub fn usual_port(self) -> u16 {
        match self {
            SyslogTransport::Udp => 514,
            SyslogTransport::Tcp => 601,
            SyslogTransport::Tls => 6514,
        }
    }
}

impl Target {
    /// "webhook", "email" or "syslog".
    pub fn kind(&self) -> &'static str {
        match self.channel {
            Channel::Webhook(_) => "webhook",
            Channel::Email(_) => "email",
            Channel::Syslog(_) => "syslog",
        }
    }

    /// Where it goes, without anything that may be secret.
    pub fn place(&self) -> String {
        match &self.channel {
            // The path of a webhook may hold a token.
            Channel::Webhook(w) => format!(
                "{}://{}",
                w.url.scheme_str().unwrap_or("http"),
                w.url.authority().map_or("?", |authority| authority.as_str())
            ),
            Channel::Email(e) => format!("{}:{}", e.host, e.port),
            Channel::Syslog(s) => format!("{}:{}", s.host, s.port),
        }
    }

    /// The files it needs.
    pub fn files(&self) -> Vec<&PathBuf> {
        match &self.channel {
            Channel::Webhook(w) => std::iter::once(&w.secret_file).chain(&w.ca_file).collect(),
            Channel::Email(e) => e.login.iter().map(|(_, file)| file).chain(&e.ca_file).collect(),
            Channel::Syslog(s) => s.ca_file.iter().collect(),
        }
    }

    /// Changes every path it holds.
    pub(crate) fn place_files(&mut self, place: impl Fn(&PathBuf) -> PathBuf) {
        let (secret, ca) = match &mut self.channel {
            Channel::Webhook(w) => (Some(&mut w.secret_file), &mut w.ca_file),
            Channel::Email(e) => (e.login.as_mut().map(|(_, file)| file), &mut e.ca_file),
            Channel::Syslog(s) => (None, &mut s.ca_file),
        };
        for file in secret.into_iter().chain(ca) {
            *file = place(file);
        }
    }
}
