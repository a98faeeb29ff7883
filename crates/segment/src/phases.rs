//! From the alignment's path to the steps as they were run: when each began and ended, and what confirmed it.

use foldwatch_profile::{Expr, Phase, PhaseRef, SignalIx};
use foldwatch_units::{Micros, Seconds};

use crate::align::{AFTER_END, SHAKE, Scene, Stay};
use crate::infer;
use crate::model::{Confirmation, Glitch, PhaseRun};

/// A drive that begins within this time after the step before ended is the unit's reaction, and belongs to the
/// step. Judgment: control units need tens of milliseconds, a planned rest takes longer.
const REACTION: Seconds = Seconds(0.25);
/// A confirmation that stood this long before its step began did not end it.
const STOOD_BEFORE: Seconds = Seconds(0.05);
/// The finest time step that an edge is taken to be known to.
const FINEST: Seconds = Seconds(0.001);

/// The steps run, in order of time.
pub(crate) fn phase_runs(scene: &Scene, path: &[Stay]) -> Vec<PhaseRun> {
    let mut stays: Vec<Stay> =
        path.iter().copied().filter(|stay| scene.phase(stay.state).is_some()).collect();
    drop_skipped(scene, &mut stays);
    share_out(scene, &mut stays);

    let mut out: Vec<PhaseRun> = Vec::with_capacity(stays.len());
    for (n, stay) in stays.iter().enumerate() {
        let Some(phase) = scene.phase(stay.state) else { continue };
        let went_on = path.iter().any(|p| {
            p.from >= stay.to && p.state.direction == stay.state.direction && p.state.index > stay.state.index
        });
        let start = match out.last() {
            None => scene.start,
            Some(before) => begin(scene, phase, before, stay),
        };
        let cycle_over = scene.end + AFTER_END;
        let left = stay.to.max(start).min(cycle_over);
        let next_way_back = stays.get(n + 1).is_some_and(|next| next.state.direction != stay.state.direction);
        let run = judge_end(scene, phase, stay, start, left, went_on, next_way_back);
        out.push(run);
    }
    out
}

/// Steps at the very beginning that took no time were done before: they were not run.
fn drop_skipped(scene: &Scene, stays: &mut Vec<Stay>) {
    let run = stays.iter().position(|stay| stay.to > stay.from).unwrap_or(stays.len());
    let first_direction = stays.first().map(|stay| stay.state.direction);
    let keep_from = (0..run).find(|n| Some(stays[*n].state.direction) != first_direction).unwrap_or(run);
    if keep_from < stays.len() && stays[..keep_from].iter().all(|stay| stay.from == scene.start) {
        stays.drain(..keep_from);
    }
}

/// Steps that the path passed through in no time, or that it left although neither their confirmation nor the drive
/// told their end, share their time.
fn share_out(scene: &Scene, stays: &mut [Stay]) {
    let mut n = 0;
    while n < stays.len() {
        let mut last = n;
        while last + 1 < stays.len()
            && stays[last + 1].state.direction == stays[n].state.direction
            && stays[last + 1].from == stays[last].to
            && (stays[last + 1].from == stays[last + 1].to || !drive_changed(scene, stays[last].to))
            && !confirmed_at_leaving(scene, &stays[last])
        {
            last += 1;
        }
        if last > n && stays[last].to > stays[n].from {
            share(scene, &mut stays[n..=last]);
        }
        n = last + 1;
    }
}

/// Each step ends where one of its own switches made; what lies between two such moments is shared as the profile
/// expects it.
fn share(scene: &Scene, stays: &mut [Stay]) {
    let (Some(first), Some(end)) = (stays.first().map(|s| s.from), stays.last().map(|s| s.to)) else {
        return;
    };
    let expected = |stay: &Stay| scene.phase(stay.state).map_or(1.0, |phase| phase.expected.0);
    let (mut n, mut from) = (0, first);
    while n < stays.len() {
        // The next step whose end is told; the last one's is.
        let told = (n..stays.len() - 1)
            .find_map(|k| {
                let phase = scene.phase(stays[k].state)?;
                infer::by_partner(scene, phase, from, end).filter(|at| *at < end).map(|at| (k, at))
            })
            .unwrap_or((stays.len() - 1, end));
        let (last, to) = told;
        let total: f64 = stays[n..=last].iter().map(expected).sum();
        let (lasted, mut done) = (to - from, 0.0);
        for stay in &mut stays[n..=last] {
            stay.from = from + lasted * (done / total);
            done += expected(stay);
            stay.to = from + lasted * (done / total);
        }
        (n, from) = (last + 1, to);
    }
}

