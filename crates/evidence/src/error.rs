//! What can go wrong while evidence is made or read.

use std::io;
use std::path::Path;

/// Why there is no bag, or why a bag can't be looked at. That a bag is not whole is no error but an answer.
#[derive(Debug, thiserror::Error)]
pub enum EvidenceError {
    /// The disk said no.
    #[error("{what}: {source}")]
    Io {
        /// What was tried, with the path.
        what: String,
        /// What the system said.
        source: io::Error,
    },
    /// The recordings can't be read.
    #[error("{0}")]
    Recording(Box<dyn std::error::Error + Send + Sync>),
    /// It can't be done as asked; what was found, and what to do.
    #[error("{0}")]
    Refused(String),
    /// The report can't be typeset.
    #[error("the report can't be typeset: {0}")]
    Report(String),
}

impl EvidenceError {
    /// For `map_err`: `read` with a path.
    pub(crate) fn io(path: &Path, doing: &'static str) -> impl FnOnce(io::Error) -> Self {
        let what = format!("{} can't be {doing}", path.display());
        move |source| EvidenceError::Io { what, source }
    }

    pub(crate) fn refused(what: impl Into<String>) -> Self {
        EvidenceError::Refused(what.into())
    }
}
