//! The samples of a stretch of time as a recording, from the archive and the journal.

use std::sync::Arc;

use foldwatch_profile::{Profile, SignalIx};
use foldwatch_segment::{Edge, Recording, Trace};
use foldwatch_store::{Catalogue, Samples, Span, StoreError};
use foldwatch_units::{Micros, Seconds};
use foldwatch_web::{NoTraces, Traces};

use super::replay;
use super::saved::Saved;

/// Opens readers of one store.
pub type OpenReader = dyn Fn() -> Result<Box<dyn Catalogue + Send>, StoreError> + Send + Sync;

/// The samples that a store keeps.
pub struct Kept(pub Arc<OpenReader>);

/// So long before a stretch is looked for the states that hold at its beginning.
const LEAD: Seconds = Seconds(30.0);

impl Traces for Kept {
    fn recording(&self, car: &str, from: Micros, to: Micros) -> Result<Recording, NoTraces> {
        recording(&*self.0, car, from, to)
    }
}

fn recording(open: &OpenReader, car: &str, from: Micros, to: Micros) -> Result<Recording, NoTraces> {
    let failed = |error: StoreError| NoTraces::Failed(error.to_string());
    let reader = open().map_err(failed)?;
    let of_car = reader.car(car).map_err(failed)?.ok_or(NoTraces::NotKept)?;
    let text = reader.profile(&of_car.profile).map_err(failed)?.ok_or(NoTraces::NotKept)?;
    let parsed = foldwatch_profile::parse(&text.text);
    let profile = Arc::new(parsed.map_err(|_| NoTraces::Failed("the profile can't be read".into()))?.profile);
    let mark = Saved::mark_of(&*reader, car).map_err(failed)?;
    let mut builder = Builder::new(&profile);
    let span = Span { from: from + Seconds(-LEAD.0), until: Micros(to.0.saturating_add(1)) };
    replay::samples(&*reader, car, &profile, &mark, span, &mut |batch| {
        builder.add(&profile, batch);
        Ok(())
    })
    .map_err(failed)?;
    Ok(builder.recording)
}

struct Builder {
    recording: Recording,
    state: Vec<Option<bool>>,
}

impl Builder {
    fn new(profile: &Profile) -> Self {
        let analog = profile.signals().filter(|(_, s)| !s.kind.is_binary());
        let width = profile.signals.len();
        Builder {
            recording: Recording {
                analog: analog.map(|(signal, _)| Trace { signal, values: Vec::new() }).collect(),
                initial: vec![None; width],
                ..Recording::default()
            },
            state: vec![None; width],
        }
    }

    fn add(&mut self, profile: &Profile, batch: &Samples) {
        // By name: the profile may have been rearranged since, and a changed unit is another signal.
        let column = |ix: SignalIx| {
            let signal = profile.signal(ix);
            batch
                .columns
                .iter()
                .position(|c| c.name == signal.id && (c.binary || c.unit == signal.unit.symbol))
                .and_then(|n| batch.values.get(n))
        };
        let columns: Vec<Option<&Vec<f32>>> = profile.signals().map(|(ix, _)| column(ix)).collect();
        for (row, at) in batch.times.iter().enumerate() {
            let value = |ix: SignalIx| {
                columns.get(ix.at()).copied().flatten().and_then(|c| c.get(row)).copied().unwrap_or(f32::NAN)
            };
            for (ix, signal) in profile.signals() {
                let now = value(ix);
                if !signal.kind.is_binary() || now.is_nan() {
                    continue;
                }
                let on = now >= 0.5;
                let known = self.state.get(ix.at()).copied().flatten();
                if known == Some(on) {
                    continue;
                }
                match known {
                    Some(_) => self.recording.edges.push(Edge {
                        at: *at,
                        signal: ix,
                        on,
                        bounces: 1,
                        burst: Seconds(0.0),
                        resolution: Seconds(0.0),
                    }),
                    None => {
                        if let Some(first) = self.recording.initial.get_mut(ix.at()) {
                            *first = Some(on);
                        }
                    }
                }
                if let Some(state) = self.state.get_mut(ix.at()) {
                    *state = Some(on);
                }
            }
            if self.recording.analog.iter().any(|trace| !value(trace.signal).is_nan()) {
                self.recording.times.push(*at);
                for trace in &mut self.recording.analog {
                    trace.values.push(value(trace.signal));
                }
            }
        }
    }
}
