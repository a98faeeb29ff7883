//! Certificate and key are replaced while the daemon serves.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;

use rcgen::{CertificateParams, KeyPair};
use rustls::pki_types::{CertificateDer, ServerName};
use rustls::{ClientConfig, ClientConnection, RootCertStore, StreamOwned};

use crate::daemon::{FOLDWATCH, wait};

type Line = StreamOwned<ClientConnection, TcpStream>;

/// A new certificate of its own authority, with its key, in the two files.
fn issued(folder: &Path) -> CertificateDer<'static> {
    let key = KeyPair::generate().unwrap();
    let certificate = CertificateParams::new(["localhost".to_owned()]).unwrap().self_signed(&key).unwrap();
    std::fs::write(folder.join("certificate.pem"), certificate.pem()).unwrap();
    let file = folder.join("key.pem");
    std::fs::write(&file, key.serialize_pem()).unwrap();
    std::fs::set_permissions(&file, std::fs::Permissions::from_mode(0o600)).unwrap();
    certificate.der().clone()
}

/// A connection of somebody who trusts this certificate and no other.
fn connected(address: SocketAddr, trusted: &CertificateDer<'static>) -> Result<Line, String> {
    let mut roots = RootCertStore::empty();
    roots.add(trusted.clone()).map_err(|error| error.to_string())?;
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let config = ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(|error| error.to_string())?
        .with_root_certificates(roots)
        .with_no_client_auth();
    let name = ServerName::try_from("localhost").map_err(|error| error.to_string())?;
    let client = ClientConnection::new(Arc::new(config), name).map_err(|error| error.to_string())?;
    let mut line = StreamOwned::new(client, TcpStream::connect(address).map_err(|error| error.to_string())?);
    // The first write shakes hands.
    line.flush().map_err(|error| error.to_string())?;
    while line.conn.is_handshaking() {
        line.conn.complete_io(&mut line.sock).map_err(|error| error.to_string())?;
    }
    Ok(line)
}

/// What is answered on a line that stays open.
fn ready(line: &mut Line) -> String {
    line.write_all(b"GET /ready HTTP/1.1\r\nHost: localhost\r\n\r\n").unwrap();
    let mut answer = Vec::new();
    let mut piece = [0; 1024];
    while !answer.ends_with(b"ready\n") {
        match line.read(&mut piece).unwrap() {
            0 => break,
            n => answer.extend_from_slice(&piece[..n]),
        }
    }
    String::from_utf8(answer).unwrap()
}

fn reload(daemon: &Child) {
    assert!(Command::new("kill").args(["-HUP", &daemon.id().to_string()]).status().unwrap().success());
}

#[test]
fn a_new_certificate_is_shown_to_who_comes_next_and_nobody_is_cut_off() {
    let room = tempfile::tempdir().unwrap();
    let first = issued(room.path());
    let settings = room.path().join("foldwatch.toml");
    std::fs::write(
        &settings,
        "data = \"data\"\n[tls]\ncertificate = \"certificate.pem\"\nkey = \"key.pem\"\n[[car]]\nid = \"oak\"\n\
         profile = \"hardtop-five\"\n",
    )
    .unwrap();
    let mut daemon = Command::new(FOLDWATCH)
        .args(["serve", "--listen", "127.0.0.1:0", "--data"])
        .arg(room.path().join("data"))
        .arg("--config")
        .arg(&settings)
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut said = String::new();
    BufReader::new(daemon.stdout.take().unwrap()).read_line(&mut said).unwrap();
    let address = said.trim().trim_start_matches("https://").trim_end_matches('/').parse().unwrap();
    let mut early = connected(address, &first).unwrap();
    assert!(ready(&mut early).starts_with("HTTP/1.1 200"));

    let second = issued(room.path());
    // Nobody asked for it yet.
    connected(address, &first).unwrap();
    reload(&daemon);
    wait("the new certificate", || connected(address, &second).is_ok());
    assert!(connected(address, &first).is_err());
    assert!(ready(&mut early).starts_with("HTTP/1.1 200"), "who was there stays");

    // A key that does not fit is told and not taken.
    let stranger = issued(room.path());
    std::fs::write(room.path().join("certificate.pem"), "no certificate\n").unwrap();
    reload(&daemon);
    let mut log = BufReader::new(daemon.stderr.take().unwrap());
    let mut told = String::new();
    while !told.contains("are not taken") {
        told.clear();
        assert!(log.read_line(&mut told).unwrap() > 0, "nothing was told");
    }
    assert!(told.contains("certificate.pem"), "{told}");
    connected(address, &second).unwrap();
    assert!(connected(address, &stranger).is_err());
    daemon.kill().unwrap();
    daemon.wait().unwrap();
}
