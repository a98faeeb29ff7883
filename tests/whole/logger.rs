//! Recordings made over: other starts, other dates; and a line that damages what it carries.

use std::collections::VecDeque;
use std::io::{self, Read, Write};

use foldwatch_wire::{Decoded, Decoder, Encoding, Frame, FrameId};
use rand::{Rng, SeedableRng};
use rand_pcg::Pcg64Mcg;

/// A frame with its bytes.
pub type Recorded = (FrameId, Vec<u8>);

/// What a recorded frame says.
pub fn said(raw: &[u8]) -> Frame {
    let mut said = None;
    Decoder::of(Encoding::Packed).push(raw, &mut |decoded| {
        if let Decoded::Frame(received) = decoded {
            said = Some(received.frame);
        }
    });
    said.unwrap()
}

/// The frames anew, as a start of this number: each may be changed, and gets the next sequence number.
pub fn again(frames: &[Frame], logger: u32, boot: u32, change: impl Fn(&mut Frame, usize)) -> Vec<Recorded> {
    let write = |(n, frame): (usize, &Frame)| {
        let mut frame = frame.clone();
        change(&mut frame, n);
        let id = FrameId { logger, boot, sequence: n as u32 };
        (id, frame.encode(id, Encoding::Packed).unwrap())
    };
    frames.iter().enumerate().map(write).collect()
}

/// Moves a frame's counter.
pub fn shift(frame: &mut Frame, by: i64) {
    let at = match frame {
        Frame::Hello(hello) => &mut hello.at,
        Frame::Block(block) => &mut block.at,
        Frame::Edge(edge) => &mut edge.at,
        Frame::Mark(mark) => &mut mark.at,
        Frame::Health(health) => &mut health.at,
        Frame::Time(note) => &mut note.at,
        Frame::End(end) => &mut end.at,
    };
    *at = at.wrapping_add_signed(by);
}

/// The bytes of frames, as a file has them.
pub fn file(frames: &[Recorded]) -> Vec<u8> {
    frames.iter().flat_map(|(_, raw)| raw.iter().copied()).collect()
}

/// A line that damages one byte in a hundred, in strokes of three, puts rubbish between, brings frames out of order and
/// some of them twice; and damages answers, too.
pub struct Noisy<'a, L> {
    line: &'a mut L,
    rng: Pcg64Mcg,
    unit: Vec<u8>,
    late: Option<(Vec<u8>, u32)>,
    out: VecDeque<u8>,
    /// From now on nothing is damaged any more.
    pub sound: bool,
    /// Bytes carried, and bytes changed on the way.
    pub carried: u64,
    pub changed: u64,
}

impl<'a, L: Read + Write> Noisy<'a, L> {
    pub fn new(line: &'a mut L) -> Self {
        Noisy {
            line,
            rng: Pcg64Mcg::seed_from_u64(0xBAD),
            unit: Vec::new(),
            late: None,
            out: VecDeque::new(),
            sound: false,
            carried: 0,
            changed: 0,
        }
    }

    fn carry(&mut self, unit: &[u8]) {
        self.carried += unit.len() as u64;
        let mut left = 0;
        for byte in unit {
            let stroke = !self.sound && left == 0 && self.rng.random_ratio(1, 300);
            left = if stroke { 3 } else { left };
            let mut byte = *byte;
            if left > 0 {
                left -= 1;
                byte ^= self.rng.random_range(1..=255u8);
                self.changed += 1;
            }
            self.out.push_back(byte);
        }
    }

    fn unit(&mut self, unit: Vec<u8>) {
        if !self.sound && self.rng.random_ratio(1, 100) {
            let rubbish = self.rng.random_range(1..600);
            self.out.extend((0..rubbish).map(|_| self.rng.random::<u8>()));
        }
        if !self.sound && self.late.is_none() && self.rng.random_ratio(1, 30) {
            self.late = Some((unit, self.rng.random_range(1..8)));
            return;
        }
        self.carry(&unit);
        if !self.sound && self.rng.random_ratio(1, 30) {
            self.carry(&unit);
        }
        match self.late.take() {
            Some((late, 0)) => self.carry(&late),
            Some((late, more)) => self.late = Some((late, if self.sound { 0 } else { more - 1 })),
            None => {}
        }
    }

    fn push_out(&mut self) -> io::Result<()> {
        while !self.out.is_empty() {
            let n = self.line.write(self.out.make_contiguous())?;
            self.out.drain(..n);
        }
        Ok(())
    }
}

impl<L: Read + Write> Read for Noisy<'_, L> {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        // A full line takes the rest later.
        let _ = self.push_out();
        let n = self.line.read(into)?;
        for byte in &mut into[..n] {
            if !self.sound && self.rng.random_ratio(1, 100) {
                *byte ^= self.rng.random_range(1..=255u8);
            }
        }
        Ok(n)
    }
}

impl<L: Read + Write> Write for Noisy<'_, L> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        // What stands in the line goes first: a full line makes its logger wait.
        self.push_out()?;
        for byte in bytes {
            self.unit.push(*byte);
            if *byte == 0 {
                let unit = std::mem::take(&mut self.unit);
                self.unit(unit);
            }
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        self.push_out()
    }
}
