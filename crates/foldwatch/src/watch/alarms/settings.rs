//! Who is told, and when: `[alarms]` of the settings.

use std::net::IpAddr;
use std::path::{Path, PathBuf};

use anyhow::{Context, Result, anyhow, bail};
use foldwatch_alarm::{Page, Quiet, Rules};
use lettre::message::Mailbox;
use serde::{Deserialize, Serialize};

/// The keys as they stand in the file.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AlarmKeys {
    /// Which findings are told of.
    #[serde(default)]
    pub findings: Findings,
    /// In so many cycles a finding to attend to must show.
    pub repeated: Option<u32>,
    /// What is older when it is heard of is told to nobody.
    pub fresh_days: Option<u32>,
    /// A matter that has not shown for so long has ended.
    pub forget_days: Option<u32>,
    /// When nobody is told: `21:00-07:00`.
    pub quiet: Option<String>,
    /// The time zone of those hours.
    pub zone: Option<String>,
    /// Where the pages are for those who are told.
    pub pages: Option<String>,
    /// Receivers of signed requests.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub webhook: Vec<HookKeys>,
    /// Mail.
    pub mail: Option<MailKeys>,
}

/// From which weight a finding is told of.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Findings {
    /// What should be attended to, once repeated; what forbids further use, at once.
    #[default]
    Attend,
    /// Only what forbids further use.
    StopUsing,
    /// None.
    None,
}

/// A receiver of signed requests.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct HookKeys {
    /// Its name, and that of its secret.
    pub name: String,
    /// Where it is.
    pub url: String,
    /// The file with the secret that it shares.
    pub secret: PathBuf,
    /// The file with the certificate of an authority of one's own.
    pub authority: Option<PathBuf>,
}

/// Mail.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MailKeys {
    /// The server that takes it.
    pub server: String,
    /// Its port.
    pub port: Option<u16>,
    /// How the connection is encrypted.
    #[serde(default)]
    pub encryption: Encryption,
    /// Who logs in there.
    pub user: Option<String>,
    /// The file with the password.
    pub password: Option<PathBuf>,
    /// The file with the certificate of an authority of one's own.
    pub authority: Option<PathBuf>,
    /// From whom.
    pub from: String,
    /// To whom.
    pub to: Vec<String>,
}

/// How a connection to a mail server is encrypted.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Encryption {
    /// From the first byte (RFC 8314, section 3): the usual port is 465.
    #[default]
    Tls,
    /// After a word in plain text (RFC 3207): the usual port is 587.
    Starttls,
    /// Not at all: only to this machine itself.
    None,
}

/// Checked.
#[derive(Debug, Clone)]
pub struct AlarmSettings {
    /// When.
    pub rules: Rules,
    /// Of which findings.
    pub findings: Findings,
    /// Receivers of signed requests.
    pub hooks: Vec<HookSettings>,
    /// Mail.
    pub mail: Option<MailSettings>,
}

/// A receiver of signed requests.
#[derive(Clone)]
pub struct HookSettings {
    /// Its name, and that of its secret.
    pub name: String,
    /// Where it is.
    pub url: String,
    /// What it shares.
    pub secret: Vec<u8>,
    /// PEM.
    pub authority: Option<Vec<u8>>,
}

impl std::fmt::Debug for HookSettings {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} at {}", self.name, self.url)
    }
}

/// Mail.
#[derive(Clone)]
pub struct MailSettings {
    /// The server that takes it.
    pub server: String,
    /// Its port.
    pub port: u16,
    /// How the connection is encrypted.
    pub encryption: Encryption,
    /// User and password.
    pub login: Option<(String, String)>,
    /// PEM.
    pub authority: Option<Vec<u8>>,
    /// From whom.
    pub from: Mailbox,
    /// To whom.
    pub to: Vec<Mailbox>,
}

impl std::fmt::Debug for MailSettings {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} people by {}:{}", self.to.len(), self.server, self.port)
    }
}

/// Fewest bytes of a shared secret: as many as the hash gives (RFC 2104, section 3).
const SECRET: usize = 32;

