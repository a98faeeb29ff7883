//! A webhook: a signed POST of the message as JSON.

use anyhow::{Context, Result};
use foldwatch_alarm::{Due, signature};
use foldwatch_units::Micros;
use ureq::tls::{Certificate, PemItem, RootCerts, TlsConfig, parse_pem};

use super::settings::HookSettings;
use super::{Failure, PATIENCE, Way};

/// So much of a refusal is told.
const WORDS: u64 = 300;

/// One receiver.
pub struct Hook {
    way: String,
    settings: HookSettings,
    agent: ureq::Agent,
}

impl Hook {
    /// Ready to send.
    ///
    /// # Errors
    /// An authority's certificate that is none.
    pub fn new(settings: &HookSettings) -> Result<Self> {
        let mut tls = TlsConfig::builder();
        if let Some(pem) = &settings.authority {
            let items = parse_pem(pem).collect::<Result<Vec<_>, _>>();
            let items = items.with_context(|| format!("webhook `{}`: authority", settings.name))?;
            let of = |item: PemItem<'static>| match item {
                PemItem::Certificate(certificate) => Some(certificate),
                _ => None,
            };
            let certificates: Vec<Certificate<'static>> = items.into_iter().filter_map(of).collect();
            if certificates.is_empty() {
                anyhow::bail!("webhook `{}`: no certificate in the file of its authority", settings.name);
            }
            tls = tls.root_certs(RootCerts::new_with_certs(&certificates));
        }
        let agent = ureq::Agent::config_builder()
            .tls_config(tls.build())
            .timeout_global(Some(PATIENCE))
            // The address is signed: somewhere else it would not be the same message.
            .max_redirects(0)
            .http_status_as_error(false)
            .user_agent(concat!("foldwatch/", env!("CARGO_PKG_VERSION")))
            .build()
            .new_agent();
        Ok(Hook { way: format!("webhook:{}", settings.name), settings: settings.clone(), agent })
    }
}

impl Way for Hook {
    fn name(&self) -> &str {
        &self.way
    }

    fn send(&self, due: &Due, now: Micros) -> Result<(), Failure> {
        let HookSettings { name, url, secret, .. } = &self.settings;
        let body = due.body.as_bytes();
        let fields = signature::sign(secret, name, url, &due.id, body, now.0.div_euclid(1_000_000));
        let mut answer = self
            .agent
            .post(url)
            .header("Content-Type", signature::CONTENT_TYPE)
            // A string of Structured Fields (RFC 9651, section 3.3.3).
            .header("Idempotency-Key", format!("\"{}\"", due.id))
            .header("Content-Digest", &fields.content_digest)
            .header("Signature-Input", &fields.signature_input)
            .header("Signature", &fields.signature)
            .send(body)
            .map_err(|error| Failure::new(format!("{url}: {error}")))?;
        let status = answer.status();
        if status.is_success() {
            return Ok(());
        }
        let after =
            answer.headers().get("Retry-After").and_then(|value| value.to_str().ok()?.trim().parse().ok());
        let words = answer.body_mut().with_config().limit(WORDS).read_to_string().unwrap_or_default();
        let words: String = words.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
        let words = words.trim();
        let colon = if words.is_empty() { "" } else { ": " };
        Err(Failure { why: format!("{url} answered {status}{colon}{words}"), after })
    }
}