fn drive_changed(scene: &Scene, at: Micros) -> bool {
    scene.drive.iter().any(|span| span.from == at)
}

fn confirmed_at_leaving(scene: &Scene, stay: &Stay) -> bool {
    let on = |ix: SignalIx| scene.recording.state(ix, stay.to);
    scene.phase(stay.state).and_then(|phase| phase.confirm.holds(&on)) == Some(true)
}

/// When a step after another begins: at the end of the one before, or when its own drive came on later than the
/// unit's reaction explains.
fn begin(scene: &Scene, phase: &Phase, before: &PhaseRun, stay: &Stay) -> Micros {
    let best = scene
        .drive
        .iter()
        .filter(|span| span.is_drive() && span.to > before.end && span.from < stay.to)
        .map(|span| (scene.mismatch(span, phase), span.from.max(before.end)))
        .min_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
    match best {
        Some((_, at)) if at - before.end > REACTION => at,
        _ => before.end,
    }
}

fn judge_end(
    scene: &Scene,
    phase: &Phase,
    stay: &Stay,
    start: Micros,
    left: Micros,
    went_on: bool,
    turned_round: bool,
) -> PhaseRun {
    let mut truth = truth(scene, &phase.confirm);
    steady(&mut truth);
    let at = |moment: Micros| truth.iter().take_while(|(t, _)| *t <= moment).last().map(|(_, holds)| *holds);
    // The rise that stood when the step was left.
    let rise = |limit: Micros| {
        let mut found = None;
        let mut held = false;
        for (t, holds) in &truth {
            if *t > limit {
                break;
            }
            let now = *holds == Some(true);
            if now && !held {
                found = Some(*t);
            }
            held = now;
        }
        (held, found)
    };
    let inferred = || infer::end_of_motion(scene, phase, start, left).unwrap_or(left);

    let (end, confirmation, confirmed_at) = if phase.confirm == Expr::Always {
        (left, Confirmation::Confirmed, Some(left))
    } else if at(left).flatten() == Some(true) {
        let (_, when) = rise(left);
        match when {
            // It stood before the step began: it can't have told the end of it.
            Some(when) if when + STOOD_BEFORE < start && left - start > Seconds(0.3) => {
                (inferred(), Confirmation::Inferred, Some(when))
            }
            Some(when) => (when.max(start), Confirmation::Confirmed, Some(when)),
            None => (left, Confirmation::Inferred, None),
        }
    } else if at(left).flatten().is_none() {
        (inferred(), Confirmation::Inferred, None)
    } else if let Some(when) = lost_again(&truth, start, left) {
        // It came and went before the step was left: it did tell the end.
        (when, Confirmation::Confirmed, Some(when))
    } else {
        let late = (went_on && !turned_round)
            .then(|| {
                truth
                    .iter()
                    .find(|(t, holds)| *t > left && *t <= scene.end + Seconds(1.0) && *holds == Some(true))
            })
            .flatten()
            .map(|(t, _)| *t);
        match late {
            Some(when) => (inferred(), Confirmation::Late, Some(when)),
            None if went_on => (inferred(), Confirmation::Inferred, None),
            None => (left.min(scene.end.max(start)), Confirmation::Missing, None),
        }
    };
    let end = end.max(start);
    let driven: f64 = scene
        .drive
        .iter()
        .filter(|span| span.is_drive())
        .map(|span| (span.to.min(end) - span.from.max(start)).0.max(0.0))
        .sum();
    let with_no_drive = !phase.pump && phase.valves.is_empty();
    PhaseRun {
        phase: PhaseRef { direction: stay.state.direction, index: stay.state.index },
        start,
        end,
        driven: if with_no_drive { end - start } else { Seconds(driven) },
        u_duration: u_duration(scene, start, end, confirmation),
        confirmation,
        confirmed_at,
        left,
        went_on,
    }
}

