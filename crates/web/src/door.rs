//! The door as the pages have it: the guard behind a lock, and the trail of what was done.

use std::net::{IpAddr, Ipv4Addr};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Instant;

use axum::http::{HeaderMap, Uri, header};
use foldwatch_access::{Accounts, Guard, Place, Random, Refusal, Shown, SignedIn};
use foldwatch_report::rfc3339;
use serde::{Deserialize, Serialize};
use tokio::sync::Semaphore;

use crate::own;

/// Something that somebody did or was not let do.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, utoipa::ToSchema)]
pub struct Deed {
    /// When, RFC 3339, UTC.
    pub at: String,
    /// Who, as far as known.
    pub who: String,
    /// From which address, or `command line`.
    pub from: String,
    /// What: `POST /cars/oak/checks`, `sign in`.
    pub what: String,
    /// What came of it: a status of HTTP, or a word.
    pub outcome: String,
}

impl Deed {
    /// Something that is done now.
    pub fn new(who: &str, from: &str, what: &str, outcome: &str) -> Deed {
        let text = |text: &str| text.chars().take(200).collect::<String>();
        Deed {
            at: rfc3339(own::now()),
            who: text(who),
            from: text(from),
            what: text(what),
            outcome: text(outcome),
        }
    }
}

/// Keeps what was done; the daemon has a file for it.
pub trait Trail: Send + Sync {
    /// Keeps it. Blocks.
    fn note(&self, deed: &Deed);

    /// The newest, oldest first. Blocks.
    ///
    /// # Errors
    /// In words, for the log.
    fn newest(&self, count: usize) -> Result<Vec<Deed>, String>;
}

/// The other end of a connection.
#[derive(Debug, Clone, Copy)]
pub struct Peer {
    /// Its address.
    pub address: IpAddr,
    /// Nobody on the way can read along.
    pub encrypted: bool,
}

impl Peer {
    /// A connection of which nothing is known comes from anywhere.
    pub(crate) const UNKNOWN: Peer = Peer { address: IpAddr::V4(Ipv4Addr::UNSPECIFIED), encrypted: false };
}

/// So many passwords are checked at once: each takes a core for a while, and 19 MiB.
const HASHING: usize = 2;

/// A name has at most so many characters.
const LONGEST_NAME: usize = 64;

/// The door.
pub struct Door {
    guard: Mutex<Guard>,
    hashing: Arc<Semaphore>,
    trail: Arc<dyn Trail>,
}

impl Door {
    /// A door with its guard and a trail.
    pub fn new(guard: Guard, trail: Arc<dyn Trail>) -> Door {
        Door { guard: Mutex::new(guard), hashing: Arc::new(Semaphore::new(HASHING)), trail }
    }

    /// Other people from now on.
    pub fn set_accounts(&self, accounts: Accounts) {
        self.guard().set_accounts(accounts);
    }

    pub(crate) fn guard(&self) -> MutexGuard<'_, Guard> {
        self.guard.lock().unwrap_or_else(PoisonError::into_inner)
    }

    pub(crate) fn trail(&self) -> &Arc<dyn Trail> {
        &self.trail
    }

    /// Keeps what was done, on a thread that may block.
    pub(crate) async fn note(&self, deed: Deed) {
        let trail = Arc::clone(&self.trail);
        // Whoever goes away in the middle does not keep it from being noted.
        let _ = tokio::task::spawn_blocking(move || trail.note(&deed)).await;
    }

    /// Checks a name and a password.
    pub(crate) async fn sign_in(
        &self,
        peer: Peer,
        from: &From,
        name: String,
        password: String,
    ) -> Result<SignedIn, Refusal> {
        // What is longer is nobody's, and guesses are remembered by name.
        let name: String = name.chars().take(LONGEST_NAME + 1).collect();
        // Waits are looked at behind the queue, so that many guesses at once don't slip past them.
        let permit = self.hashing.acquire().await;
        let begun = self.guard().begin(&name, &from.place, from.device.as_deref(), Instant::now());
        let done = match begun {
            Ok(challenge) => {
                let checked = challenge.clone();
                let fits =
                    tokio::task::spawn_blocking(move || checked.fits(&password)).await.unwrap_or(false);
                match (random(), random()) {
                    (Some(session), Some(device)) => {
                        self.guard().finish(&challenge, fits, (&session, &device), Instant::now())
                    }
                    _ => Err(Refusal::Password),
                }
            }
            Err(refusal) => Err(refusal),
        };
        drop(permit);
        // Guesses that had to wait were not looked at: they would only fill the trail.
        if !matches!(done, Err(Refusal::Wait(_))) {
            let outcome = if done.is_ok() { "signed in" } else { "refused" };
            self.note(Deed::new(&name, &peer.address.to_string(), "sign in", outcome)).await;
        }
        done
    }
}

fn random() -> Option<Random> {
    let mut bytes = Random::default();
    getrandom::fill(&mut bytes)
        .inspect_err(|error| tracing::error!("the system gives no random numbers: {error}"))
        .ok()?;
    Some(bytes)
}

/// What a request's head says of where it comes from and who sends it.
#[derive(Debug, Clone)]
pub(crate) struct From {
    pub place: Place,
    pub from_here: bool,
    pub token: Option<String>,
    pub session: Option<String>,
    pub device: Option<String>,
}

