//! What was seen, added up.

use std::collections::BTreeMap;

use foldwatch_rig::FaultKind;
use serde::Serialize;

use crate::interval::{Share, counted};
use crate::right::RIGHT;
use crate::seen::{EdgeSeen, Seen};

/// From this strength on a fault is moderate or worse.
pub const MODERATE: f64 = 0.5;
/// Cycles of a car in a year, to tell a rate of false alarms by the year. Judgment: two openings and closings a day.
pub const CYCLES_A_YEAR: f64 = 1_500.0;

/// The scorecard.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct Card {
    /// True cycles.
    pub cycles: u64,
    /// Of them, found.
    pub found: Share,
    /// Verdicts on cycles that never were.
    pub invented: u64,
    /// Direction and outcome right.
    pub ended_right: Share,
    /// One row a kind of fault.
    pub faults: Vec<FaultRow>,
    /// Sound cycles, cold days among them.
    pub sound_cycles: u64,
    /// Findings on them, by name.
    pub false_alarms: BTreeMap<&'static str, u64>,
    /// Cycles all of whose confirmed edges are within one sample of the contact.
    pub edges_within_a_sample: Share,
    /// The same against the first moment at which the log shows the contact.
    pub edges_as_logged: Share,
    /// Both, by the way switches are logged and by rows a second.
    pub by_logging: Vec<EdgeRow>,
    /// Distance of the edges in samples, later is positive: count by distance in tenths of a sample.
    #[serde(skip)]
    edges: BTreeMap<i64, u64>,
}

/// One kind of fault.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FaultRow {
    /// Which.
    pub fault: &'static str,
    /// Cycles in which it had its moment, and those in which one of its names was told.
    pub recall: Share,
    /// The same from moderate strength on, at 100 rows a second and more.
    pub recall_moderate: Share,
    /// Kinds of findings told while it was at work, and those of them that are right.
    pub precision: Share,
    /// Recall by strength: the detection curve.
    pub by_strength: Vec<StrengthRow>,
    /// Recall by rows a second.
    pub by_rate: Vec<StrengthRow>,
    /// What was told wrongly while it was at work.
    pub wrong: BTreeMap<&'static str, u64>,
}

/// Cycles all of whose confirmed edges are within one sample, for one way of logging.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct EdgeRow {
    /// Switches have their own times; else the rows show them.
    pub own_times: bool,
    /// Rows a second.
    pub rate_hz: f64,
    /// Within one sample of the contact.
    pub from_contact: Share,
    /// Within one sample of the first moment at which the log shows it.
    pub from_shown: Share,
}

/// A point of a curve.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct StrengthRow {
    /// Strength, or rows a second.
    pub at: f64,
    /// Recall there.
    pub recall: Share,
}

fn point(curve: &mut Vec<StrengthRow>, at: f64, hit: bool) {
    match curve.iter_mut().find(|point| point.at == at) {
        Some(point) => point.recall.add(hit),
        None => {
            let mut recall = Share::default();
            recall.add(hit);
            curve.push(StrengthRow { at, recall });
            curve.sort_by(|a, b| a.at.total_cmp(&b.at));
        }
    }
}

impl Card {
    /// With nothing counted yet.
    pub fn new() -> Card {
        let row = |fault: FaultKind| FaultRow {
            fault: fault.as_str(),
            recall: Share::default(),
            recall_moderate: Share::default(),
            precision: Share::default(),
            by_strength: Vec::new(),
            by_rate: Vec::new(),
            wrong: BTreeMap::new(),
        };
        Card { faults: RIGHT.iter().map(|right| row(right.fault)).collect(), ..Card::default() }
    }

    /// Adds what came of a run.
    pub fn add(&mut self, seen: &Seen) {
        self.invented += seen.invented;
        for cycle in &seen.cycles {
            self.cycles += 1;
            self.found.add(cycle.found);
            self.ended_right.add(cycle.ended_right);
            self.add_edges(seen, &cycle.edges);
            for edge in &cycle.edges {
                *self.edges.entry((edge.from_contact * 10.0).round() as i64).or_default() += 1;
            }
            let no_fault = seen.fault.is_none_or(|(kind, _)| kind == FaultKind::Cold);
            if !cycle.faulty || no_fault {
                self.sound_cycles += 1;
                for (kind, _) in &cycle.told {
                    *self.false_alarms.entry(kind).or_default() += 1;
                }
                continue;
            }
            let Some((kind, strength)) = seen.fault else { continue };
            let Some(row) = self.faults.iter_mut().find(|row| row.fault == kind.as_str()) else { continue };
            for (name, fits) in &cycle.told {
                row.precision.add(*fits);
                if !fits {
                    *row.wrong.entry(name).or_default() += 1;
                }
            }
            if cycle.asked {
                row.recall.add(cycle.hit);
                point(&mut row.by_strength, strength, cycle.hit);
                point(&mut row.by_rate, seen.rate_hz, cycle.hit);
                if strength >= MODERATE && seen.rate_hz >= 100.0 {
                    row.recall_moderate.add(cycle.hit);
                }
            }
        }
    }

