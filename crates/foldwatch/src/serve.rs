//! `foldwatch serve`: the daemon.

use anyhow::{Context, Result};

use crate::cli::Serve;
use crate::out::say;
use crate::watch;
use crate::watch::access::{Files, OWNER};
use crate::watch::changing::Changing;
use crate::watch::manager;
use crate::watch::settings::{self, Overrides};

/// What the command line says.
fn overrides(args: &Serve) -> Overrides {
    Overrides {
        config: args.config.clone(),
        data: args.data.clone(),
        keys: args.keys.folder.clone(),
        listen: args.listen,
        ports: args.ports.clone(),
        baud: args.baud,
        columns: args.columns.clone(),
        car: args.profile.clone().map(|profile| (args.car.clone(), profile)),
    }
}

/// Prints the settings that hold, and where each comes from. What is wrong with them is told as `serve` would.
pub fn told(args: &Serve) -> Result<()> {
    say(settings::read(&overrides(args))?.told()?)?;
    settings::settings(&overrides(args)).map(drop)
}

pub fn run(args: &Serve) -> Result<()> {
    let settings = settings::settings(&overrides(args))?;
    crate::log::begin(settings.log_form);
    let first = Files::new(&settings.data).first_password();
    let runtime = tokio::runtime::Runtime::new().context("the daemon can't be started")?;
    runtime.block_on(async {
        let watch = watch::start(settings).await?;
        let scheme = if watch.changing.is_encrypted() { "https" } else { "http" };
        say(format!("{scheme}://{}/", watch.address))?;
        if watch.first_password.is_some() {
            eprintln!(
                "This is the folder's first start. To enter something, sign in as {OWNER}; the password stands in {}",
                first.display()
            );
        }
        let changing = watch.changing.clone();
        tokio::select! {
            never = reloaded_when_asked(&changing) => match never {},
            ended = watch.until(asked_to_stop()) => ended,
        }
    })
}

/// Reads settings that can change again whenever the service manager says so (SIGHUP).
async fn reloaded_when_asked(changing: &Changing) -> std::convert::Infallible {
    #[cfg(unix)]
    if let Ok(mut asked) = tokio::signal::unix::signal(tokio::signal::unix::SignalKind::hangup()) {
        while asked.recv().await.is_some() {
            manager::reloading(|| changing.reload());
        }
    }
    std::future::pending().await
}

/// Until the key or the service manager says so.
pub async fn asked_to_stop() {
    let key = async {
        if tokio::signal::ctrl_c().await.is_err() {
            std::future::pending::<()>().await;
        }
    };
    #[cfg(unix)]
    let manager = async {
        match tokio::signal::unix::signal(tokio::signal::unix::SignalKind::terminate()) {
            Ok(mut signal) => {
                signal.recv().await;
            }
            Err(_) => std::future::pending().await,
        }
    };
    #[cfg(not(unix))]
    let manager = std::future::pending::<()>();
    tokio::select! {
        () = key => {}
        () = manager => {}
    }
}
