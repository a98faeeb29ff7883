//! A small roof, a logger for it, and what comes out of an assembler.
#![allow(dead_code, clippy::unwrap_used, reason = "tests; and each file uses its own part")]

use std::sync::Arc;

use foldwatch_profile::*;
use foldwatch_samples::{Assembler, GapCause, Item};
use foldwatch_units::{Bar, Celsius, Micros, Seconds, Unit, Volts};
use foldwatch_wire::{Block, Clock, Edge, Frame, FrameId, Hello, Kind, Scale};

pub fn signal(id: &str, kind: SignalKind, unit: &str) -> Signal {
    Signal {
        id: id.into(),
        label: id.into(),
        kind,
        unit: unit.parse().unwrap_or(Unit::STATE),
        on_when: Level::High,
        debounce: Seconds(0.02),
        calibration: Calibration::default(),
        excludes: vec![],
        demands: None,
    }
}

/// Lid switch (closed is low), pump, pressure, oil temperature, supply.
pub fn profile() -> Profile {
    let mut lid = signal("lid-latched", SignalKind::Switch, "");
    lid.on_when = Level::Low;
    Profile {
        id: "small".into(),
        name: "small roof".into(),
        notes: String::new(),
        signals: vec![
            lid,
            signal("pump", SignalKind::Pump, ""),
            signal("pressure", SignalKind::Pressure, "bar"),
            signal("oil-temp", SignalKind::Temperature, "degC"),
            signal("supply", SignalKind::Voltage, "V"),
        ],
        timing: Timing {
            quiet: Seconds(2.0),
            tail: Seconds(10.0),
            refusal: Seconds(1.0),
            run_on: Seconds(0.5),
            relief_dwell: Seconds(0.5),
        },
        reference: Reference { oil_temperature: Celsius(20.0), supply: Volts(12.5) },
        hydraulics: Hydraulics { relief: Some(Bar(180.0)), ..Hydraulics::default() },
        electrics: Electrics::default(),
        permissions: vec![],
        chains: vec![],
        opening: vec![],
        closing: vec![],
    }
}

pub fn channel(id: &str, kind: Kind, unit: &str, exponent: i8) -> foldwatch_wire::Signal {
    foldwatch_wire::Signal { id: id.into(), kind, unit: unit.into(), scale: Scale { mantissa: 1, exponent } }
}

/// A logger with a channel that the profile does not know, and without a supply voltage.
pub fn hello() -> Hello {
    Hello {
        at: 0,
        name: "bench-07".into(),
        firmware: "1.4".into(),
        clock: Clock::Millis32,
        epoch: None,
        period: 10,
        signals: vec![
            channel("door", Kind::State, "", 0),
            channel("lid-latched", Kind::State, "", 0),
            channel("pump", Kind::State, "", 0),
            channel("pressure", Kind::Number, "kPa", 0),
            channel("light", Kind::Number, "mV", 0),
            channel("oil-temp", Kind::Number, "degF", -1),
        ],
    }
}

/// Numbers frames of one start from 0.
pub fn numbered(boot: u32, frames: impl IntoIterator<Item = Frame>) -> Vec<(FrameId, Frame)> {
    frames
        .into_iter()
        .enumerate()
        .map(|(n, frame)| (FrameId { logger: 0x2A, boot, sequence: n as u32 }, frame))
        .collect()
}

pub fn block(at: u64, levels: u64, rows: &[[i32; 3]]) -> Frame {
    Frame::Block(Block { at, period: 10, levels, columns: 3, rows: rows.len() as u16, values: rows.concat() })
}

pub fn edge(at: u64, signal: u8, high: bool) -> Frame {
    Frame::Edge(Edge { at, signal, high })
}

/// An item, kept.
#[derive(Debug, Clone, PartialEq)]
pub enum Kept {
    Row(i64, Vec<Option<f32>>),
    Same(i64),
    Edge(i64, usize, bool),
    Mark(i64),
    Gap(i64, GapCause),
}

impl Kept {
    pub fn at(&self) -> i64 {
        match self {
            Kept::Row(at, _) | Kept::Same(at) | Kept::Edge(at, ..) | Kept::Mark(at) | Kept::Gap(at, _) => *at,
        }
    }
}

pub fn keep(item: Item<'_>) -> Kept {
    let number = |value: &f32| (!value.is_nan()).then_some(*value);
    match item {
        Item::Row { at: Micros(at), values } => Kept::Row(at, values.iter().map(number).collect()),
        Item::Same { at } => Kept::Same(at.0),
        Item::Edge { at, signal, on } => Kept::Edge(at.0, signal.at(), on),
        Item::Mark { at } => Kept::Mark(at.0),
        Item::Gap { until, cause } => Kept::Gap(until.0, cause),
    }
}

/// All items of the frames, and the assembler after them.
pub fn assemble(frames: &[(FrameId, Frame)]) -> (Vec<Kept>, Assembler) {
    let mut assembler = Assembler::new(Arc::new(profile()));
    let mut items = Vec::new();
    for (id, frame) in frames {
        assembler.push(*id, frame.clone(), &mut |item: Item<'_>| items.push(keep(item)));
    }
    assembler.flush(&mut |item: Item<'_>| items.push(keep(item)));
    (items, assembler)
}
