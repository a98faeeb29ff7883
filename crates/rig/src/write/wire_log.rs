//! The packed and the text stream, written through the encoder that firmware uses.

use foldwatch_encoder::{
    Block, Clock, Edge, EncodeError, Encoding, End, Frame, FrameId, Health, Hello, Kind, MAX_PACKED, Mark,
    Scale, Signal, TimeNote,
};
use foldwatch_profile::{Level, SignalIx, SignalKind};
use foldwatch_units::{Micros, Seconds};
use rand::{Rng, SeedableRng};
use rand_pcg::Pcg64Mcg;

use crate::channel::Channel;
use crate::fault::FaultKind;
use crate::scenario::Scenario;
use crate::sim::{Recorder, RigEvent};
use crate::truth::{LogTruth, TruthLine};

/// How a logger writes.
#[derive(Debug, Clone, PartialEq)]
pub struct WireOptions {
    /// Packed or text.
    pub encoding: Encoding,
    /// The logger's number.
    pub logger: u32,
    /// Number of its first boot; each restart counts one up.
    pub boot: u32,
    /// What its counter counts.
    pub clock: Clock,
    /// Reading of the counter at the start of the log.
    pub counter_start: u64,
    /// It knows the date.
    pub dated: bool,
    /// Its clock runs fast by so many millionths.
    pub drift_ppm: f64,
    /// The host's time arrives so often; `None`: never.
    pub host_time_every: Option<Seconds>,
    /// Chance of a frame to be damaged on the way.
    pub damage: f64,
    /// Seed of the damage.
    pub seed: u64,
}

impl WireOptions {
    /// A sound logger's; the scenario's faults of the logger are taken in at their full strength.
    pub fn new(encoding: Encoding, scenario: &Scenario) -> WireOptions {
        let mut options = WireOptions {
            encoding,
            logger: 0x2A,
            boot: 1,
            clock: Clock::Micros64,
            counter_start: 0,
            dated: true,
            drift_ppm: 0.0,
            host_time_every: None,
            damage: 0.0,
            seed: scenario.seed,
        };
        for fault in &scenario.faults {
            let s = fault.strength.clamp(0.0, 1.0);
            match fault.kind {
                FaultKind::ClockDrift => {
                    options.drift_ppm = 20.0 + 480.0 * s;
                    options.host_time_every = Some(Seconds(6.0 * 3600.0));
                }
                // The counter wraps a minute after the first use has begun.
                FaultKind::WrappedCounter => {
                    options.clock = Clock::Millis32;
                    let first = scenario.uses.first().map_or(60.0, |u| (u.at - scenario.start).0 + 10.0);
                    options.counter_start = (1u64 << 32).saturating_sub((first.max(1.0) * 1e3) as u64);
                }
                FaultKind::CorruptedBytes => options.damage = 0.001 + 0.03 * s,
                _ => {}
            }
        }
        options
    }
}

/// Rows of one frame: a quarter of a second at 100 Hz, as a live logger would send them.
const ROWS: usize = 25;
/// How often the logger tells how it is doing.
const HEALTH: Seconds = Seconds(600.0);

/// Writes what the rig's logger sees.
#[derive(Debug)]
pub struct WireLog {
    options: WireOptions,
    rng: Pcg64Mcg,
    words: Vec<(String, Kind, &'static str, Scale)>,
    channels: Vec<Channel>,
    /// For each signal of the profile: its bit, and whether on is high.
    bits: Vec<Option<(u8, bool)>>,
    period: f64,
    boot: u32,
    sequence: u32,
    /// Time at which the counter stood at `counter_zero`.
    zero: Micros,
    counter_zero: u64,
    levels: u64,
    told: bool,
    block: Vec<i32>,
    block_at: Micros,
    last_at: Micros,
    block_period: Option<Seconds>,
    rows: usize,
    next_health: Micros,
    next_host: Option<Micros>,
    dropped: u32,
    failed: Option<EncodeError>,
    bytes: Vec<u8>,
    ends: Vec<(Micros, usize)>,
    truth: Vec<TruthLine>,
    log: LogTruth,
}

impl WireLog {
    /// A log of a scenario.
    pub fn new(scenario: &Scenario, options: WireOptions) -> WireLog {
        let profile = &scenario.profile;
        let mut words = Vec::new();
        let mut channels = Vec::new();
        let mut bits = vec![None; profile.signals.len()];
        let mut bit = 0u8;
        for (ix, signal) in profile.signals() {
            if signal.kind.is_binary() {
                words.push((signal.id.clone(), Kind::State, "", Scale::ONE));
                bits[ix.at()] = Some((bit, signal.on_when == Level::High));
                bit = bit.saturating_add(1);
            } else {
                let channel = Channel::of(signal, profile);
                let unit = if channel.raw { "" } else { unit(signal.kind, signal.unit.symbol) };
                let scale = Scale { mantissa: channel.mantissa, exponent: channel.exponent };
                words.push((signal.id.clone(), Kind::Number, unit, scale));
                channels.push(channel);
            }
        }
        let start = scenario.start;
        WireLog {
            rng: Pcg64Mcg::seed_from_u64(options.seed ^ 0x10_66E5),
            words,
            channels,
            bits,
            period: 1.0 / scenario.sample_rate_hz.clamp(10.0, 500.0),
            boot: options.boot,
            sequence: 0,
            zero: start,
            counter_zero: options.counter_start,
            levels: 0,
            told: false,
            block: Vec::new(),
            block_at: start,
            last_at: start,
            block_period: None,
            rows: 0,
            next_health: start + HEALTH,
            next_host: options.host_time_every.map(|every| start + every),
            dropped: 0,
            failed: None,
            bytes: Vec::new(),
            ends: Vec::new(),
            truth: Vec::new(),
            log: LogTruth::default(),
            options,
        }
    }

