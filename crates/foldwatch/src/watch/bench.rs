//! What whoever watches a car live is shown: samples as they come, and what the roof is doing.

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

use foldwatch_pipeline::Lane;
use foldwatch_profile::Profile;
use foldwatch_samples::Item;
use foldwatch_units::Micros;
use foldwatch_web::{Hub, LiveMessage, LiveSamples};

use super::judge::state;

/// More rows than these are not shown at once: a backlog goes by too fast for an eye.
const ROWS: usize = 256;
/// So many of them are sent: an eye sees no more in a fraction of a second.
const SENT: usize = 64;
/// Messages of one kind follow one another no faster.
const PACE: Duration = Duration::from_millis(10);

/// Gathers the rows of one car between two messages.
pub struct Bench {
    car: String,
    ids: Vec<String>,
    row: Vec<f32>,
    times: Vec<Micros>,
    /// Row by row.
    values: Vec<f32>,
    sent: Option<Instant>,
    profile: std::sync::Arc<Profile>,
}

impl Bench {
    /// For a car.
    pub fn new(car: &str, profile: &std::sync::Arc<Profile>) -> Self {
        Bench {
            car: car.to_owned(),
            ids: profile.signals.iter().map(|signal| signal.id.clone()).collect(),
            row: vec![f32::NAN; profile.signals.len()],
            times: Vec::new(),
            values: Vec::new(),
            sent: None,
            profile: std::sync::Arc::clone(profile),
        }
    }

    /// Takes an item.
    pub fn item(&mut self, item: &Item<'_>) {
        let at = match *item {
            Item::Row { at, values } => {
                for (kept, value) in self.row.iter_mut().zip(values) {
                    if !value.is_nan() {
                        *kept = *value;
                    }
                }
                at
            }
            Item::Same { at } => at,
            Item::Edge { at, signal, on } => {
                if let Some(kept) = self.row.get_mut(signal.at()) {
                    *kept = f32::from(u8::from(on));
                }
                at
            }
            Item::Mark { .. } | Item::Gap { .. } => return,
        };
        if self.times.len() >= ROWS {
            self.times.clear();
            self.values.clear();
        }
        self.times.push(at);
        self.values.extend_from_slice(&self.row);
    }

    /// Tells what there is, if anybody watches.
    pub fn publish(&mut self, lane: &Lane, hub: &Hub) {
        if self.sent.is_some_and(|sent| sent.elapsed() < PACE) {
            return;
        }
        self.sent = Some(Instant::now());
        // Also with nobody there: whoever comes later sees the newest state.
        hub.publish(LiveMessage::State(state(&self.car, &self.profile, lane)));
        if hub.watchers() > 0 && !self.times.is_empty() {
            let step = self.times.len().div_ceil(SENT);
            let rows = || (0..self.times.len()).rev().step_by(step).collect::<Vec<_>>().into_iter().rev();
            let width = self.ids.len();
            let values: BTreeMap<String, Vec<Option<f32>>> = self
                .ids
                .iter()
                .enumerate()
                .map(|(n, id)| {
                    let value =
                        |row: usize| self.values.get(row * width + n).copied().filter(|v| v.is_finite());
                    (id.clone(), rows().map(value).collect())
                })
                .collect();
            let times_s =
                rows().filter_map(|row| self.times.get(row)).map(|at| lane.utc(*at).as_secs()).collect();
            hub.publish(LiveMessage::Samples(LiveSamples { car: self.car.clone(), times_s, values }));
        }
        self.times.clear();
        self.values.clear();
    }
}
