//! What is planted, and what must and may be said of it.

use foldwatch_profile::{Phase, Profile};
use foldwatch_units::Direction;

use super::story::{Act, Story};

/// Findings that must be there, and others that may go with them.
type Told = (&'static [&'static str], &'static [&'static str]);

/// One thing to tell.
pub struct Plant {
    pub name: &'static str,
    pub tell: fn(&mut Story, &Scene),
    pub outcomes: &'static [&'static str],
    pub with_everything: Told,
    /// Nothing but switches and the operator's button.
    pub with_switches: Told,
}

/// Where it is planted: the second step, the switch that it makes and the one that it opens.
pub struct Scene {
    pub direction: Direction,
    pub steps: Vec<Phase>,
    pub on: String,
    pub off: String,
}

/// Place of the step.
const K: usize = 1;

impl Scene {
    pub fn of(roof: &Profile, direction: Direction) -> Scene {
        let steps = roof.sequence(direction).to_vec();
        let named = |on: bool| {
            let wanted = steps[K].confirm.wanted().into_iter().find(|w| w.1 == on).expect("both kinds");
            roof.signal(wanted.0).id.clone()
        };
        Scene { direction, on: named(true), off: named(false), steps }
    }
}

const DONE: &[&str] = &["completed"];
const NOTHING: Told = (&[], &[]);

fn cycle(s: &mut Story, at: &Scene, change: impl Fn(&mut Act)) {
    let mut acts = s.acts(at.direction);
    change(&mut acts[K]);
    s.cycle(at.direction, &acts);
}

fn all(s: &mut Story, at: &Scene, change: impl Fn(&mut Act)) {
    let mut acts = s.acts(at.direction);
    acts.iter_mut().for_each(change);
    s.cycle(at.direction, &acts);
}

/// The steps before the second, and half of that.
fn half_way(s: &mut Story, at: &Scene) {
    let acts = s.acts(at.direction);
    s.begin(at.direction);
    for (step, act) in at.steps.iter().zip(&acts).take(K) {
        s.step(step, act);
    }
    let mut half = acts[K].clone();
    half.stuck = vec![at.on.clone()];
    half.patience = 0.5 * half.moves;
    s.step(&at.steps[K], &half);
}

