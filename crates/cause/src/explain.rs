//! Why a cause is likely or not, in sentences.

use crate::SIGNS;
use crate::diagnosis::{FOUND, Work};
use crate::evidence::Counts;
use crate::infer::World;
use crate::sign::trace_of;

/// A sign that changes the odds by less than this (ln) is not told.
const WORTH_TELLING: f64 = 0.25;
/// So many sentences for a cause, and against it.
const SENTENCES: usize = 6;
/// So many places are named in a sentence.
const PLACES: usize = 3;

/// A sign, what it adds in all (ln), and what it adds at which places.
type Said = (usize, f64, Vec<(f64, usize)>);

/// What speaks for and against a candidate, where it is told: what nothing speaks for is only as likely as on any car, and
/// nobody's concern before it is likely by itself.
pub(crate) fn told(
    work: &Work,
    worlds: &[World],
    candidate: usize,
    probability: f64,
) -> Option<(Vec<String>, Vec<String>)> {
    let (supports, against) = evidence(work, worlds, candidate);
    (probability >= FOUND || !supports.is_empty()).then_some((supports, against))
}

fn evidence(work: &Work, worlds: &[World], candidate: usize) -> (Vec<String>, Vec<String>) {
    // The likeliest way in which it is so speaks for it.
    let mut weights = vec![0.0; work.variants.len()];
    for world in worlds {
        world.faults().for_each(|fault| weights[fault] += world.weight);
    }
    let ways = (0..work.variants.len()).filter(|n| work.variants[*n].candidate == candidate);
    let Some(way) = ways.max_by(|a, b| weights[*a].total_cmp(&weights[*b])) else {
        return (Vec::new(), Vec::new());
    };
    let model = work.model();
    // For each sign: what it adds, and at which places.
    let mut supports: Vec<Said> = Vec::new();
    let mut against: Vec<Said> = Vec::new();
    for (spot, at_most) in &work.variants[way].effects {
        let ln = model.ln_factor(*spot, at_most);
        let seen = counts(work, *spot).seen > 0;
        let list = match (seen, ln) {
            (true, ln) if ln > 0.0 => &mut supports,
            (false, ln) if ln < 0.0 && !is_seen_somewhat(work, *spot) => &mut against,
            _ => continue,
        };
        let sign = work.spots[*spot].sign;
        match list.iter_mut().find(|(known, ..)| *known == sign) {
            Some((_, sum, spots)) => {
                *sum += ln.abs();
                spots.push((ln.abs(), *spot));
            }
            None => list.push((sign, ln.abs(), vec![(ln.abs(), *spot)])),
        }
    }
    let tell = |mut list: Vec<Said>, seen: bool| {
        list.retain(|(_, sum, _)| *sum > WORTH_TELLING);
        list.sort_by(|a, b| b.1.total_cmp(&a.1));
        list.truncate(SENTENCES);
        list.into_iter()
            .map(|(sign, _, mut spots)| {
                spots.sort_by(|a, b| b.0.total_cmp(&a.0));
                sentence(work, sign, &spots.iter().map(|s| s.1).collect::<Vec<_>>(), seen)
            })
            .collect()
    };
    (tell(supports, true), tell(against, false))
}

/// What was seen and none of the likeliest faults makes more likely than chance.
pub(crate) fn unexplained(work: &Work, worlds: &[World]) -> Vec<String> {
    let Some(best) = worlds.iter().max_by(|a, b| a.weight.total_cmp(&b.weight)) else { return Vec::new() };
    let model = work.model();
    let explains = |spot: usize| {
        best.faults().any(|fault| {
            let effect = work.variants[fault].effects.iter().find(|(at, _)| *at == spot);
            effect.is_some_and(|(_, at_most)| model.ln_factor(spot, at_most) > 0.2)
        })
    };
    (0..work.spots.len())
        .filter(|spot| SIGNS[work.spots[*spot].sign].wants_a_cause())
        .filter(|spot| counts(work, *spot).seen > 0 && !explains(*spot))
        .map(|spot| sentence(work, work.spots[spot].sign, &[spot], true))
        .take(2 * SENTENCES)
        .collect()
}

/// The lower degree of the same was seen at the same place: to say that it was not seen would read like a contradiction.
fn is_seen_somewhat(work: &Work, spot: usize) -> bool {
    let here = work.spots[spot];
    let Some(trace) = trace_of(SIGNS[here.sign].id) else { return false };
    let mut all = work.spots.iter().zip(&work.counts);
    all.any(|(there, counts)| counts.seen > 0 && there.place == here.place && SIGNS[there.sign].id == trace)
}

fn counts(work: &Work, spot: usize) -> Counts {
    work.counts[spot]
}

fn sentence(work: &Work, sign: usize, spots: &[usize], seen: bool) -> String {
    let about = SIGNS[sign];
    let mut places: Vec<String> =
        spots.iter().take(PLACES).map(|spot| work.spots[*spot].place.label(work.profile)).collect();
    if spots.len() > PLACES {
        places.push(format!("{} more", spots.len() - PLACES));
    }
    let at = match places.split_last() {
        Some((last, [])) => last.clone(),
        Some((last, before)) => format!("{} and {last}", before.join(", ")),
        None => String::new(),
    };
    // Where several places are told at once, the numbers are those of the first, which says most.
    let counts = spots.first().map(|spot| counts(work, *spot)).unwrap_or_default();
    let how_often = match (seen, counts.over_the_log) {
        (_, true) => String::new(),
        (true, false) => format!(": in {} of {}{}", counts.seen, cycles(counts.looked), oil(&counts)),
        (false, false) => format!(" ({} looked at)", cycles(counts.looked)),
    };
    if seen {
        let text = about.seen.replace("{at}", &at);
        let mut letters = text.chars();
        let first = letters.next().map(|c| c.to_uppercase().to_string()).unwrap_or_default();
        format!("{first}{}{how_often}.", letters.as_str())
    } else {
        format!("Expected and not seen: {}{how_often}.", about.lack.replace("{at}", &at))
    }
}

fn cycles(count: u32) -> String {
    if count == 1 { "1 cycle".to_owned() } else { format!("{count} cycles") }
}

/// The oil temperature of the cycles that showed it, where it is only a part of all.
fn oil(counts: &Counts) -> String {
    match (counts.seen_oil, counts.looked_oil) {
        (Some((low, high)), Some((least, most)))
            if most - least >= 6.0 && high - low < 0.5 * (most - least) =>
        {
            // Both ends of a narrow range may round to the same.
            let (low, high) = (format!("{low:.0}"), format!("{high:.0}"));
            let seen = if low == high { low } else { format!("{low} to {high}") };
            format!(", with the oil at {seen} °C of {least:.0} to {most:.0} °C")
        }
        _ => String::new(),
    }
}
