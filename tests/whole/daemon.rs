//! A daemon in a process of its own, and a logger at the other end of a pseudo-terminal.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use flate2::read::GzDecoder;
use foldwatch_collect::{Player, play};
use foldwatch_encoder::Encoding;
use foldwatch_wire::FrameId;
use serialport::{SerialPort, TTYPort};

pub const FOLDWATCH: &str = env!("CARGO_BIN_EXE_foldwatch");

/// The top of the project.
pub fn top() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

/// What a command wrote to standard output; it must succeed.
pub fn run(args: &[&str]) -> String {
    let done = Command::new(FOLDWATCH).args(args).current_dir(top()).output().unwrap();
    assert!(done.status.success(), "{args:?}: {}", String::from_utf8_lossy(&done.stderr));
    String::from_utf8(done.stdout).unwrap()
}

/// A pseudo-terminal: the logger's end, and the name of the host's. The host's end is kept open, so that a host which
/// goes away does not hang up the line.
pub fn line() -> (TTYPort, TTYPort, String) {
    let (mut master, slave) = TTYPort::pair().unwrap();
    master.set_timeout(Duration::from_millis(2)).unwrap();
    let name = slave.name().unwrap();
    (master, slave, name)
}

/// The frames of a packed log with their bytes.
pub fn frames(log: &Path) -> Vec<(FrameId, Vec<u8>)> {
    let mut bytes = Vec::new();
    GzDecoder::new(std::fs::File::open(log).unwrap()).read_to_end(&mut bytes).unwrap();
    foldwatch_collect::recorded(&bytes).unwrap()
}

/// A daemon that is killed when dropped.
pub struct Daemon {
    child: Child,
    data: PathBuf,
    pub address: SocketAddr,
}

impl Daemon {
    /// Begins to start one, which says where it is once it serves.
    pub fn spawn(data: &Path, port: &str, car: &str, profile: &str) -> Child {
        Daemon::spawn_with(data, port, car, profile, &[])
    }

    fn spawn_with(data: &Path, port: &str, car: &str, profile: &str, more: &[&str]) -> Child {
        Command::new(FOLDWATCH)
            .args(["serve", "--listen", "127.0.0.1:0", "--port", port, "--car", car, "--profile", profile])
            .args(more)
            .arg("--data")
            .arg(data)
            .env("FOLDWATCH_LOG", "warn")
            .current_dir(top())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap()
    }

    /// One that serves what its settings say.
    pub fn start_from(config: &Path, data: &Path, port: &str) -> Daemon {
        let mut command = Command::new(FOLDWATCH);
        command.args(["serve", "--listen", "127.0.0.1:0", "--port", port, "--config"]).arg(config);
        command.arg("--data").arg(data).env("FOLDWATCH_LOG", "warn").stdout(Stdio::piped());
        Daemon::serving(command.spawn().unwrap(), data)
    }

    /// One that serves.
    pub fn start(data: &Path, port: &str, car: &str, profile: &str) -> Daemon {
        Daemon::start_with(data, port, car, profile, &[])
    }

    /// One that serves, told more on its command line.
    pub fn start_with(data: &Path, port: &str, car: &str, profile: &str, more: &[&str]) -> Daemon {
        Daemon::serving(Daemon::spawn_with(data, port, car, profile, more), data)
    }

    /// One that serves, and whose log goes to a file.
    pub fn start_heard(data: &Path, port: &str, car: &str, profile: &str, log: &Path) -> Daemon {
        let mut command = Command::new(FOLDWATCH);
        command.args([
            "serve",
            "--listen",
            "127.0.0.1:0",
            "--port",
            port,
            "--car",
            car,
            "--profile",
            profile,
        ]);
        command.arg("--data").arg(data).env("FOLDWATCH_LOG", "info").current_dir(top());
        command.stdout(Stdio::piped()).stderr(std::fs::File::create(log).unwrap());
        Daemon::serving(command.spawn().unwrap(), data)
    }

    /// Its process.
    pub fn pid(&self) -> u32 {
        self.child.id()
    }