/// In the order of the list in the design.
pub const PLANTS: &[Plant] = &[
    Plant {
        name: "sound",
        tell: |s, at| cycle(s, at, |_| {}),
        outcomes: DONE,
        with_everything: NOTHING,
        with_switches: NOTHING,
    },
    Plant {
        name: "never closes, the unit gives up",
        tell: |s, at| cycle(s, at, |act| act.stuck = vec![at.on.clone()]),
        outcomes: &["given-up"],
        with_everything: (&["missing-confirmation", "unconfirmed-running", "relief-dwell"], &[]),
        with_switches: (&["missing-confirmation"], &[]),
    },
    Plant {
        name: "never closes, the unit goes on",
        tell: |s, at| {
            cycle(s, at, |act| {
                act.stuck = vec![at.on.clone()];
                act.goes_on = true;
                act.patience = act.moves + 2.4;
            });
        },
        outcomes: DONE,
        with_everything: (&["missing-confirmation", "relief-dwell"], &["unconfirmed-running"]),
        with_switches: (&["missing-confirmation"], &[]),
    },
    Plant {
        name: "stays closed, the unit gives up",
        tell: |s, at| cycle(s, at, |act| act.stuck = vec![at.off.clone()]),
        outcomes: &["given-up"],
        with_everything: (
            &["stuck-switch", "missing-confirmation", "unconfirmed-running"],
            &["contradiction", "relief-dwell"],
        ),
        with_switches: (&["stuck-switch", "missing-confirmation"], &["contradiction"]),
    },
    Plant {
        name: "stays closed, the unit goes on",
        tell: |s, at| {
            cycle(s, at, |act| {
                act.stuck = vec![at.off.clone()];
                act.goes_on = true;
                act.patience = act.moves + 0.1;
            });
        },
        outcomes: DONE,
        with_everything: (&["stuck-switch", "missing-confirmation"], &["contradiction"]),
        with_switches: (&["stuck-switch", "missing-confirmation"], &["contradiction"]),
    },
    Plant {
        name: "closes 2 s late",
        tell: |s, at| cycle(s, at, |act| act.late = 2.0),
        outcomes: DONE,
        with_everything: (&["late-confirmation", "relief-dwell"], &[]),
        // Without pressure and current it can't be told from a slow step.
        with_switches: (&[], &["slow-phase"]),
    },
    Plant {
        name: "toggles eight times in a second",
        tell: |s, at| {
            cycle(s, at, |_| {});
            let edge = s.edges[K].2;
            for n in 0..8 {
                s.flip(edge + 0.0625 + 0.125 * f64::from(n), 0.0625, &at.on, false);
            }
        },
        outcomes: DONE,
        with_everything: (&["chatter"], &[]),
        with_switches: (&["chatter"], &[]),
    },
    Plant {
        name: "toggles four times with nothing moving it",
        tell: |s, at| {
            cycle(s, at, |_| {});
            let edge = s.edges[K].2 + 0.9;
            for n in 0..4 {
                s.flip(edge + 0.25 * f64::from(n), 0.125, &at.on, false);
            }
        },
        outcomes: DONE,
        with_everything: (&["chatter"], &[]),
        with_switches: (&["chatter"], &[]),
    },
    Plant {
        name: "lost for 0.3 s",
        tell: |s, at| {
            cycle(s, at, |_| {});
            let edge = s.edges[K].2 + 0.9;
            s.flip(edge, 0.3, &at.on, false);
        },
        outcomes: DONE,
        with_everything: (&["dropout"], &[]),
        with_switches: (&["dropout"], &[]),
    },
    Plant {
        name: "pump stays on for 4 s",
        tell: |s, at| {
            s.pump_stays = 4.0;
            cycle(s, at, |_| {});
        },
        outcomes: DONE,
        with_everything: (&["run-on"], &[]),
        with_switches: NOTHING,
    },
    Plant {
        name: "pump stays on for as long as it may",
        tell: |s, at| {
            s.pump_stays = s.profile.timing.run_on.0;
            cycle(s, at, |_| {});
        },
        outcomes: DONE,
        with_everything: NOTHING,
        with_switches: NOTHING,
    },
    Plant {
        name: "pump stays on for two minutes",
        tell: |s, at| {
            s.pump_stays = 120.0;
            cycle(s, at, |_| {});
        },
        outcomes: DONE,
        with_everything: (&["run-on", "duty-exceeded"], &["fuse-margin"]),
        with_switches: NOTHING,
    },
    Plant {
        name: "relay stays shut for 4 s",
        tell: |s, at| {
            s.welded = 4.0;
            cycle(s, at, |_| {});
        },
        outcomes: DONE,
        with_everything: (&["stuck-relay"], &[]),
        with_switches: NOTHING,
    },
    Plant {
        name: "takes 1.6 times as long",
        tell: |s, at| cycle(s, at, |act| act.moves *= 1.6),
        outcomes: DONE,
        with_everything: (&["slow-phase"], &[]),
        with_switches: (&["slow-phase"], &[]),
    },
    Plant {
        name: "takes as long as it may",
        tell: |s, at| {
            s.reaction = 0.0;
            let limit = at.steps[K].limit.0;
            cycle(s, at, |act| act.moves = limit);
        },
        outcomes: DONE,
        with_everything: NOTHING,
        with_switches: NOTHING,
    },
    Plant {
        name: "held for 3 s",
        tell: |s, at| cycle(s, at, |act| act.held = Some((0.5 * act.moves, 3.0))),
        outcomes: DONE,
        with_everything: (&["relief-dwell"], &["slow-phase"]),
        with_switches: (&[], &["slow-phase"]),
    },
    Plant {
        name: "no oil",
        tell: |s, at| {
            let every = s.switches();
            cycle(s, at, |act| {
                (act.moving_bar, act.stop_bar) = (4.0, 4.0);
                act.stuck = every.clone();
            });
        },
        outcomes: &["given-up"],
        with_everything: (&["no-pressure"], &["unconfirmed-running"]),
        with_switches: (&["missing-confirmation"], &[]),
    },
    Plant {
        name: "9 V",
        tell: |s, at| {
            s.volts = 9.0;
            cycle(s, at, |_| {});
        },
        outcomes: DONE,
        with_everything: (&["low-supply"], &[]),
        with_switches: NOTHING,
    },
    Plant {
        name: "two seconds not recorded",
        tell: |s, at| {
            cycle(s, at, |_| {});
            let from = s.edges[K].1 + 0.5;
            s.holes = vec![(from, from + 2.0)];
        },
        outcomes: DONE,
        with_everything: (&["recording-gap"], &[]),
        with_switches: (&["recording-gap"], &[]),
    },
    Plant {
        name: "all a little slow",
        tell: |s, at| all(s, at, |act| act.moves *= 1.15),
        outcomes: DONE,
        with_everything: NOTHING,
        with_switches: NOTHING,
    },
    Plant {
        name: "all fast",
        tell: |s, at| all(s, at, |act| act.moves *= 0.8),
        outcomes: DONE,
        with_everything: NOTHING,
        with_switches: NOTHING,
    },
    Plant {
        name: "every switch a little after its stop",
        tell: |s, at| all(s, at, |act| act.late = 0.2),
        outcomes: DONE,
        with_everything: NOTHING,
        with_switches: NOTHING,
    },
    Plant {
        name: "noise of 3 %",
        tell: |s, at| {
            s.noise = 0.03;
            cycle(s, at, |_| {});
        },
        outcomes: DONE,
        with_everything: NOTHING,
        with_switches: NOTHING,
    },
    Plant {
        name: "every contact bounces for 30 ms",
        tell: |s, at| {
            s.bounce = 0.03;
            cycle(s, at, |_| {});
        },
        outcomes: DONE,
        with_everything: NOTHING,
        with_switches: NOTHING,
    },
    Plant {
        name: "the way back two seconds later",
        tell: |s, at| {
            cycle(s, at, |_| {});
            s.t -= 7.0;
            let back = at.direction.reversed();
            let acts = s.acts(back);
            s.cycle(back, &acts);
        },
        outcomes: &["completed", "completed"],
        with_everything: NOTHING,
        with_switches: NOTHING,
    },
    Plant {
        name: "let go half-way, and on again later",
        tell: |s, at| {
            half_way(s, at);
            s.demand(s.t - 0.05, at.direction, false);
            s.end(at.direction, 0.0);
            s.t += 20.0;
            let acts = s.acts(at.direction);
            s.begin(at.direction);
            for (n, (step, act)) in at.steps.iter().zip(&acts).enumerate().skip(K) {
                let mut act = act.clone();
                if n == K {
                    act.moves *= 0.5;
                }
                s.step(step, &act);
            }
            s.end(at.direction, 0.3);
            s.t += 8.0;
        },
        outcomes: &["stopped-by-operator", "completed"],
        with_everything: NOTHING,
        with_switches: NOTHING,
    },
];
