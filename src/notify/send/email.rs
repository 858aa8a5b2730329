//! E-mail by SMTP: TLS from the first byte or by STARTTLS, plain only where the configuration says so. Plain text, in UTF-8.
//! Message-ID and Date are those of the message, not of the attempt, so that a repetition can be told. Must never send a
//! password without TLS.

use std::path::Path;
use std::time::{Duration, UNIX_EPOCH};

use lettre::message::Mailbox;
use lettre::message::header::{ContentType, HeaderName, HeaderValue};
use lettre::transport::smtp::authentication::Credentials;
use lettre::transport::smtp::client::{Certificate, CertificateStore, Tls, TlsParameters};
use lettre::transport::smtp::extension::ClientId;
use lettre::transport::smtp::{AsyncSmtpTransport, Error};
use lettre::{AsyncTransport, Tokio1Executor};

use super::{Failure, secret};
use crate::notify::outbox_file::Waiting;
use crate::notify::settings::{Email, MailSecurity, Target};

type Transport = AsyncSmtpTransport<Tokio1Executor>;

pub(super) async fn deliver(email: &Email, target: &Target, waiting: &Waiting) -> Result<String, Failure> {
    let transport = transport(email, target).await?;
    let error = match transport.send(compose(email, waiting, &email.to)?).await {
        Ok(response) => return Ok(format!("answered {}", response.code())),
        Err(error) => error,
    };
    let failure = judge(&error);
    if email.to.len() == 1 || !matches!(failure, Failure::Never(_)) {
        return Err(failure);
    }
    // One recipient whom the server refuses must not keep the mail from the others.
    let mut refused = Vec::new();
    for recipient in &email.to {
        match transport.send(compose(email, waiting, std::slice::from_ref(recipient))?).await.map_err(|e| judge(&e)) {
            Ok(_) => {}
            Err(Failure::Never(why)) => refused.push(format!("{}: {why}", recipient.email)),
            Err(other) => return Err(other),
        }
    }
    if refused.len() == email.to.len() {
        return Err(failure);
    }
    tracing::warn!(target = target.name, "notification refused for {}", refused.join("; "));
    Ok(format!("taken for {} of {} recipients", email.to.len() - refused.len(), email.to.len()))
}

/// The mail of a message.
fn compose(email: &Email, waiting: &Waiting, to: &[Mailbox]) -> Result<lettre::Message, Failure> {
    let message = &waiting.message;
    let date = UNIX_EPOCH + Duration::from_millis(u64::try_from(message.at_unix_ms).unwrap_or(0));
    // Says that no answer is wanted, so that absence notices do not come back (RFC 3834).
    let automatic = HeaderValue::new(HeaderName::new_from_ascii_str("Auto-Submitted"), "auto-generated".to_owned());
    let mut mail = lettre::Message::builder()
        .from(email.from.clone())
        .subject(&message.subject)
        .date(date)
        .message_id(Some(format!("<{}@{}>", waiting.id, email.from.email.domain())))
        .raw_header(automatic)
        .header(ContentType::TEXT_PLAIN);
    for recipient in to {
        mail = mail.to(recipient.clone());
    }
    mail.body(message.text.clone()).map_err(|error| Failure::Never(format!("this is no mail: {error}")))
}

async fn transport(email: &Email, target: &Target) -> Result<Transport, Failure> {
    let tls = match email.security {
        MailSecurity::Plain => Tls::None,
        MailSecurity::StartTls => Tls::Required(parameters(email)?),
        MailSecurity::Tls => Tls::Wrapper(parameters(email)?),
    };
    let name = rustix::system::uname().nodename().to_string_lossy().into_owned();
    let mut builder = Transport::builder_dangerous(&email.host)
        .port(email.port)
        .tls(tls)
        .timeout(Some(target.timeout))
        .hello_name(ClientId::Domain(name));
    if let Some((user, file)) = &email.login {
        builder = builder.credentials(Credentials::new(user.clone(), secret(file).await?));
    }
    Ok(builder.build())
}

fn parameters(email: &Email) -> Result<TlsParameters, Failure> {
    let mut builder = TlsParameters::builder(email.host.clone());
    if let Some(path) = &email.ca_file {
        builder = builder.certificate_store(CertificateStore::None);
        for certificate in certificates(path).map_err(Failure::unreachable)? {
            builder = builder.add_root_certificate(certificate);
        }
    }
    builder.build_rustls().map_err(|error| Failure::unreachable(format!("TLS: {error}")))
}

fn certificates(path: &Path) -> Result<Vec<Certificate>, String> {
    let of_der = |der: Vec<u8>| Certificate::from_der(der).map_err(|error| format!("{}: {error}", path.display()));
    super::tls::authorities(path)?.into_iter().map(|certificate| of_der(certificate.to_vec())).collect()
}

/// What an error of the server or the way to it means.
fn judge(error: &Error) -> Failure {
    let why = explain(error);
    match error.status().map(u16::from) {
        // The login was refused (RFC 4954): the password can be mended, and then the mail can go.
        Some(530 | 534 | 535 | 538) => Failure::unreachable(why),
        Some(500..=599) => Failure::Never(why),
        Some(421) => Failure::unreachable(why),
        Some(_) => Failure::NotNow(why),
        None => Failure::unreachable(why),
    }
}

/// The error with what is beneath it; lettre's own words often leave the reason to the source.
fn explain(error: &Error) -> String {
    let mut why = error.to_string();
    let mut source = std::error::Error::source(error);
    while let Some(beneath) = source {
        let text = beneath.to_string();
        if !why.contains(&text) {
            why.push_str(": ");
            why.push_str(&text);
        }
        source = beneath.source();
    }
    why
}
