//! A mail to everybody who is named.

use anyhow::{Context, Result};
use foldwatch_alarm::{Due, Message};
use foldwatch_units::Micros;
use lettre::message::header::{ContentType, Header, HeaderName, HeaderValue};
use lettre::transport::smtp::authentication::Credentials;
use lettre::transport::smtp::client::{Certificate, Tls, TlsParameters};
use lettre::{SmtpTransport, Transport};

use super::settings::{Encryption, MailSettings};
use super::{Failure, PATIENCE, Way};

/// Mail by one server.
pub struct Mail {
    settings: MailSettings,
    transport: SmtpTransport,
}

impl Mail {
    /// Ready to send.
    ///
    /// # Errors
    /// An authority's certificate that is none.
    pub fn new(settings: &MailSettings) -> Result<Self> {
        let mut parameters = TlsParameters::builder(settings.server.clone());
        if let Some(pem) = &settings.authority {
            parameters = parameters
                .add_root_certificate(Certificate::from_pem(pem).context("alarms.mail: authority")?);
        }
        let parameters = || parameters.build().context("alarms.mail: encryption");
        let tls = match settings.encryption {
            Encryption::None => Tls::None,
            Encryption::Starttls => Tls::Required(parameters()?),
            Encryption::Tls => Tls::Wrapper(parameters()?),
        };
        // "Dangerous" is only that encryption is not chosen yet; the next call does.
        let mut transport = SmtpTransport::builder_dangerous(&settings.server)
            .port(settings.port)
            .tls(tls)
            .timeout(Some(PATIENCE));
        if let Some((user, password)) = &settings.login {
            transport = transport.credentials(Credentials::new(user.clone(), password.clone()));
        }
        Ok(Mail { settings: settings.clone(), transport: transport.build() })
    }

    fn letter(&self, due: &Due, now: Micros) -> Result<lettre::Message> {
        let message: Message = serde_json::from_str(&due.body)?;
        let domain = self.settings.from.email.domain().to_owned();
        let mut letter = lettre::Message::builder()
            .from(self.settings.from.clone())
            // The same for every try: a receiver that has it can leave the second one out (RFC 5322, section 3.6.4).
            .message_id(Some(format!("<{}@{domain}>", due.id)))
            .date(std::time::UNIX_EPOCH + std::time::Duration::from_micros(u64::try_from(now.0).unwrap_or(0)))
            .header(AutoSubmitted)
            .subject(message.headline())
            .header(ContentType::TEXT_PLAIN);
        for to in &self.settings.to {
            letter = letter.to(to.clone());
        }
        Ok(letter.body(message.text())?)
    }
}

impl Way for Mail {
    fn name(&self) -> &str {
        "mail"
    }

    fn send(&self, due: &Due, now: Micros) -> Result<(), Failure> {
        let letter = self.letter(due, now).map_err(Failure::new)?;
        let sent = self.transport.send(&letter);
        let MailSettings { server, port, .. } = &self.settings;
        sent.map(drop).map_err(|error| Failure::new(format!("{server}:{port}: {error}")))
    }
}

/// Nobody wrote it, so that no "out of office" comes back (RFC 3834, section 5).
#[derive(Clone)]
struct AutoSubmitted;

impl Header for AutoSubmitted {
    fn name() -> HeaderName {
        HeaderName::new_from_ascii_str("Auto-Submitted")
    }

    fn parse(_: &str) -> Result<Self, Box<dyn std::error::Error + Send + Sync>> {
        Ok(AutoSubmitted)
    }

    fn display(&self) -> HeaderValue {
        HeaderValue::new(Self::name(), "auto-generated".to_owned())
    }
}