impl AlarmKeys {
    /// Checked, with the files that are named; files lie beside the settings.
    ///
    /// # Errors
    /// What is wrong, with its key.
    pub fn checked(&self, beside: &Path) -> Result<AlarmSettings> {
        let usual = Rules::default();
        let quiet = match (&self.quiet, &self.zone) {
            (None, None) => None,
            (None, Some(_)) => bail!("alarms.zone says the zone of quiet hours, but alarms.quiet is missing"),
            (Some(_), None) => bail!(
                "alarms.quiet: say by alarms.zone where those hours are, as \"Europe/Berlin\" or \"UTC\""
            ),
            (Some(hours), Some(zone)) => Some(Quiet::new(hours, zone).context("alarms.quiet")?),
        };
        let page = match &self.pages {
            Some(at) if at.starts_with("http://") || at.starts_with("https://") => Some(Page(at.clone())),
            Some(at) => bail!("alarms.pages: `{at}` is no address; as \"https://roofs.example.org\""),
            None => None,
        };
        let positive = |key: &str, value: Option<u32>, usual: u32| match value {
            Some(0) => Err(anyhow!("alarms.{key} = 0; at least 1")),
            other => Ok(other.unwrap_or(usual)),
        };
        let rules = Rules {
            repeated: positive("repeated", self.repeated, usual.repeated)?,
            fresh_days: positive("fresh_days", self.fresh_days, usual.fresh_days)?,
            forget_days: positive("forget_days", self.forget_days, usual.forget_days)?,
            quiet,
            page,
        };
        let mut hooks: Vec<HookSettings> = Vec::new();
        for hook in &self.webhook {
            let name = &hook.name;
            if hooks.iter().any(|before| before.name == *name) {
                bail!("alarms.webhook `{name}` stands twice");
            }
            // It stands in a header field, between quotes.
            if name.is_empty() || !name.bytes().all(|b| b.is_ascii_graphic() && b != b'"' && b != b'\\') {
                bail!("alarms.webhook: `{name}` is no name; letters, digits and signs without spaces");
            }
            encrypted(&hook.url).with_context(|| format!("alarms.webhook `{name}`: url"))?;
            let secret =
                secret(beside, &hook.secret).with_context(|| format!("alarms.webhook `{name}`: secret"))?;
            if secret.len() < SECRET {
                bail!(
                    "alarms.webhook `{name}`: its secret has {} bytes, at least {SECRET} are needed; `openssl rand -hex 32` makes one",
                    secret.len()
                );
            }
            let authority = authority(beside, hook.authority.as_deref())
                .with_context(|| format!("alarms.webhook `{name}`: authority"))?;
            hooks.push(HookSettings { name: name.clone(), url: hook.url.clone(), secret, authority });
        }
        let mail = self.mail.as_ref().map(|mail| mail.checked(beside).context("alarms.mail")).transpose()?;
        if hooks.is_empty() && mail.is_none() {
            bail!("[alarms] tells nobody: name a receiver by [[alarms.webhook]] or [alarms.mail]");
        }
        Ok(AlarmSettings { rules, findings: self.findings, hooks, mail })
    }
}

impl MailKeys {
    fn checked(&self, beside: &Path) -> Result<MailSettings> {
        if self.encryption == Encryption::None && !is_here(&self.server) {
            bail!("encryption = \"none\" only to this machine itself; use \"starttls\" or \"tls\"");
        }
        let login = match (&self.user, &self.password) {
            (Some(user), Some(file)) => {
                let password = String::from_utf8(secret(beside, file).context("password")?)
                    .map_err(|_| anyhow!("password: {} is not UTF-8", file.display()))?;
                Some((user.clone(), password))
            }
            (None, None) => None,
            _ => bail!("user and password belong together; name both or none"),
        };
        let mailbox = |text: &String| {
            text.parse::<Mailbox>()
                .map_err(|error| anyhow!("`{text}` is no address: {error}; as \"Roofs <roofs@example.org>\""))
        };
        if self.to.is_empty() {
            bail!("to: nobody is named");
        }
        Ok(MailSettings {
            server: self.server.clone(),
            port: self.port.unwrap_or(match self.encryption {
                Encryption::Tls => 465,
                Encryption::Starttls => 587,
                Encryption::None => 25,
            }),
            encryption: self.encryption,
            login,
            authority: authority(beside, self.authority.as_deref()).context("authority")?,
            from: mailbox(&self.from).context("from")?,
            to: self.to.iter().map(mailbox).collect::<Result<_>>().context("to")?,
        })
    }
}

/// Whether a name is this machine itself.
fn is_here(host: &str) -> bool {
    host == "localhost" || host.parse::<IpAddr>().is_ok_and(|ip| ip.is_loopback())
}

/// Messages name cars: in the open they go no further than this machine.
fn encrypted(url: &str) -> Result<()> {
    let uri: ureq::http::Uri = url.parse().map_err(|error| anyhow!("`{url}`: {error}"))?;
    match (uri.scheme_str(), uri.host()) {
        (Some("https"), Some(_)) => Ok(()),
        (Some("http"), Some(host)) if is_here(host.trim_matches(['[', ']'])) => Ok(()),
        (Some("http"), Some(_)) => {
            bail!("`{url}` is not encrypted; http:// only to this machine itself, else https://")
        }
        _ => bail!("`{url}` is no address; as \"https://office.example.org/roofs\""),
    }
}

fn near(beside: &Path, file: &Path) -> PathBuf {
    let near = beside.join(file);
    if near.exists() { near } else { file.to_owned() }
}

fn authority(beside: &Path, file: Option<&Path>) -> Result<Option<Vec<u8>>> {
    let Some(file) = file.map(|file| near(beside, file)) else { return Ok(None) };
    std::fs::read(&file).map(Some).with_context(|| format!("{} can't be read", file.display()))
}

/// A secret of a file: its bytes without the line's end.
fn secret(beside: &Path, file: &Path) -> Result<Vec<u8>> {
    let file = near(beside, file);
    let mut bytes = std::fs::read(&file).with_context(|| format!("{} can't be read", file.display()))?;
    foldwatch_web::only_ours(&file).with_context(|| file.display().to_string())?;
    while bytes.last().is_some_and(|byte| matches!(byte, b'\n' | b'\r')) {
        bytes.pop();
    }
    Ok(bytes)
}