    /// The bytes written so far, and forgets them.
    pub fn drain(&mut self) -> Vec<u8> {
        self.ends.clear();
        std::mem::take(&mut self.bytes)
    }

    /// The frames written so far, each with the moment at which a live logger sends it, and forgets them.
    pub fn drain_timed(&mut self) -> Vec<(Micros, Vec<u8>)> {
        let bytes = std::mem::take(&mut self.bytes);
        let mut from = 0;
        std::mem::take(&mut self.ends)
            .into_iter()
            .map(|(at, end)| {
                let frame = bytes[from..end].to_vec();
                from = end;
                (at, frame)
            })
            .collect()
    }

    /// The truth so far, and forgets it.
    pub fn drain_truth(&mut self) -> Vec<TruthLine> {
        std::mem::take(&mut self.truth)
    }

    /// Closes the log: the last block, the end of the backlog, and the truth about the log itself.
    ///
    /// # Errors
    /// When the profile holds something that the stream has no form for: more than 64 switches, an id with a blank.
    pub fn finish(&mut self) -> Result<(), EncodeError> {
        self.flush();
        let at = self.count(self.last_at);
        self.say(self.last_at, &Frame::End(End { at }));
        self.truth.push(TruthLine::Log(Box::new(self.log.clone())));
        self.failed.map_or(Ok(()), Err)
    }

    /// The counter's reading at a moment.
    fn count(&self, at: Micros) -> u64 {
        let span = (at - self.zero).0.max(0.0) * (1.0 + self.options.drift_ppm * 1e-6);
        match self.options.clock {
            Clock::Micros64 => self.counter_zero + (span * 1e6).round() as u64,
            Clock::Micros32 => (self.counter_zero + (span * 1e6).round() as u64) & 0xFFFF_FFFF,
            Clock::Millis32 => (self.counter_zero + (span * 1e3).round() as u64) & 0xFFFF_FFFF,
        }
    }

    fn counts(&self, span: f64) -> u32 {
        let per_second = if self.options.clock == Clock::Millis32 { 1e3 } else { 1e6 };
        (span * per_second * (1.0 + self.options.drift_ppm * 1e-6)).round() as u32
    }

    fn hello(&mut self, at: Micros) {
        let words = std::mem::take(&mut self.words);
        let signals: Vec<Signal<'_>> = words
            .iter()
            .map(|(id, kind, unit, scale)| Signal { id, kind: *kind, unit, scale: *scale })
            .collect();
        let zero = if self.options.clock == Clock::Millis32 {
            self.counter_zero as f64 * 1e-3
        } else {
            self.counter_zero as f64 * 1e-6
        };
        let hello = Hello {
            at: self.count(at),
            name: "rig",
            firmware: env!("CARGO_PKG_VERSION"),
            clock: self.options.clock,
            epoch: self.options.dated.then_some((self.zero - Seconds(zero)).0),
            period: self.counts(self.period),
            signals: &signals,
        };
        self.say(at, &Frame::Hello(hello));
        drop(signals);
        self.words = words;
        self.told = true;
    }

    fn say(&mut self, at: Micros, frame: &Frame<'_>) {
        let id = FrameId { logger: self.options.logger, boot: self.boot, sequence: self.sequence };
        self.sequence = self.sequence.wrapping_add(1);
        let mut buf = [0u8; MAX_PACKED];
        match frame.encode(id, self.options.encoding, &mut buf) {
            Ok(n) => self.send(at, &mut buf[..n]),
            Err(error) => self.failed = self.failed.or(Some(error)),
        }
    }

