//! Encrypted connections: certificate and key from two files, read again when asked to.

use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Arc, PoisonError, RwLock};

use rustls::ServerConfig;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};

/// What encrypts.
#[derive(Debug)]
pub struct Tls {
    certificate: PathBuf,
    key: PathBuf,
    current: RwLock<Arc<ServerConfig>>,
}

impl Tls {
    /// From a certificate (with those between it and the authority behind it) and its key, as PEM.
    ///
    /// # Errors
    /// Which file is wrong, and why.
    pub fn load(certificate: &Path, key: &Path) -> Result<Tls, String> {
        let current = RwLock::new(Arc::new(config(certificate, key)?));
        Ok(Tls { certificate: certificate.to_owned(), key: key.to_owned(), current })
    }

    /// Reads the files again; new connections get what they say. Where they are wrong the old ones stay.
    ///
    /// # Errors
    /// Which file is wrong, and why.
    pub fn reload(&self) -> Result<(), String> {
        let new = Arc::new(config(&self.certificate, &self.key)?);
        *self.current.write().unwrap_or_else(PoisonError::into_inner) = new;
        Ok(())
    }

    pub(crate) fn acceptor(&self) -> tokio_rustls::TlsAcceptor {
        Arc::clone(&self.current.read().unwrap_or_else(PoisonError::into_inner)).into()
    }
}

fn config(certificate: &Path, key: &Path) -> Result<ServerConfig, String> {
    let bad = |file: &Path, why: &dyn std::fmt::Display| format!("{}: {why}", file.display());
    let chain: Vec<_> = CertificateDer::pem_file_iter(certificate)
        .and_then(Iterator::collect)
        .map_err(|error| bad(certificate, &format_args!("no certificate can be read: {error}")))?;
    if chain.is_empty() {
        return Err(bad(
            certificate,
            &"no certificate in it; it should be PEM, `-----BEGIN CERTIFICATE-----`",
        ));
    }
    only_ours(key).map_err(|error| bad(key, &error))?;
    let private = PrivateKeyDer::from_pem_file(key)
        .map_err(|error| bad(key, &format_args!("no private key can be read: {error}")))?;
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let mut config = ServerConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(|error| error.to_string())?
        .with_no_client_auth()
        .with_single_cert(chain, private)
        .map_err(|error| bad(key, &format_args!("it does not fit the certificate: {error}")))?;
    config.alpn_protocols = vec![b"http/1.1".to_vec()];
    Ok(config)
}

/// What everybody on the machine can read is no secret: a key, a password's file.
///
/// # Errors
/// Where it may be read by everybody, or can't be looked at.
pub fn only_ours(file: &Path) -> io::Result<()> {
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        if std::fs::metadata(file)?.permissions().mode() & 0o007 != 0 {
            return Err(io::Error::other("everybody on this machine may read it; `chmod o-rwx` it"));
        }
    }
    Ok(())
}
