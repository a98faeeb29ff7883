//! People outside are told: once, whatever the receiver does and however the daemon ends.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::Command;
use std::sync::{Arc, Mutex};

use foldwatch_collect::{Player, play};
use serde_json::Value;

use crate::daemon::{Daemon, FOLDWATCH, frames, line, top, wait};

/// What came in: its header fields and its body.
#[derive(Clone, Debug)]
struct Request {
    head: String,
    body: String,
}

impl Request {
    fn field(&self, name: &str) -> &str {
        let of =
            |line: &'_ str| line.split_once(": ").is_some_and(|(field, _)| field.eq_ignore_ascii_case(name));
        self.head.lines().find(|line| of(line)).unwrap().split_once(": ").unwrap().1
    }

    fn message(&self) -> Value {
        serde_json::from_str(&self.body).unwrap()
    }
}

/// Takes requests and answers the first `refused` of them with a refusal.
fn receiver(refused: usize) -> (String, Arc<Mutex<Vec<Request>>>) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let url = format!("http://{}/roofs", listener.local_addr().unwrap());
    let taken = Arc::new(Mutex::new(Vec::new()));
    let kept = Arc::clone(&taken);
    std::thread::spawn(move || {
        for stream in listener.incoming() {
            let mut stream = BufReader::new(stream.unwrap());
            let Some(request) = request(&mut stream) else { continue };
            let mut kept = kept.lock().unwrap();
            kept.push(request);
            let answer = match kept.len() <= refused {
                true => {
                    "HTTP/1.1 503 Service Unavailable\r\nContent-Length: 4\r\nConnection: close\r\n\r\nbusy"
                }
                false => "HTTP/1.1 204 No Content\r\nConnection: close\r\n\r\n",
            };
            stream.get_mut().write_all(answer.as_bytes()).unwrap();
        }
    });
    (url, taken)
}

fn request(stream: &mut BufReader<TcpStream>) -> Option<Request> {
    let mut head = String::new();
    while !head.ends_with("\r\n\r\n") {
        if stream.read_line(&mut head).ok()? == 0 {
            return None;
        }
    }
    let mut request = Request { head, body: String::new() };
    let mut body = vec![0; request.field("content-length").parse().unwrap()];
    stream.read_exact(&mut body).ok()?;
    request.body = String::from_utf8(body).unwrap();
    Some(request)
}

fn private(path: &Path, text: &str) {
    std::fs::write(path, text).unwrap();
    use std::os::unix::fs::PermissionsExt;
    std::fs::set_permissions(path, std::fs::Permissions::from_mode(0o600)).unwrap();
}

fn settings(folder: &Path, url: &str) -> std::path::PathBuf {
    private(&folder.join("office.secret"), "0123456789abcdef0123456789abcdef\n");
    let path = folder.join("foldwatch.toml");
    // The week was recorded long ago.
    let text = format!(
        "[[car]]\nid = \"harbour-2\"\nname = \"Harbour 2\"\nprofile = \"hardtop-five\"\n\
         [alarms]\nfresh_days = 36500\nforget_days = 36500\npages = \"https://roofs.example.org/\"\n\
         [[alarms.webhook]]\nname = \"office\"\nurl = \"{url}\"\nsecret = \"office.secret\"\n"
    );
    std::fs::write(&path, text).unwrap();
    path
}

