//! A lane put away and taken up again between any two frames goes on as if nothing had happened.

#![allow(clippy::unwrap_used)] // A failure here is a failed test.

use std::io::Read;
use std::sync::Arc;

use foldwatch_pipeline::{Event, Lane, LaneState};
use foldwatch_wire::{Decoded, Decoder, Frame, FrameId};

fn frames() -> Vec<(FrameId, Frame)> {
    let packed = include_bytes!("../../../sample-logs/packed/four-cycles.bin.gz");
    let mut bytes = Vec::new();
    flate2::read::GzDecoder::new(&packed[..]).read_to_end(&mut bytes).unwrap();
    let mut frames = Vec::new();
    Decoder::auto().push(&bytes, &mut |decoded| {
        if let Decoded::Frame(received) = decoded {
            frames.push((received.id, received.frame));
        }
    });
    frames
}

/// What the lane says, without the samples.
fn push(lane: &mut Lane, (id, frame): &(FrameId, Frame)) -> Vec<String> {
    let mut said = Vec::new();
    lane.push(*id, frame.clone(), &mut |_| {}, &mut |event| {
        said.push(match event {
            Event::Began { at } => format!("began {}", at.0),
            Event::Closed(v) => format!("closed {:?} {:?} {:?}", v.cycle.start, v.cycle.phases, v.judged),
            Event::Settled(v) => format!("settled {:?} {:?} {:?}", v.cycle.start, v.cycle.phases, v.judged),
        });
    });
    said
}

#[test]
fn put_away_after_any_frame() {
    let text = include_str!("../../../config/profiles/hardtop-five.toml");
    let profile = Arc::new(foldwatch_profile::parse(text).unwrap().profile);
    let frames = frames();
    let mut whole = Lane::new(Arc::clone(&profile));
    let mut resumed: Vec<(usize, Lane, bool)> = Vec::new();
    let mut put_away = 0;
    for (n, frame) in frames.iter().enumerate() {
        let said = push(&mut whole, frame);
        let mut over = Vec::new();
        for (k, (since, lane, moved)) in resumed.iter_mut().enumerate() {
            assert_eq!(push(lane, frame), said, "put away after frame {since}, at frame {n}");
            *moved |= said.iter().any(|s| s.starts_with("closed"));
            if *moved || n - *since > 40 && lane.engine().is_at_rest() {
                over.push(k);
            }
        }
        for k in over.into_iter().rev() {
            resumed.swap_remove(k);
        }
        if let Some(state) = whole.state() {
            put_away += 1;
            let bytes = postcard::to_allocvec(&state).unwrap();
            let state: LaneState = postcard::from_bytes(&bytes).unwrap();
            resumed.push((n, Lane::resume(Arc::clone(&profile), state).unwrap(), false));
        }
    }
    assert!(put_away > 50, "{put_away}");
}
