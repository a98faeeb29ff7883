//! fuse-margin: the pump's current has used up what its fuse stands for certain.

use foldwatch_physics::fuse::Fuse;
use foldwatch_profile::{FuseBody, SignalKind};
use foldwatch_units::{Micros, Seconds};

use super::{About, Check};
use crate::look;
use crate::timing::INRUSH_OVER;
use crate::{Finding, View, Weight};

static ABOUT: About = About {
    id: "fuse-margin",
    title: "Fuse near its limit",
    meaning: "The pump drew so much for so long that its fuse may open, by its time-current class. A fuse that has been heated \
              so now and then ages.",
    inspect: "Why the current is so high: what holds the mechanism, a tired motor, a pump that turns hard. That the right fuse is \
              fitted. Never fit a larger one.",
    limit_origin: "The shortest opening time of the fuse's class, used up by the recorded current as dependent-time relays add it \
                   up (classes and rule from memory of ISO 8820-3 and IEC 60255-151, no citation); the first 0.4 s of each start \
                   are left out, which the profile's inrush covers.",
};

/// See the file's head.
pub(super) struct FuseMargin;

impl Check for FuseMargin {
    fn about(&self) -> &'static About {
        &ABOUT
    }

    fn examine(&self, view: &View) -> Vec<Finding> {
        judge(view).into_iter().collect()
    }
}

/// Share of what the fuse stands for certain that the cycle used up; `None` where fuse or current is not known.
pub(crate) fn used(view: &View) -> Option<f64> {
    let rating = view.profile.electrics.fuse?;
    let lane = view.lane(SignalKind::Current)?;
    let fuse = match view.profile.electrics.fuse_body {
        FuseBody::Standard => Fuse::standard_blade(rating),
        FuseBody::Large => Fuse::large_blade(rating),
    };
    let drive = &view.cycle.recording.drive;
    let mut sum = 0.0;
    let mut started: Option<Micros> = None;
    for span in drive {
        if !look::pump_runs(span) {
            started = None;
            continue;
        }
        let start = *started.get_or_insert(span.from);
        let part = lane.within(span.from.max(start + Seconds(INRUSH_OVER)), span.to);
        let (times, amps): (Vec<Micros>, Vec<f32>) = part.points().map(|p| (p.0, p.1 as f32)).unzip();
        sum += fuse.used(&times, &amps);
    }
    Some(sum)
}

fn judge(view: &View) -> Option<Finding> {
    let used = used(view).filter(|used| *used >= 1.0)?;
    let lane = view.lane(SignalKind::Current)?;
    let rating = view.profile.electrics.fuse?.0;
    let (at, highest) =
        lane.within(view.cycle.start + Seconds(INRUSH_OVER), view.cycle.end).highest_mean(0.5)?;
    Some(Finding {
        kind: ABOUT.id,
        weight: Weight::Attend,
        phase: view.step_at(at).map(|step| step.run.phase),
        signal: Some(lane.signal),
        at,
        until: None,
        value: used,
        unit: "",
        limit: Some(1.0),
        sure: 0.75,
        message: format!(
            "With up to {highest:.0} A for half a second the movement used up {:.0} % of what a {rating:.0} A fuse of this kind \
             stands for certain.",
            100.0 * used
        ),
    })
}

#[cfg(test)]
mod tests {
    use crate::testing::{Sketch, sig};
    use foldwatch_units::Direction::*;

    fn drawing(factor: f64) -> Sketch {
        Sketch::healthy(Opening).with(|s| s.current_factor = factor)
    }

    #[test]
    fn silent_at_its_rating_and_told_at_twice() {
        // 14.7 A while moving; 40 A of a large body.
        assert!(!drawing(2.7).kinds().contains(&"fuse-margin"));
        assert!(drawing(5.4).kinds().contains(&"fuse-margin"), "{:?}", drawing(5.4).kinds());
        assert!(!drawing(5.4).with(|s| s.absent = vec![sig::CURRENT]).kinds().contains(&"fuse-margin"));
    }
}
