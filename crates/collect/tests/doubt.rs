//! A logger, a line that damages both ways, and a daemon that is killed at any moment: what an acknowledgement frees is
//! on disk. Everything is made up from a seed, the time as well.
#![allow(clippy::unwrap_used)] // A failure here is a failed test.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::time::{Duration, Instant};

use foldwatch_collect::{Answers, Kept, Player};
use foldwatch_encoder::{Encoding, FrameId, Reply};

const LOGGER: u32 = 7;
/// Starts of the logger and how many frames each has. Some numbers are left out.
const STARTS: &[(u32, u32)] = &[(1, 6), (2, 3), (4, 5), (5, 1), (8, 4), (9, 2)];
const TICK: Duration = Duration::from_millis(50);
/// The line is bad and the daemon is killed for so many ticks; then both are sound.
const BAD: u64 = 400;
const IN_ALL: u64 = 4000;

struct Chance(u64);

impl Chance {
    /// One in `n`.
    fn one_in(&mut self, n: u64) -> bool {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33).is_multiple_of(n)
    }
}

/// The daemon: its disk, which outlives it, and what it has in its head.
#[derive(Default)]
struct Host {
    held: BTreeMap<u32, BTreeSet<u32>>,
    given_up: BTreeSet<(u32, u32)>,
    answers: Answers,
    damage: u64,
    /// Something was understood since the port was opened.
    heard: bool,
}

impl Host {
    /// As the store tells it.
    fn kept(&self, boot: u32, new: bool) -> Kept {
        let held = &self.held[&boot];
        let has = |n: &u32| held.contains(n) || self.given_up.contains(&(boot, *n));
        let (first, highest) = (*held.first().unwrap(), *held.last().unwrap());
        let missing = (0..highest).filter(|n| !has(n)).map(|n| n..=n).collect();
        Kept {
            up_to: (first..=highest).take_while(has).last().unwrap(),
            highest,
            missing,
            begins: new && held.len() == 1,
            earlier: self.held.range(..boot).rev().map(|(earlier, _)| *earlier).take(8).collect(),
        }
    }

    fn takes(&mut self, boot: u32, sequence: u32) {
        self.heard = true;
        let new = self.held.entry(boot).or_default().insert(sequence);
        let kept = self.kept(boot, new);
        self.answers.kept(LOGGER, boot, kept, self.damage);
    }

    fn says(&mut self, now: Instant) -> Vec<Reply> {
        let turn = self.answers.turn(LOGGER, self.damage, now);
        for (boot, range) in turn.lost {
            self.given_up.extend(range.map(|n| (boot, n)));
            let kept = self.kept(boot, false);
            self.answers.kept(LOGGER, boot, kept, self.damage);
        }
        let ask = |(boot, range): (u32, std::ops::RangeInclusive<u32>)| Reply::Resend {
            logger: LOGGER,
            boot,
            from: *range.start(),
            to: *range.end(),
        };
        let freed = turn.acknowledge.map(|(boot, up_to)| Reply::Acknowledge { logger: LOGGER, boot, up_to });
        turn.ask.into_iter().map(ask).chain(freed).collect()
    }
}

fn hears(player: &mut Player, reply: Reply) {
    let mut out = [0; Reply::MAX_LEN];
    let n = reply.encode(Encoding::Text, &mut out).unwrap();
    player.hear(&out[..n]);
}

/// How often the daemon was killed, and after how many ticks all was over.
fn play(seed: u64) -> (u32, u64) {
    let mut chance = Chance(seed);
    let (begin, mut host, mut kills) = (Instant::now(), Host::default(), 0);
    let mut player = Player::new(Encoding::Text, []);
    let mut to_come: VecDeque<(u32, u32)> =
        STARTS.iter().flat_map(|(boot, frames)| (0..*frames).map(move |n| (*boot, n))).collect();
    let mut recorded = Vec::new();
    // The logger was heard once on a sound line: of one that never was, nothing on disk tells that it had earlier starts.
    let first = to_come.pop_front().unwrap();
    recorded.push(first);
    player.add(FrameId { logger: LOGGER, boot: first.0, sequence: first.1 }, vec![1, 0]);
    host.takes(first.0, first.1);
    for tick in 0..IN_ALL {
        let bad = tick < BAD;
        // The last one comes on a sound line, as it does from a logger that is live.
        let comes = if bad { to_come.len() > 1 && chance.one_in(6) } else { true };
        if let Some((boot, sequence)) = to_come.pop_front_if(|_| comes) {
            recorded.push((boot, sequence));
            player.add(FrameId { logger: LOGGER, boot, sequence }, vec![boot as u8, sequence as u8]);
        }
        if bad && chance.one_in(25) {
            // Killed and started again: what it had in its head is gone, and the port is opened anew.
            host = Host { held: host.held, given_up: host.given_up, ..Host::default() };
            kills += 1;
        }
        if !host.heard && tick % 10 == 0 {
            hears(&mut player, Reply::Hello);
        }
        for _ in 0..4 {
            let Some(&[boot, sequence]) = player.next_bytes().map(|raw| <&[u8; 2]>::try_from(raw).unwrap())
            else {
                break;
            };
            match bad && chance.one_in(2) {
                true => host.damage += 1,
                false => host.takes(boot.into(), sequence.into()),
            }
        }
        for reply in host.says(begin + TICK * tick as u32) {
            if let Reply::Acknowledge { boot, up_to, .. } = reply {
                let freed = recorded.iter().filter(|frame| **frame <= (boot, up_to));
                let on_disk = |(boot, n): &(u32, u32)| {
                    host.held.get(boot).is_some_and(|held| held.contains(n))
                        || host.given_up.contains(&(*boot, *n))
                };
                let lost: Vec<_> = freed.filter(|frame| !on_disk(frame)).collect();
                assert!(
                    lost.is_empty(),
                    "seed {seed}, tick {tick}: {boot}.{up_to} frees {lost:?}, which never came"
                );
            }
            if !bad || !chance.one_in(10) {
                hears(&mut player, reply);
            }
        }
        if to_come.is_empty() && player.is_done() {
            return (kills, tick);
        }
    }
    panic!("seed {seed}: not done, {:?}", player.progress());
}

#[test]
fn what_is_acknowledged_is_on_disk_whenever_the_daemon_is_killed() {
    let played: Vec<(u32, u64)> = (0..500).map(play).collect();
    let kills: u32 = played.iter().map(|(kills, _)| kills).sum();
    println!(
        "{} lines, {kills} kills, over after {:?} ticks at the most",
        played.len(),
        played.iter().map(|p| p.1).max()
    );
    assert!(kills > 5_000);
}
