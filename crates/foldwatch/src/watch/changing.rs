//! What can change while the daemon runs: people and tokens, certificate and key. And what must be there at the start.

use std::sync::Arc;
use std::time::Duration;

use anyhow::{Result, bail};
use foldwatch_web::{Door, Tls};

use super::access::Files;
use super::settings::Settings;

/// How often is looked whether people were changed.
const FOLLOW: Duration = Duration::from_secs(2);

/// What can change while the daemon runs.
#[derive(Clone)]
pub struct Changing {
    pub(super) files: Files,
    pub(super) door: Arc<Door>,
    pub(super) tls: Option<Arc<Tls>>,
}

impl Changing {
    /// The pages are served encrypted.
    pub fn is_encrypted(&self) -> bool {
        self.tls.is_some()
    }

    /// Reads all of it again. What is wrong is told and not taken: what held before still holds.
    pub fn reload(&self) {
        self.people();
        match self.tls.as_ref().map(|tls| tls.reload()) {
            Some(Ok(())) => tracing::info!("certificate and key are read anew"),
            Some(Err(why)) => tracing::error!("certificate and key are not taken, those before hold: {why}"),
            None => {}
        }
    }

    /// Takes over what `foldwatch access` changed, without being asked.
    pub(super) async fn follow(self) {
        let mut known = self.files.written();
        loop {
            tokio::time::sleep(FOLLOW).await;
            let written = self.files.written();
            if written != known {
                known = written;
                self.people();
            }
        }
    }

    fn people(&self) {
        match self.files.read() {
            Ok(Some(accounts)) => {
                self.door.set_accounts(accounts);
                tracing::info!("people and tokens are read anew");
            }
            Ok(None) => {
                tracing::error!("the access file is gone; who could come in still can, until a restart")
            }
            Err(error) => tracing::error!("the access file is not taken, the one before holds: {error:#}"),
        }
    }
}

/// An address that others reach is served only where somebody was entered, and nobody on the way reads along.
pub(super) fn guarded(settings: &Settings, files: &Files) -> Result<()> {
    let listen = settings.listen;
    if listen.ip().is_loopback() {
        return Ok(());
    }
    if !files.read()?.is_some_and(|accounts| accounts.is_set_up()) {
        bail!(
            "{listen} can be reached by others, and nobody is entered who may come in: first run `foldwatch access add \
             NAME --role administer --data {}`",
            settings.data.display()
        );
    }
    if settings.tls.is_none() {
        bail!(
            "{listen} can be reached by others, and passwords would cross the network for all to read: set [tls] \
             certificate and key, or serve on 127.0.0.1 behind a tunnel"
        );
    }
    Ok(())
}
