//! The healthy roof's parameters under the faults of a cycle.

use foldwatch_profile::PhaseRef;
use foldwatch_units::Celsius;

use crate::fault::Effects;
use crate::layout::{Layout, Move, side};
use crate::params::{MoveParams, RigParams};
use crate::plant::Drive;

/// Delivery at running speed, m3/s, and the pressure that loads lie around, Pa.
fn typical(p: &RigParams) -> (f64, f64) {
    let loads: Vec<f64> = p.moves.iter().flatten().flatten().map(|m| m.load_pa[1] + m.friction_pa).collect();
    let mean = if loads.is_empty() { 50e5 } else { loads.iter().sum::<f64>() / loads.len() as f64 };
    (p.displacement * 300.0, mean)
}

/// Pressure that the heaviest place of any pump-driven step asks for, without what flow costs, Pa.
fn heaviest(p: &RigParams) -> f64 {
    let most = |m: &MoveParams| m.load_pa.into_iter().fold(0.0, f64::max) + m.friction_pa;
    p.moves.iter().flatten().flatten().map(most).fold(0.0, f64::max)
}

/// Current at which voltages lost in cables are stated: that of the reference voltage over the winding, less what
/// the motor's own voltage takes.
fn running_current(p: &RigParams) -> f64 {
    ((p.reference_v - p.k_motor * 300.0) / p.r_winding_ohm).max(1.0)
}

/// The parameters of the plant for one cycle.
pub(crate) fn conditioned(healthy: &RigParams, e: &Effects) -> RigParams {
    let mut p = healthy.clone();
    let (delivery, pressure) = typical(healthy);
    let running = running_current(healthy);
    p.slip *= 1.0 + e.slip;
    p.leak *= 1.0 + e.leak;
    p.air += e.air;
    p.suction_air = (p.suction_air + e.suction_air).min(0.9);
    p.r_supply_ohm += e.supply_v / running;
    p.r_earth_ohm += e.earth_v / running;
    if e.relief > 0.0 {
        p.relief_pa = p.relief_pa.min(e.relief * heaviest(healthy));
    }
    p.release_g += e.release * delivery / pressure;
    if e.strainer > 0.0 {
        p.suction_limit = p.suction_limit.min(e.strainer * delivery);
    }
    p.emf_v -= e.battery.0;
    p.r_battery_ohm *= 1.0 + e.battery.1;
    p
}

/// What drives an axis in a step. Oil creeps past a piston whichever way it is pushed, so a leak of one step's
/// cylinders is one in every step that they move in.
pub(crate) fn drive_for(
    healthy: &RigParams,
    e: &Effects,
    layout: &Layout,
    step: PhaseRef,
    nth: usize,
    m: &Move,
    pumped: bool,
) -> Option<Drive> {
    let by = *healthy.moves[side(step.direction)].get(step.index)?.get(nth)?;
    let friction = e.friction.iter().find(|(p, _)| *p == step).map_or(1.0, |(_, factor)| *factor);
    let moves = |p: PhaseRef| layout.of(p.direction, p.index).iter().any(|other| other.axis == m.axis);
    let creeps: f64 = e.bypass.iter().filter(|(p, _)| moves(*p)).map(|(_, part)| part).sum();
    let (delivery, pressure) = typical(healthy);
    let mu = healthy.oil().dynamic(Celsius(healthy.reference_c));
    Some(Drive {
        by,
        from: m.from,
        to: m.to,
        pumped,
        friction,
        bypass: creeps * delivery / pressure * mu,
        arrived: false,
    })
}
