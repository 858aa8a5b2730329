//! What differs between webhook, e-mail and syslog targets: where they are and how they are reached.
//!
//! Must never let an unprotected way pass for a protected one: plain connections are asked for by name.

use std::path::PathBuf;

use super::notifications::{SYSLOG_TRANSPORTS, path};
use super::problem::quoted;
use super::reader::{Fault, Field, TableReader, text_of};
use crate::notify::settings::{Channel, Email, MailSecurity, Syslog, SyslogTransport, Webhook};

const PORTS: std::ops::RangeInclusive<i64> = 1..=65_535;
/// Facilities by number (RFC 5424, table 1).
const FACILITIES: [(&str, u8); 12] = [
    ("daemon", 3),
    ("user", 1),
    ("syslog", 5),
    ("local0", 16),
    ("local1", 17),
    ("local2", 18),
    ("local3", 19),
    ("local4", 20),
    ("local5", 21),
    ("local6", 22),
    ("local7", 23),
    ("kern", 0),
];

/// A webhook.
pub(super) fn read_webhook(table: &TableReader<'_>) -> Option<Channel> {
    let plain = table.boolean("plain");
    let example = "https://alarms.example/hook";
    let url = table.text("url", example);
    let url = table.check("url", url, |text| {
        let fault = |message: &str, hint: &str| Err(Fault::new(message, hint));
        let Ok(url) = text.parse::<hyper::Uri>() else {
            return fault("this is no address", &format!("write for example url = \"{example}\""));
        };
        let authority = url.authority().map_or("", |authority| authority.as_str());
        let near = url.host().is_some_and(|host| matches!(host, "localhost" | "127.0.0.1" | "[::1]"));
        match url.scheme_str() {
            _ if authority.contains('@') => fault(
                "this address holds a login",
                "take it away: the receiver knows the message by its signature, and secrets stand in files",
            ),
            Some("https") => Ok(url),
            Some("http") if near || matches!(plain, Field::Bad) => Ok(url),
            Some("http") if matches!(&plain, Field::Good(plain) if plain.value) => Ok(url),
            Some("http") => fault(
                "everybody on the way can read what is sent here",
                "write https://, or add plain = true when that is meant",
            ),
            _ => fault("this is no address of a web server", &format!("write for example url = \"{example}\"")),
        }
    });
    let url = table.need("url", url, &format!("say where to post, for example url = \"{example}\""));
    let secret_file = file(table, "secret_file");
    let hint = "name the file that holds the secret, for example secret_file = \"/etc/wattassay/hook.secret\"";
    let secret_file = table.need("secret_file", secret_file, hint);
    let ca_file = optional(file(table, "ca_file"));
    Some(Channel::Webhook(Webhook { url: url.value()?, secret_file: secret_file.value()?, ca_file: ca_file? }))
}