/// What falls and comes back within [`SHAKE`] never fell: the first contact is the edge.
fn steady(truth: &mut Vec<(Micros, Option<bool>)>) {
    let mut n = 0;
    while n + 2 < truth.len() {
        let back = truth[n].1 == Some(true) && truth[n + 2].1 == Some(true);
        if back && truth[n + 2].0 - truth[n + 1].0 <= SHAKE {
            truth.drain(n + 1..n + 3);
        } else {
            n += 1;
        }
    }
}

/// A rise within the step that did not last to its end.
fn lost_again(truth: &[(Micros, Option<bool>)], start: Micros, left: Micros) -> Option<Micros> {
    truth
        .windows(2)
        .filter(|pair| pair[0].1 != Some(true) && pair[1].1 == Some(true))
        .map(|pair| pair[1].0)
        .rfind(|t| *t > start && *t <= left)
}

/// Whether an expression holds, from the beginning of the recording and from each change on.
pub(crate) fn truth(scene: &Scene, confirm: &Expr) -> Vec<(Micros, Option<bool>)> {
    let mut on = scene.recording.initial.clone();
    on.resize(scene.profile.signals.len(), None);
    let atoms = confirm.wanted();
    let mut out = vec![(Micros::MIN, confirm.holds(&|ix| on[ix.at()]))];
    let ours = |signal: SignalIx| atoms.iter().any(|(ix, _)| *ix == signal);
    let edges = scene.recording.edges.iter().filter(|e| ours(e.signal)).map(|e| (e.at, e.signal, e.on));
    let mut changes: Vec<(Micros, SignalIx, bool)> = edges.chain(first_contacts(scene, &ours)).collect();
    changes.sort_by_key(|change| change.0);
    for (at, signal, state) in changes {
        on[signal.at()] = Some(state);
        let holds = confirm.holds(&|ix| on[ix.at()]);
        match out.last_mut() {
            Some(last) if last.1 == holds => {}
            Some(last) if last.0 == at => last.1 = holds,
            _ => out.push((at, holds)),
        }
    }
    out
}

/// Contacts that were made and lost again within [`SHAKE`] before their switch stayed made: a worn one begins like this, and
/// the first contact is the edge.
fn first_contacts(scene: &Scene, ours: &dyn Fn(SignalIx) -> bool) -> Vec<(Micros, SignalIx, bool)> {
    let recording = scene.recording;
    let stays_made = |glitch: &Glitch, until: Micros| {
        let mut rises = recording.edges.iter().filter(|e| e.signal == glitch.signal && e.on);
        rises.any(|edge| edge.at >= until && edge.at - until <= SHAKE)
    };
    let made = recording.glitches.iter().filter(|glitch| glitch.to && ours(glitch.signal));
    made.map(|glitch| (glitch, glitch.at + glitch.lasted))
        .filter(|(glitch, until)| stays_made(glitch, *until))
        .flat_map(|(glitch, until)| [(glitch.at, glitch.signal, true), (until, glitch.signal, false)])
        .collect()
}

/// An edge is uniform within the time since the signal was last seen otherwise: u = T / sqrt(12) (JCGM 100, 4.3.7);
/// a duration has two of them. An inferred end is known no better than a few samples.
fn u_duration(scene: &Scene, start: Micros, end: Micros, confirmation: Confirmation) -> Seconds {
    let resolution = |at: Micros| {
        let by_edge = scene.recording.edges.iter().find(|edge| edge.at == at).map(|edge| edge.resolution);
        by_edge.unwrap_or_else(|| infer::sample_period(scene.recording, at)).max(FINEST)
    };
    let first = resolution(start);
    let last = match confirmation {
        Confirmation::Confirmed => resolution(end),
        _ => Seconds(resolution(end).0 * 4.0),
    };
    Seconds(((first.0 * first.0 + last.0 * last.0) / 12.0).sqrt())
}
