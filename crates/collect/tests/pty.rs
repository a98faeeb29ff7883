//! Real pseudo-terminals: a logger made of frames at one end, the collector at the other.
#![allow(clippy::unwrap_used)] // A failure here is a failed test.

use std::collections::BTreeMap;
use std::os::unix::fs::symlink;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use foldwatch_collect::{Batch, Heard, Player, Port, PortNews, collect, play};
use foldwatch_encoder::{
    Clock, Encoding, End, Frame, FrameId, Health, Hello, Kind, MAX_PACKED, Reply, Scale, Signal,
};
use serialport::{SerialPort, TTYPort};
use tokio::runtime::Runtime;
use tokio::sync::mpsc;

fn encoded(encoding: Encoding, sequence: u32, frame: Frame<'_>) -> (FrameId, Vec<u8>) {
    let id = FrameId { logger: 0x2A, boot: 3, sequence };
    let mut out = [0; MAX_PACKED];
    let n = frame.encode(id, encoding, &mut out).unwrap();
    (id, out[..n].to_vec())
}

fn health(n: u32) -> Frame<'static> {
    let at = u64::from(n);
    Frame::Health(Health { at, fill_permille: 0, dropped: 0, supply_mv: None, temperature_dc: None })
}

/// A recording: a hello, health frames, the end.
fn recording(encoding: Encoding, frames: u32) -> Vec<(FrameId, Vec<u8>)> {
    let signals = [Signal { id: "pump", kind: Kind::State, unit: "", scale: Scale::ONE }];
    let encode = |sequence, frame| encoded(encoding, sequence, frame);
    let hello = Hello {
        at: 0,
        name: "bench",
        firmware: "1",
        clock: Clock::Millis32,
        epoch: None,
        period: 10,
        signals: &signals,
    };
    let mut all = vec![encode(0, Frame::Hello(hello))];
    for n in 1..frames - 1 {
        all.push(encode(n, health(n)));
    }
    all.push(encode(frames - 1, Frame::End(End { at: u64::from(frames) })));
    all
}

fn pair() -> (TTYPort, TTYPort, String) {
    let (mut master, slave) = TTYPort::pair().unwrap();
    master.set_timeout(Duration::from_millis(2)).unwrap();
    let name = slave.name().unwrap();
    (master, slave, name)
}

/// Keeps every frame in memory and acknowledges what is whole from the first on.
#[derive(Default)]
struct Kept {
    frames: Mutex<BTreeMap<u32, Vec<u8>>>,
    damaged: Mutex<u32>,
    news: Mutex<Vec<PortNews>>,
}

impl Kept {
    fn batch(&self, batch: Batch) {
        let mut frames = self.frames.lock().unwrap();
        for heard in batch.heard {
            match heard {
                Heard::Frame(arrived) => {
                    if let Some(before) = frames.insert(arrived.id.sequence, arrived.raw.clone()) {
                        assert_eq!(before, arrived.raw, "one identity, one frame");
                    }
                }
                Heard::Damage { .. } => *self.damaged.lock().unwrap() += 1,
                Heard::Columns(_) => panic!("these are frames"),
            }
        }
        let whole = (0..).take_while(|n| frames.contains_key(n)).count() as u32;
        if whole > 0 {
            batch.answer.send(Reply::Acknowledge { logger: 0x2A, boot: 3, up_to: whole - 1 });
        }
        if let Some(last) = frames.keys().next_back().copied()
            && last >= whole
        {
            let to = (whole..).take_while(|n| !frames.contains_key(n)).last().unwrap();
            batch.answer.send(Reply::Resend { logger: 0x2A, boot: 3, from: whole, to });
        }
    }

    fn words(&self) -> String {
        self.news.lock().unwrap().iter().map(|n| n.words.clone()).collect::<Vec<_>>().join(" | ")
    }

    fn wait(&self, what: impl Fn(&Kept) -> bool) {
        let until = Instant::now() + Duration::from_secs(20);
        while !what(self) {
            assert!(Instant::now() < until, "waited in vain; {}", self.words());
            std::thread::sleep(Duration::from_millis(5));
        }
    }
}

fn listen(runtime: &Runtime, name: &str) -> Arc<Kept> {
    let kept = Arc::new(Kept::default());
    let (to, mut batches) = mpsc::channel(4);
    let port = Port { name: name.to_owned(), baud: 115_200, encoding: None };
    let news = Arc::clone(&kept);
    runtime.spawn(collect(vec![port], to, move |n| news.news.lock().unwrap().push(n)));
    let into = Arc::clone(&kept);
    runtime.spawn(async move {
        while let Some(batch) = batches.recv().await {
            into.batch(batch);
        }
    });
    kept
}