/// An e-mail target.
pub(super) fn read_email(table: &TableReader<'_>) -> Option<Channel> {
    let host = host(table, "mail.example");
    let security = [("starttls", MailSecurity::StartTls), ("tls", MailSecurity::Tls), ("none", MailSecurity::Plain)];
    let security = table.choice("security", &security).or(MailSecurity::StartTls);
    let port = table.integer("port", PORTS).or(security.map_or(0, |security| i64::from(security.usual_port())));
    let from = table.check("from", table.text("from", "wattassay@water.example"), mailbox);
    let from = table.need("from", from, "say who sends, for example from = \"wattassay@water.example\"");
    let to = table.array("to", "[\"on-call@water.example\"]");
    let to = table.check("to", to, |items| {
        let boxes = items.iter().map(|item| mailbox(text_of("to", item.get_ref(), "on-call@water.example")?));
        let boxes = boxes.collect::<Result<Vec<_>, _>>()?;
        if boxes.is_empty() || boxes.len() > 50 {
            return Err(Fault::new(
                "a target has 1 to 50 recipients",
                "write for example to = [\"on-call@water.example\"]",
            ));
        }
        Ok(boxes)
    });
    let to = table.need("to", to, "say who gets the mail, for example to = [\"on-call@water.example\"]");
    let user = table.name("user", 256, "wattassay");
    let password_file = file(table, "password_file");
    let login = match (user, password_file) {
        (Field::Absent, Field::Absent) => Some(None),
        (Field::Good(user), Field::Good(password)) => {
            if security == Some(MailSecurity::Plain) {
                let hint = "use security = \"starttls\" or \"tls\", or take user and password_file away";
                table.fault("user", &user.span, Fault::new("a password is never sent without TLS", hint));
            }
            Some(Some((user.value, password.value)))
        }
        (Field::Good(user), Field::Absent) => {
            let hint =
                "name the file that holds the password, for example password_file = \"/etc/wattassay/mail.password\"";
            table.fault("user", &user.span, Fault::new("this user has no password_file", hint));
            None
        }
        (Field::Absent, Field::Good(password)) => {
            table.fault("password_file", &password.span, Fault::new("this password has no user", "add user = \"...\""));
            None
        }
        _ => None,
    };
    let ca_file = optional(file(table, "ca_file"));
    Some(Channel::Email(Email {
        host: host?,
        port: port? as u16,
        security: security?,
        from: from.value()?,
        to: to.value()?,
        login: login?,
        ca_file: ca_file?,
    }))
}

/// A syslog target.
pub(super) fn read_syslog(table: &TableReader<'_>) -> Option<Channel> {
    let host = host(table, "logs.example");
    let transport = table.choice("transport", &SYSLOG_TRANSPORTS);
    let transport = table.need("transport", transport, "say how: transport = \"tls\", \"tcp\" or \"udp\"").value();
    let usual = transport.map_or(0, SyslogTransport::usual_port);
    let port = table.integer("port", PORTS).or(i64::from(usual));
    let facility = table.choice("facility", &FACILITIES).or(Syslog::DEFAULT_FACILITY);
    let enterprise = table.integer("enterprise", 1..=i64::from(u32::MAX)).or(i64::from(Syslog::DEFAULT_ENTERPRISE));
    let ca_file = optional(file(table, "ca_file"));
    Some(Channel::Syslog(Syslog {
        host: host?,
        port: port? as u16,
        transport: transport?,
        facility: facility?,
        enterprise: enterprise? as u32,
        ca_file: ca_file?,
    }))
}

fn host(table: &TableReader<'_>, example: &str) -> Option<String> {
    let host = table.check("host", table.text("host", example), |text| {
        let allowed = |c: char| c.is_ascii_alphanumeric() || matches!(c, '.' | '-' | '_' | ':' | '[' | ']');
        if !text.is_empty() && text.len() <= 253 && text.chars().all(allowed) {
            Ok(text.to_owned())
        } else {
            let hint = format!("write a name or an address without a port, for example host = \"{example}\"");
            Err(Fault::new(format!("{} is no host", quoted(text)), hint))
        }
    });
    table.need("host", host, &format!("name the server, for example host = \"{example}\"")).value()
}

fn mailbox(text: &str) -> Result<lettre::message::Mailbox, Fault> {
    text.parse().map_err(|_| {
        Fault::new(format!("{} is no mail address", quoted(text)), "write for example \"on-call@water.example\"")
    })
}

fn file(table: &TableReader<'_>, key: &'static str) -> Field<PathBuf> {
    table.check(key, table.text(key, "/etc/wattassay/file"), path)
}

/// The inner option is none when the key is absent.
#[allow(clippy::option_option, reason = "absent, and at fault, are two things")]
fn optional<T>(field: Field<T>) -> Option<Option<T>> {
    match field {
        Field::Absent => Some(None),
        Field::Bad => None,
        Field::Good(located) => Some(Some(located.value)),
    }
}