/// A week with faults: every matter comes once, though the first message was refused and the daemon was killed before it
/// was taken; nothing more comes after one more start.
#[test]
fn every_matter_is_told_once() {
    let folder = tempfile::tempdir().unwrap();
    let (url, taken) = receiver(1);
    let config = settings(folder.path(), &url);
    let data = folder.path().join("data");
    let (mut master, _slave, name) = line();
    let start = || Daemon::start_from(&config, &data, &name);
    let daemon = start();
    let log = frames(&top().join("sample-logs/packed/week.bin.gz"));
    let mut player = Player::new(foldwatch_encoder::Encoding::Packed, log);
    play(&mut player, &mut master, &mut |player| !player.is_done()).unwrap();
    wait("the refused message", || !taken.lock().unwrap().is_empty());
    drop(daemon);

    let daemon = start();
    let matters = || {
        let answer = daemon.get("/api/v1/alarms");
        let (_, body) = answer.split_once("\r\n\r\n").unwrap();
        serde_json::from_str::<Value>(&body[body.find('{').unwrap()..=body.rfind('}').unwrap()]).unwrap()
    };
    let all_told = |matters: &Value| {
        let list = matters["matters"].as_array().unwrap();
        let due = |m: &&Value| m["at_once"] == true || m["cycles"].as_u64() >= Some(3);
        list.iter().any(|m| m["about"] == "wear")
            && list.iter().filter(due).all(|m| m["told"][0]["arrived"].is_string())
    };
    wait("the messages", || all_told(&matters()));
    let page = daemon.get("/fleet");
    assert!(page.contains("Messages") && page.contains("webhook:office"), "{page}");
    drop(daemon);
    let _daemon = start();
    std::thread::sleep(std::time::Duration::from_secs(2));

    let taken = taken.lock().unwrap().clone();
    let (refused, rest) = taken.split_first().unwrap();
    let mut ids: Vec<&str> = rest.iter().map(|request| request.field("idempotency-key")).collect();
    // Refused, it came again as it was.
    let again = rest.iter().find(|r| r.field("idempotency-key") == refused.field("idempotency-key")).unwrap();
    assert_eq!(again.body, refused.body);
    let all = ids.len();
    ids.sort_unstable();
    ids.dedup();
    assert_eq!(ids.len(), all, "{taken:?}");
    let subjects: Vec<String> = rest.iter().map(|r| r.message()["subject"].to_string()).collect();
    let mut different = subjects.clone();
    different.sort();
    different.dedup();
    assert_eq!(different.len(), subjects.len(), "{subjects:?}");
    assert!(subjects.len() >= 2 && rest.iter().any(|r| r.message()["subject"]["of"] == "wear"));
    assert_eq!(refused.message()["page"], "https://roofs.example.org/cars/harbour-2");
    assert!(refused.field("signature-input").contains("keyid=\"office\""));

    let listed = Command::new(FOLDWATCH)
        .args(["alarms", "--config", config.to_str().unwrap(), "--data", data.to_str().unwrap()])
        .output()
        .unwrap();
    let listed = String::from_utf8(listed.stdout).unwrap();
    assert!(listed.contains("Harbour 2") && listed.contains("webhook:office"), "{listed}");
}

#[test]
fn a_way_is_tried_and_a_wrong_one_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let attempt = |config: &Path| {
        Command::new(FOLDWATCH)
            .args(["alarms", "--try", "--data", "none", "--config"])
            .arg(config)
            .output()
            .unwrap()
    };
    let (url, taken) = receiver(0);
    let config = settings(folder.path(), &url);
    let done = attempt(&config);
    assert!(done.status.success(), "{done:?}");
    assert_eq!(taken.lock().unwrap()[0].message()["subject"]["of"], "trial");

    // Nobody is there.
    let done = attempt(&settings(folder.path(), "http://127.0.0.1:9/"));
    assert_eq!(done.status.code(), Some(1));
    assert!(
        String::from_utf8_lossy(&done.stdout).contains("webhook:office: http://127.0.0.1:9/"),
        "{done:?}"
    );

    let text = std::fs::read_to_string(&config).unwrap();
    let mail =
        "[alarms.mail]\nserver = \"mail.example.org\"\nfrom = \"a@example.org\"\nto = [\"b@example.org\"]\n";
    for (wrong, said) in [
        (text.replace("http://127.0.0.1:9/", "http://192.0.2.1/"), "is not encrypted"),
        (text.replace("http://127.0.0.1:9/", "ftp://a"), "is no address"),
        (text.replace("[alarms]", "[alarms]\nquiet = \"21-7\"\nzone = \"UTC\""), "are no hours"),
        (text.replace("[alarms]", "[alarms]\nquiet = \"21:00-07:00\""), "alarms.zone"),
        (text.replace("[alarms]", "[alarms]\nrepeated = 0"), "at least 1"),
        (format!("{text}{mail}encryption = \"none\"\n"), "only to this machine"),
        (format!("{text}{}", mail.replace("a@example.org", "nobody")), "`nobody` is no address"),
        (format!("{text}{mail}user = \"me\"\n"), "belong together"),
        (text.split("[[alarms").next().unwrap().to_owned(), "tells nobody"),
    ] {
        std::fs::write(&config, &wrong).unwrap();
        let done = attempt(&config);
        let error = String::from_utf8_lossy(&done.stderr).into_owned();
        assert!(done.status.code() == Some(1) && error.contains(said), "{wrong}: {error}");
    }
    private(&folder.path().join("office.secret"), "short\n");
    std::fs::write(&config, &text).unwrap();
    let done = attempt(&config);
    assert!(String::from_utf8_lossy(&done.stderr).contains("at least 32"), "{done:?}");
}