/// What a proxy adds.
const PASSED_ON: [&str; 6] =
    ["forwarded", "via", "x-forwarded-for", "x-forwarded-host", "x-forwarded-proto", "x-real-ip"];

impl From {
    pub fn of(peer: Peer, uri: &Uri, headers: &HeaderMap) -> From {
        let text = |name: header::HeaderName| headers.get(name).and_then(|value| value.to_str().ok());
        let host = match headers.get(header::HOST) {
            Some(host) => Some(host.to_str().unwrap_or("?")),
            None => uri.authority().map(|authority| authority.as_str()),
        };
        let from_here = peer.address.to_canonical().is_loopback()
            && host.is_none_or(is_this_machine)
            && !PASSED_ON.iter().any(|name| headers.contains_key(*name));
        let place = match Place::of(peer.address) {
            Place::Here if !from_here => Place::Net(peer.address),
            place => place,
        };
        let token = text(header::AUTHORIZATION).map(|value| match value.split_once(' ') {
            Some((scheme, token)) if scheme.eq_ignore_ascii_case("bearer") => token.trim().to_owned(),
            // Something was shown, and it is no token.
            _ => String::new(),
        });
        let cookie = |name: &str| {
            let cookies = headers.get_all(header::COOKIE).iter().filter_map(|value| value.to_str().ok());
            let mut pairs =
                cookies.flat_map(|value| value.split(';')).filter_map(|pair| pair.trim().split_once('='));
            pairs.find(|(key, _)| *key == name).map(|(_, value)| value.to_owned())
        };
        From {
            place,
            from_here,
            token,
            session: cookie(&cookie_name("session", peer)),
            device: cookie(&cookie_name("browser", peer)),
        }
    }

    pub fn shown(&self) -> Shown<'_> {
        Shown {
            place: &self.place,
            from_here: self.from_here,
            token: self.token.as_deref(),
            session: self.session.as_deref(),
        }
    }
}

/// A page of another site may bring a name of its own to point here (its browser then takes it for that site): only our
/// own names are this machine.
fn is_this_machine(host: &str) -> bool {
    let name = match host.strip_prefix('[') {
        Some(rest) => rest.split(']').next().unwrap_or_default(),
        None => host.rsplit_once(':').map_or(host, |(name, _)| name),
    };
    let is_local = |address: IpAddr| address.to_canonical().is_loopback();
    name.eq_ignore_ascii_case("localhost") || name.parse().is_ok_and(is_local)
}

/// Over an encrypted line the browser holds a cookie to its host and to such lines by this prefix (RFC 6265bis).
fn cookie_name(what: &str, peer: Peer) -> String {
    format!("{}foldwatch-{what}", if peer.encrypted { "__Host-" } else { "" })
}

/// A cookie as it is set: no script reads it, no other site's form sends it.
pub(crate) fn cookie(what: &str, value: &str, peer: Peer, days: u32) -> String {
    let secure = if peer.encrypted { "; Secure" } else { "" };
    let age = u64::from(days) * 24 * 3600;
    format!("{}={value}; Path=/; HttpOnly; SameSite=Lax; Max-Age={age}{secure}", cookie_name(what, peer))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn from(address: &str, headers: &[(&'static str, &'static str)]) -> From {
        let headers = headers.iter().map(|(name, value)| {
            (header::HeaderName::from_static(name), header::HeaderValue::from_static(value))
        });
        let peer = Peer { address: address.parse().unwrap(), encrypted: false };
        From::of(peer, &Uri::from_static("/"), &headers.collect())
    }

    #[test]
    fn only_who_sits_here_and_says_so_is_here() {
        for (address, headers, here) in [
            ("127.0.0.1", &[("host", "127.0.0.1:8765")][..], true),
            ("::1", &[("host", "[::1]:8765")], true),
            ("127.0.0.1", &[("host", "LocalHost")], true),
            ("127.0.0.1", &[], true),
            ("192.0.2.1", &[("host", "localhost")], false),
            ("127.0.0.1", &[("host", "elsewhere.example:8765")], false),
            ("127.0.0.1", &[("host", "localhost.elsewhere.example")], false),
            ("127.0.0.1", &[("host", "127.0.0.1.elsewhere.example")], false),
            ("127.0.0.1", &[("host", "localhost"), ("x-forwarded-for", "192.0.2.1")], false),
            ("127.0.0.1", &[("host", "localhost"), ("forwarded", "for=192.0.2.1")], false),
        ] {
            let from = from(address, headers);
            assert_eq!(from.from_here, here, "{address} {headers:?}");
            assert_eq!(from.place == Place::Here, here, "{address} {headers:?}");
        }
    }

    #[test]
    fn tokens_and_cookies_are_taken_from_where_they_stand() {
        let from = from(
            "127.0.0.1",
            &[
                ("authorization", "bearer abc"),
                ("cookie", "a=b; foldwatch-session=key; foldwatch-browser=x=y"),
            ],
        );
        assert_eq!(
            (from.token.as_deref(), from.session.as_deref(), from.device.as_deref()),
            (Some("abc"), Some("key"), Some("x=y"))
        );
        // The other way of showing something is not silently nothing.
        assert_eq!(super::tests::from("::1", &[("authorization", "Basic YTpi")]).token.as_deref(), Some(""));
    }
}
