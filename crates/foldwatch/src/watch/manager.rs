//! What the service manager is told (systemd's `sd_notify`): ready, how it stands, that work goes on, and the end. Without
//! a manager that listens nothing is sent.

use std::convert::Infallible;
use std::time::Duration;

use foldwatch_web::Hub;
use sd_notify::NotifyState;

use super::alive::{self, Pulse};

/// How often is looked how it stands, where the manager does not ask for a sign of life more often.
const LOOK: Duration = Duration::from_secs(10);

/// Everything serves: says so, and from then on how it stands. As often as the manager asks for it (`WatchdogSec`) it hears
/// that work goes on, and only while it does: no part may take longer than that for one piece of work. That this runs at
/// all shows that the ports' tasks can.
pub async fn told(hub: &Hub, parts: &[Pulse]) -> Infallible {
    let longest = sd_notify::watchdog_enabled();
    let mut every = tokio::time::interval(longest.map_or(LOOK, |longest| (longest / 3).min(LOOK)));
    let mut said = None;
    let mut warned = false;
    tell(&[NotifyState::Ready]);
    loop {
        every.tick().await;
        let stuck = longest.and_then(|longest| alive::stuck(parts, longest));
        let words = match stuck {
            Some(part) => format!("The {part} does not get on."),
            // A line is a field of its own there.
            None => hub.standing().1.replace('\n', " "),
        };
        if stuck.is_some() && !warned {
            tracing::error!("{words} The service manager will start foldwatch again.");
        }
        warned = stuck.is_some();
        if said.as_ref() != Some(&words) {
            tell(&[NotifyState::Status(&words)]);
            said = Some(words);
        }
        if longest.is_some() && stuck.is_none() {
            tell(&[NotifyState::Watchdog]);
        }
    }
}

/// What can be read again is being read, by `read`.
pub fn reloading(read: impl FnOnce()) {
    match NotifyState::monotonic_usec_now() {
        Ok(now) => tell(&[NotifyState::Reloading, now]),
        Err(_) => tell(&[NotifyState::Reloading]),
    }
    read();
    tell(&[NotifyState::Ready]);
}

/// It ends because it was asked to.
pub fn stopping() {
    tell(&[NotifyState::Stopping]);
}

fn tell(what: &[NotifyState<'_>]) {
    if let Err(error) = sd_notify::notify(what) {
        tracing::warn!("the service manager can't be told: {error}");
    }
}
