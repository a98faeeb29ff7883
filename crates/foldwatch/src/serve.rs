//! `foldwatch serve`: the daemon.

use anyhow::{Context, Result};

use crate::cli::Serve;
use crate::watch;
use crate::watch::settings::{self, Overrides};

pub fn run(args: &Serve) -> Result<()> {
    let car = args.profile.clone().map(|profile| (args.car.clone(), profile));
    let settings = settings::settings(&Overrides {
        config: args.config.clone(),
        data: args.data.clone(),
        keys: args.keys.folder.clone(),
        listen: args.listen,
        ports: args.ports.clone(),
        baud: args.baud,
        columns: args.columns.clone(),
        car,
    })?;
    let runtime = tokio::runtime::Runtime::new().context("the daemon can't be started")?;
    runtime.block_on(async {
        let watch = watch::start(settings).await?;
        println!("http://{}/", watch.address);
        watch.until(asked_to_stop()).await
    })
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
