//! The log: to standard error, which the service manager keeps.

use std::io::IsTerminal;

use tracing_subscriber::EnvFilter;

use crate::watch::settings::LogForm;

/// Begins the log; `FOLDWATCH_LOG` says how much is told.
pub fn begin(form: LogForm) {
    let filter = EnvFilter::try_from_env("FOLDWATCH_LOG").unwrap_or_else(|_| "info,diffsol=warn".into());
    let log = tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr);
    match form {
        // The journal notes the time itself and shows colours as rubbish.
        LogForm::Text if std::env::var_os("JOURNAL_STREAM").is_some() => {
            log.without_time().with_ansi(false).init()
        }
        LogForm::Text => log.with_ansi(std::io::stderr().is_terminal()).init(),
        LogForm::Json => log.json().flatten_event(true).init(),
    }
}