    /// How many files and threads it holds.
    pub fn holds(&self) -> (usize, usize) {
        let count = |what: &str| std::fs::read_dir(format!("/proc/{}/{what}", self.pid())).unwrap().count();
        (count("fd"), count("task"))
    }

    /// How much of the memory it takes, in MiB.
    pub fn memory(&self) -> usize {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.pid())).unwrap();
        let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:")).unwrap();
        line.trim().trim_end_matches(" kB").parse::<usize>().unwrap() / 1024
    }

    /// What it has counted.
    pub fn count(&self, name: &str) -> f64 {
        let metrics = self.get("/metrics");
        let line = metrics.lines().find_map(|line| line.strip_prefix(name)?.strip_prefix(' '));
        line.unwrap_or_else(|| panic!("no {name}: {metrics}")).trim().parse().unwrap()
    }

    /// One that has taken over four cycles of the car `oak`, and the line to its logger.
    pub fn with_four_cycles(data: &Path) -> (Daemon, (TTYPort, TTYPort)) {
        let (mut master, slave, name) = line();
        let daemon = Daemon::start(data, &name, "oak", "hardtop-five");
        let mut player =
            Player::new(Encoding::Packed, frames(&top().join("sample-logs/packed/four-cycles.bin.gz")));
        play(&mut player, &mut master, &mut |player| !player.is_done()).unwrap();
        wait("the cycles", || daemon.get("/api/v1/cars/oak/cycles").matches("\"start\"").count() >= 4);
        (daemon, (master, slave))
    }

    /// One that was begun, once it serves.
    pub fn serving(mut child: Child, data: &Path) -> Daemon {
        let mut said = String::new();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut said).unwrap();
        let address = said.trim().trim_start_matches("http://").trim_end_matches('/');
        let address = address.parse().unwrap_or_else(|_| panic!("the daemon said: {said}"));
        Daemon { child, data: data.to_owned(), address }
    }

    /// What a page or an address of the API answers.
    pub fn get(&self, path: &str) -> String {
        self.ask(&format!("GET {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n"))
    }

    /// What is answered to what the owner sends.
    pub fn post(&self, path: &str, kind: &str, body: &str) -> String {
        let password = std::fs::read_to_string(self.data.join("owner-password")).unwrap();
        let form = format!("name=owner&password={}", password.trim());
        let signed = self.send("/sign-in", "application/x-www-form-urlencoded", "", &form);
        let session = signed.lines().find_map(|line| line.strip_prefix("set-cookie: foldwatch-session="));
        let session =
            session.and_then(|cookie| cookie.split(';').next()).unwrap_or_else(|| panic!("{signed}"));
        self.send(path, kind, &format!("Cookie: foldwatch-session={session}\r\n"), body)
    }

    fn send(&self, path: &str, kind: &str, more: &str, body: &str) -> String {
        let length = body.len();
        self.ask(&format!(
            "POST {path} HTTP/1.1\r\nHost: localhost\r\nOrigin: http://localhost\r\nConnection: close\r\n\
             {more}Content-Type: {kind}\r\nContent-Length: {length}\r\n\r\n{body}"
        ))
    }

    /// The bytes that stand at an address.
    pub fn download(&self, path: &str) -> Vec<u8> {
        let answer =
            self.answer(&format!("GET {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n"));
        assert!(answer.starts_with(b"HTTP/1.1 200"), "{path}");
        let body = answer.windows(4).position(|bytes| bytes == b"\r\n\r\n").unwrap() + 4;
        answer[body..].to_vec()
    }

    fn ask(&self, request: &str) -> String {
        String::from_utf8_lossy(&self.answer(request)).into_owned()
    }

    fn answer(&self, request: &str) -> Vec<u8> {
        let mut stream = TcpStream::connect(self.address).unwrap();
        stream.write_all(request.as_bytes()).unwrap();
        let mut answer = Vec::new();
        stream.read_to_end(&mut answer).unwrap();
        answer
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Asks until it is so.
pub fn wait(what: &str, mut is_so: impl FnMut() -> bool) {
    let until = Instant::now() + Duration::from_secs(60);
    while !is_so() {
        assert!(Instant::now() < until, "waited in vain for {what}");
        std::thread::sleep(Duration::from_millis(20));
    }
}
