//! The service manager hears when the daemon is ready, how it stands, that its work goes on and when it ends: at a real
//! socket, by the rules of sd_notify(3), in place of systemd.
#![cfg(target_os = "linux")]

use std::io::{BufRead, BufReader};
use std::os::unix::net::UnixDatagram;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use nix::sys::ptrace;
use nix::sys::signal::{Signal, kill};
use nix::sys::wait::{WaitPidFlag, waitpid};
use nix::unistd::Pid;

use crate::daemon::{FOLDWATCH, line, wait};

/// The manager's end.
struct Manager(UnixDatagram);

impl Manager {
    /// The next message, its lines; `None`: none came for so long.
    fn next(&self, longest: Duration) -> Option<Vec<String>> {
        self.0.set_read_timeout(Some(longest)).unwrap();
        let mut message = [0; 4096];
        let length = self.0.recv(&mut message).ok()?;
        Some(String::from_utf8_lossy(&message[..length]).lines().map(ToOwned::to_owned).collect())
    }

    /// Passes by what comes until a line begins so.
    fn until(&self, begins: &str) -> Vec<String> {
        let until = Instant::now() + Duration::from_secs(60);
        while Instant::now() < until {
            if let Some(lines) = self.next(Duration::from_secs(1))
                && lines.iter().any(|line| line.starts_with(begins))
            {
                return lines;
            }
        }
        panic!("the manager waited in vain for {begins}")
    }
}

/// The thread of a process that has this name.
fn thread(process: &Child, name: &str) -> Pid {
    let tasks = format!("/proc/{}/task", process.id());
    let named =
        |task: &Path| std::fs::read_to_string(task.join("comm")).is_ok_and(|comm| comm.trim() == name);
    let mut tasks = std::fs::read_dir(tasks).unwrap().map(|task| task.unwrap().path());
    let task = tasks.find(|task| named(task)).unwrap_or_else(|| panic!("no thread {name}"));
    Pid::from_raw(task.file_name().unwrap().to_str().unwrap().parse().unwrap())
}

#[test]
fn the_manager_hears_of_the_start_of_work_that_goes_on_and_of_the_end() {
    let room = tempfile::tempdir().unwrap();
    let socket = room.path().join("notify");
    let manager = Manager(UnixDatagram::bind(&socket).unwrap());
    let (_master, _slave, port) = line();
    let mut daemon = Command::new(FOLDWATCH)
        .args(["serve", "--listen", "127.0.0.1:0", "--profile", "hardtop-five", "--port", &port, "--data"])
        .arg(room.path().join("data"))
        .env("NOTIFY_SOCKET", &socket)
        .env("WATCHDOG_USEC", "3000000")
        .env("FOLDWATCH_LOG", "warn")
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let process = Pid::from_raw(daemon.id() as i32);
    let mut said = String::new();
    BufReader::new(daemon.stdout.take().unwrap()).read_line(&mut said).unwrap();
    manager.until("READY=1");
    manager.until("STATUS=");
    manager.until("WATCHDOG=1");
    manager.until("WATCHDOG=1");

    // The one writer alone stands still, as with a disk that never answers: everything else goes on, and that is not enough.
    let keeper = thread(&daemon, "keeper");
    ptrace::seize(keeper, ptrace::Options::empty()).unwrap();
    ptrace::interrupt(keeper).unwrap();
    waitpid(keeper, Some(WaitPidFlag::__WALL)).unwrap();
    manager.until("STATUS=The keeper does not get on");
    let silence = Instant::now() + Duration::from_secs(4);
    while let Some(left) = silence.checked_duration_since(Instant::now()).filter(|left| !left.is_zero()) {
        let heard = manager.next(left);
        assert!(
            heard.as_ref().is_none_or(|lines| lines.iter().all(|line| line != "WATCHDOG=1")),
            "{heard:?}"
        );
    }
    ptrace::detach(keeper, None).unwrap();
    manager.until("WATCHDOG=1");

    kill(process, Signal::SIGHUP).unwrap();
    let reloading = manager.until("RELOADING=1");
    assert!(reloading.iter().any(|line| line.starts_with("MONOTONIC_USEC=")), "{reloading:?}");
    manager.until("READY=1");

    kill(process, Signal::SIGTERM).unwrap();
    manager.until("STOPPING=1");
    let mut ended = None;
    wait("the end", || {
        ended = daemon.try_wait().unwrap();
        ended.is_some()
    });
    assert!(ended.unwrap().success(), "{ended:?}");
}