    fn add_edges(&mut self, seen: &Seen, edges: &[EdgeSeen]) {
        if edges.is_empty() {
            return;
        }
        let contact = edges.iter().all(|edge| EdgeSeen::within_a_sample(edge.from_contact));
        let shown = edges.iter().all(|edge| EdgeSeen::within_a_sample(edge.from_shown));
        self.edges_within_a_sample.add(contact);
        self.edges_as_logged.add(shown);
        let rows = &mut self.by_logging;
        let is_it = |row: &EdgeRow| row.own_times == seen.own_times && row.rate_hz == seen.rate_hz;
        let at = rows.iter().position(is_it).unwrap_or_else(|| {
            rows.push(EdgeRow {
                own_times: seen.own_times,
                rate_hz: seen.rate_hz,
                from_contact: Share::default(),
                from_shown: Share::default(),
            });
            rows.len() - 1
        });
        rows[at].from_contact.add(contact);
        rows[at].from_shown.add(shown);
        rows.sort_by(|a, b| b.own_times.cmp(&a.own_times).then(a.rate_hz.total_cmp(&b.rate_hz)));
    }

    /// False alarms on sound cycles, and what that makes in a year of one car: low, value, high.
    pub fn false_alarms_a_year(&self) -> (u64, [f64; 3]) {
        let events: u64 = self.false_alarms.values().sum();
        let years = (self.sound_cycles as f64 / CYCLES_A_YEAR).max(1e-9);
        let (low, high) = counted(events);
        (events, [low / years, events as f64 / years, high / years])
    }

    /// The distance that a share of the edges stay within, in samples, either way; `None` without any edge.
    pub fn edges_within(&self, share: f64) -> Option<f64> {
        let mut either: BTreeMap<i64, u64> = BTreeMap::new();
        for (tenths, count) in &self.edges {
            *either.entry(tenths.abs()).or_default() += count;
        }
        let of: u64 = either.values().sum();
        let mut below = 0;
        either
            .into_iter()
            .find(|(_, count)| {
                below += count;
                below as f64 >= share * of as f64
            })
            .map(|(tenths, _)| tenths as f64 / 10.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::seen::CycleSeen;

    #[test]
    fn what_is_told_is_counted_where_it_belongs() {
        let mut card = Card::new();
        let edge = |from_contact, from_shown| EdgeSeen { from_contact, from_shown };
        let sound = CycleSeen { found: true, told: vec![("chatter", false)], ..CycleSeen::default() };
        let hit = CycleSeen {
            found: true,
            faulty: true,
            asked: true,
            hit: true,
            told: vec![("run-on", true), ("dropout", false)],
            ended_right: true,
            edges: vec![edge(0.2, 0.0), edge(-3.0, -1.0)],
        };
        let missed = CycleSeen { hit: false, told: Vec::new(), edges: vec![edge(0.9, 1.5)], ..hit.clone() };
        let seen = Seen {
            fault: Some((FaultKind::RunOn, 0.5)),
            rate_hz: 100.0,
            own_times: false,
            cycles: vec![sound, hit, missed],
            invented: 1,
        };
        card.add(&seen);
        let row = card.faults.iter().find(|row| row.fault == "run-on").unwrap();
        assert_eq!((row.recall, row.precision), (Share { hits: 1, of: 2 }, Share { hits: 1, of: 2 }));
        assert_eq!((card.cycles, card.sound_cycles, card.invented), (3, 1, 1));
        assert_eq!(card.false_alarms.get("chatter"), Some(&1));
        assert_eq!(card.edges_within_a_sample, Share { hits: 1, of: 2 });
        assert_eq!(card.edges_as_logged, Share { hits: 1, of: 2 });
        assert_eq!(card.by_logging[0].from_shown, Share { hits: 1, of: 2 });
        assert_eq!((card.edges_within(0.5), card.edges_within(1.0)), (Some(0.9), Some(3.0)));
    }
}