    fn send(&mut self, at: Micros, frame: &mut [u8]) {
        self.log.frames += 1;
        // The greeting is left alone: without it nothing can be read, and a logger repeats it on request.
        let hurt =
            self.options.damage > 0.0 && self.sequence > 1 && self.rng.random_bool(self.options.damage);
        if hurt && frame.len() > 2 {
            self.log.damaged_frames += 1;
            let place = self.rng.random_range(0..frame.len() - 1);
            match self.rng.random_range(0..3) {
                0 => frame[place] ^= 1 << self.rng.random_range(0..8),
                1 => frame[place] = frame[place].wrapping_add(self.rng.random_range(1..=255)),
                _ => {
                    let lost = self.rng.random_range(1..=frame.len() - place);
                    self.bytes.extend_from_slice(&frame[..place]);
                    self.bytes.extend_from_slice(&frame[place + lost..]);
                    self.ends.push((at, self.bytes.len()));
                    return;
                }
            }
        }
        self.bytes.extend_from_slice(frame);
        self.ends.push((at, self.bytes.len()));
    }

    fn flush(&mut self) {
        if self.rows == 0 {
            return;
        }
        let block = std::mem::take(&mut self.block);
        let period = self.block_period.map_or(self.period, |p| p.0);
        let frame = Frame::Block(Block {
            at: self.count(self.block_at),
            period: self.counts(period),
            levels: self.levels,
            columns: self.channels.len() as u8,
            rows: self.rows as u16,
            values: &block,
        });
        self.say(self.last_at, &frame);
        self.block = block;
        self.block.clear();
        self.rows = 0;
        self.block_period = None;
    }

    fn row(&mut self, at: Micros, analog: &[f32]) {
        if !self.told {
            self.hello(at);
        }
        if at >= self.next_health {
            self.health(at);
        }
        if self.next_host.is_some_and(|next| at >= next) {
            self.host_time(at);
        }
        // Rows of one block are evenly spaced, within the counter's resolution.
        let fits = match (self.rows, self.block_period) {
            (0, _) => true,
            (1, _) => (at - self.last_at).0 < 100.0,
            (n, Some(period)) => {
                let due = self.count(self.block_at) + u64::from(self.counts(period.0)) * n as u64;
                n < ROWS && due == self.count(at)
            }
            _ => false,
        };
        if !fits {
            self.flush();
        }
        if self.rows == 0 {
            self.block_at = at;
        } else if self.rows == 1 {
            self.block_period = Some(at - self.last_at);
        }
        self.block.extend(self.channels.iter().zip(analog).map(|(c, v)| c.counts(f64::from(*v))));
        self.rows += 1;
        self.last_at = at;
    }

    fn edge(&mut self, at: Micros, signal: SignalIx, on: bool) {
        let Some(Some((bit, on_is_high))) = self.bits.get(signal.at()).copied() else { return };
        let high = on == on_is_high;
        if self.told {
            self.flush();
            self.say(at, &Frame::Edge(Edge { at: self.count(at), signal: bit, high }));
        }
        let mask = 1u64.checked_shl(u32::from(bit)).unwrap_or(0);
        self.levels = if high { self.levels | mask } else { self.levels & !mask };
        self.last_at = at;
    }

    fn health(&mut self, at: Micros) {
        self.flush();
        self.next_health = at + HEALTH;
        let health = Health {
            at: self.count(at),
            fill_permille: 3,
            dropped: self.dropped,
            supply_mv: Some(12_400),
            temperature_dc: Some(215),
        };
        self.say(at, &Frame::Health(health));
    }

    fn host_time(&mut self, at: Micros) {
        self.flush();
        self.next_host = self.options.host_time_every.map(|every| at + every);
        // The host's time was taken somewhere between its last frame and now.
        let back = Seconds(self.rng.random_range(0.010..0.060));
        let within = Seconds(self.rng.random_range(0.002..0.008));
        let note = TimeNote { at: self.count(at), echo: self.count(at - back), utc: (at - within).0 };
        self.say(at, &Frame::Time(note));
    }

    fn gap(&mut self, from: Micros, until: Micros, restart: bool) {
        self.flush();
        if restart {
            self.boot += 1;
            self.sequence = 0;
            self.zero = until;
            self.counter_zero = 0;
            self.dropped = 0;
            self.told = false;
            self.last_at = until;
            self.log.restarts += 1;
            self.hello(until);
        } else {
            self.dropped += ((until - from).0 / self.period).round() as u32;
            self.log.gaps_us.push((from, until));
            self.health(until);
        }
    }
}

impl Recorder for WireLog {
    fn event(&mut self, event: RigEvent<'_>) {
        match event {
            RigEvent::Row { at, analog } => self.row(at, analog),
            RigEvent::Edge { at, signal, on } => self.edge(at, signal, on),
            RigEvent::Mark { at } => {
                self.flush();
                self.say(at, &Frame::Mark(Mark { at: self.count(at) }));
            }
            RigEvent::Gap { from, until, restart } => self.gap(from, until, restart),
        }
    }

    fn truth(&mut self, line: TruthLine) {
        self.truth.push(line);
    }
}

/// How the stream spells a unit: plain ASCII.
fn unit(kind: SignalKind, symbol: &'static str) -> &'static str {
    if kind == SignalKind::Temperature { "degC" } else { symbol }
}