#[test]
fn a_backlog_is_taken_over_whole_in_both_encodings() {
    for encoding in [Encoding::Packed, Encoding::Text] {
        let runtime = Runtime::new().unwrap();
        let (mut master, _slave, name) = pair();
        let kept = listen(&runtime, &name);
        let frames = recording(encoding, 3000);
        let mut player = Player::new(encoding, frames.clone());
        play(&mut player, &mut master, &mut |player| !player.is_done()).unwrap();
        assert!(player.is_done());
        let got: Vec<_> = kept.frames.lock().unwrap().values().cloned().collect();
        assert!(got.iter().eq(frames.iter().map(|(_, raw)| raw)));
        kept.wait(|k| k.words().contains("recording"));
    }
}

#[test]
fn a_plug_pulled_in_the_middle_of_a_frame_and_put_in_under_another_name_loses_nothing() {
    let runtime = Runtime::new().unwrap();
    let dir = tempfile::tempdir().unwrap();
    let pattern = dir.path().join("tty*");
    let kept = listen(&runtime, pattern.to_str().unwrap());
    let frames = recording(Encoding::Packed, 4000);
    let mut player = Player::new(Encoding::Packed, frames.clone());
    for n in 0.. {
        let (mut master, slave, name) = pair();
        let link = dir.path().join(format!("ttyUSB{n}"));
        symlink(&name, &link).unwrap();
        // Pulled after so many looks: at any byte.
        let mut looks = 40 + 17 * n;
        play(&mut player, &mut master, &mut |player| {
            looks -= 1;
            looks > 0 && !player.is_done()
        })
        .unwrap();
        std::fs::remove_file(&link).unwrap();
        drop((master, slave));
        if player.is_done() {
            assert!(n > 1, "it was pulled at least twice");
            break;
        }
        assert!(n < 30, "{:?}", player.progress());
    }
    let got: Vec<_> = kept.frames.lock().unwrap().values().cloned().collect();
    assert!(got.iter().eq(frames.iter().map(|(_, raw)| raw)));
    kept.wait(|k| k.words().contains("unplugged"));
}

#[test]
fn damage_is_asked_for_again() {
    use std::io::Write;
    struct Noisy(TTYPort, u32);
    impl std::io::Read for Noisy {
        fn read(&mut self, to: &mut [u8]) -> std::io::Result<usize> {
            self.0.read(to)
        }
    }
    impl Write for Noisy {
        fn write(&mut self, from: &[u8]) -> std::io::Result<usize> {
            let mut hurt = from.to_vec();
            for byte in &mut hurt {
                self.1 = self.1.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                if self.1 >> 16 & 0x3FF == 0 {
                    *byte ^= 0x10;
                }
            }
            self.0.write(&hurt)
        }
        fn flush(&mut self) -> std::io::Result<()> {
            self.0.flush()
        }
    }
    let runtime = Runtime::new().unwrap();
    let (master, _slave, name) = pair();
    let kept = listen(&runtime, &name);
    let mut frames = recording(Encoding::Packed, 1500);
    let mut player = Player::new(Encoding::Packed, frames.clone());
    // A logger goes on speaking (the stream's rule 4), in a test sooner: so a frame that was lost as the last, or a second
    // time, is missed.
    let mut since = (0, Instant::now());
    play(&mut player, &mut Noisy(master, 1), &mut |player| {
        let acknowledged = player.progress().acknowledged;
        if acknowledged != since.0 {
            since = (acknowledged, Instant::now());
        } else if since.1.elapsed() > Duration::from_millis(300) {
            since.1 = Instant::now();
            let n = frames.len() as u32;
            let (id, raw) = encoded(Encoding::Packed, n, health(n));
            frames.push((id, raw.clone()));
            player.add(id, raw);
        }
        !player.is_done()
    })
    .unwrap();
    let got: Vec<_> = kept.frames.lock().unwrap().values().cloned().collect();
    assert!(got.iter().eq(frames.iter().map(|(_, raw)| raw)));
    assert!(*kept.damaged.lock().unwrap() > 5);
    assert!(player.progress().sent_again > 0);
}

#[test]
fn rubbish_and_silence_and_no_port_are_said_in_words() {
    use std::io::Write;
    let runtime = Runtime::new().unwrap();
    let (mut master, _slave, name) = pair();
    let rubbish = listen(&runtime, &name);
    let (_quiet_master, _quiet_slave, quiet_name) = pair();
    let quiet = listen(&runtime, &quiet_name);
    let nothing = listen(&runtime, "/dev/tty-that-is-not-there");
    let noise: Vec<u8> = (0..1024u32).map(|n| [0xF8, 0x00, 0x3C, 0xE0, 0xFF][n as usize % 5]).collect();
    let until = Instant::now() + Duration::from_secs(20);
    while !rubbish.words().contains("speed") {
        assert!(Instant::now() < until, "{}", rubbish.words());
        let _ = master.write(&noise);
        std::thread::sleep(Duration::from_millis(50));
    }
    assert!(rubbish.news.lock().unwrap().iter().all(|n| !n.well));
    quiet.wait(|k| k.words().contains("nothing has come yet"));
    nothing.wait(|k| k.words().contains("not plugged in"));
}
