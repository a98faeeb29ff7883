//! One binary signal: contact bounce taken out, the time of each change kept.

use foldwatch_units::{Micros, Seconds};
use serde::{Deserialize, Serialize};

/// What became known about a signal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Change {
    /// It changed for good.
    Edge { at: Micros, on: bool, bounces: u32, burst: Seconds, resolution: Seconds },
    /// It went to `to` and came back.
    Glitch { at: Micros, lasted: Seconds, to: bool },
}

/// Raw levels in, stable changes out. An edge's time is the first transition of the stable change.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Conditioner {
    debounce: Micros,
    stable: Option<bool>,
    raw: bool,
    /// The burst of transitions that is not decided yet.
    burst: Option<Burst>,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Burst {
    first: Micros,
    last: Micros,
    transitions: u32,
    resolution: Seconds,
}

impl Conditioner {
    pub fn new(debounce: Seconds) -> Self {
        Conditioner {
            debounce: Micros::from_secs(debounce.0.max(0.0)),
            stable: None,
            raw: false,
            burst: None,
        }
    }

    /// From the next change on it takes so long until it is known for good.
    pub fn set_debounce(&mut self, debounce: Seconds) {
        self.debounce = Micros::from_secs(debounce.0.max(0.0));
    }

    /// The last state known for good.
    pub fn stable(&self) -> Option<bool> {
        self.stable
    }

    /// Whether a change waits to be decided.
    pub fn is_pending(&self) -> bool {
        self.burst.is_some()
    }

    /// Whether seeing this level says anything that [`Conditioner::see`] must hear of.
    pub fn is_news(&self, level: bool) -> bool {
        level != self.raw || self.stable.is_none()
    }

    /// The level at a moment, `resolution` after it was last seen. At most two changes come of it: one decided by the
    /// time that passed, one at once.
    pub fn see(&mut self, at: Micros, level: bool, resolution: Seconds, out: &mut impl FnMut(Change)) {
        self.pass(at, out);
        if self.stable.is_none() {
            self.stable = Some(level);
            self.raw = level;
        } else if level != self.raw {
            self.raw = level;
            match &mut self.burst {
                Some(burst) => {
                    burst.last = at;
                    burst.transitions += 1;
                }
                None => self.burst = Some(Burst { first: at, last: at, transitions: 1, resolution }),
            }
            self.pass(at, out);
        }
    }

    /// Time passes without a change of the level.
    pub fn pass(&mut self, now: Micros, out: &mut impl FnMut(Change)) {
        let Some(burst) = self.burst else { return };
        if now.0.saturating_sub(burst.last.0) < self.debounce.0 {
            return;
        }
        self.burst = None;
        if Some(self.raw) == self.stable {
            out(Change::Glitch { at: burst.first, lasted: burst.last - burst.first, to: !self.raw });
        } else {
            self.stable = Some(self.raw);
            out(Change::Edge {
                at: burst.first,
                on: self.raw,
                bounces: burst.transitions,
                burst: burst.last - burst.first,
                resolution: burst.resolution,
            });
        }
    }

    /// Nothing more will be seen for a while: what is pending is decided as it stands.
    pub fn decide(&mut self, out: &mut impl FnMut(Change)) {
        if let Some(burst) = self.burst {
            self.pass(Micros(burst.last.0.saturating_add(self.debounce.0)), out);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(debounce_ms: i64, levels: &[(i64, u8)], until_ms: i64) -> Vec<Change> {
        let mut out = Vec::new();
        let mut c = Conditioner::new(Seconds(debounce_ms as f64 * 1e-3));
        let mut before = levels[0].0;
        for (ms, level) in levels {
            let resolution = Seconds((ms - before) as f64 * 1e-3);
            before = *ms;
            c.see(Micros(ms * 1000), *level == 1, resolution, &mut |change| out.push(change));
        }
        c.pass(Micros(until_ms * 1000), &mut |change| out.push(change));
        out
    }

    #[test]
    fn an_edge_is_timed_at_the_first_transition_of_its_bounce() {
        let levels = [(0, 0), (100, 1), (102, 0), (105, 1), (110, 1), (200, 1)];
        assert_eq!(
            run(20, &levels, 300),
            [Change::Edge {
                at: Micros(100_000),
                on: true,
                bounces: 3,
                burst: Seconds(0.005),
                resolution: Seconds(0.1)
            }]
        );
    }

    #[test]
    fn what_comes_back_within_the_debounce_is_a_glitch() {
        let got = run(20, &[(0, 1), (100, 0), (108, 1)], 200);
        assert_eq!(got, [Change::Glitch { at: Micros(100_000), lasted: Seconds(0.008), to: false }]);
    }

    #[test]
    fn a_pulse_longer_than_the_debounce_is_two_edges() {
        let got = run(20, &[(0, 0), (100, 1), (140, 0), (200, 0)], 200);
        assert_eq!(got.len(), 2);
        assert!(matches!(got[1], Change::Edge { at: Micros(140_000), on: false, .. }));
    }

    #[test]
    fn without_debounce_a_change_is_known_at_once() {
        assert_eq!(run(0, &[(0, 0), (100, 1)], 100).len(), 1);
    }

    #[test]
    fn a_slow_log_decides_by_the_next_sample() {
        let got = run(20, &[(0, 0), (100, 1), (200, 1)], 200);
        assert!(matches!(got[..], [Change::Edge { at: Micros(100_000), on: true, .. }]));
    }
}
