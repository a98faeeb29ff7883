//! The physics: battery, motor, pump, oil and the axes as differential equations, and the moments at which they
//! change their form.
//!
//! One node of pressure: whatever the valves connect hangs on the pump's line. Positions run from 0 to 1, so a force
//! on an axis is an energy: the volume it sweeps times the pressure.

use crate::layout::Place;
use crate::oil::{Oil, compressibility};
use crate::params::{MoveParams, RigParams};
use foldwatch_units::Celsius;

/// Where each quantity stands in the state vector.
pub mod at {
    /// Motor current, A.
    pub const CURRENT: usize = 0;
    /// Motor speed, rad/s.
    pub const SPEED: usize = 1;
    /// Motor angle, rad.
    pub const ANGLE: usize = 2;
    /// Pressure, Pa.
    pub const PRESSURE: usize = 3;
    /// Oil temperature, °C.
    pub const OIL: usize = 4;
    /// Motor temperature, °C.
    pub const MOTOR: usize = 5;
    /// Charge taken from the battery, As.
    pub const CHARGE: usize = 6;
    /// Energy given by the battery's source, J.
    pub const SOURCE: usize = 7;
    /// Heat in resistances, J.
    pub const COPPER: usize = 8;
    /// Heat by friction of motor and pump, J.
    pub const FRICTION: usize = 9;
    /// Heat by slip, relief valve and leaks, J.
    pub const HYDRAULIC: usize = 10;
    /// Work against the axes' loads (gravity), J.
    pub const LOAD: usize = 11;
    /// Heat by the axes' friction, damping and stops, J.
    pub const AXES: usize = 12;
    /// Position of the first axis; its speed follows, then the next axis.
    pub const FIRST_AXIS: usize = 13;

    /// Position of an axis.
    pub fn x(axis: usize) -> usize {
        FIRST_AXIS + 2 * axis
    }

    /// Speed of an axis.
    pub fn v(axis: usize) -> usize {
        FIRST_AXIS + 2 * axis + 1
    }
}

/// Voltage of the diode across the motor, V.
const DIODE: f64 = 0.7;
/// Below this speed a coasting motor stands, rad/s.
const STANDSTILL: f64 = 0.5;

/// How an axis is driven just now.
#[derive(Debug, Clone, Copy)]
pub struct Drive {
    /// Its parameters.
    pub by: MoveParams,
    /// Where from.
    pub from: f64,
    /// Where to.
    pub to: f64,
    /// By the pump's pressure; else by gravity or a spring.
    pub pumped: bool,
    /// Factor on all friction (a fault).
    pub friction: f64,
    /// Oil that creeps past the piston: conductance * pressure / viscosity, m3 (a fault).
    pub bypass: f64,
    /// It has been where it goes.
    pub arrived: bool,
}

impl Drive {
    fn sign(&self) -> f64 {
        if self.to >= self.from { 1.0 } else { -1.0 }
    }

    /// The load's pressure at a position: a parabola through start, middle and end.
    fn load(&self, x: f64) -> f64 {
        let s = ((x - self.from) / (self.to - self.from)).clamp(0.0, 1.0);
        let [a, b, c] = self.by.load_pa;
        a * (2.0 * s - 1.0) * (s - 1.0) + 4.0 * b * s * (1.0 - s) + c * s * (2.0 * s - 1.0)
    }
}

/// Whether an axis moves.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Motion {
    /// Held by static friction.
    Stuck,
    /// Sliding; the sign of its speed.
    Sliding(f64),
}

/// What happened at a located moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Happened {
    /// The motor's current has died down after its relay opened.
    CurrentGone,
    /// The motor came to a stop.
    MotorStopped,
    /// The relief valve opened or closed.
    Relief,
    /// An axis got where its step takes it.
    Arrived(usize),
    /// An axis broke away or came to rest.
    Motion(usize),
    /// A switch changed; its place in [`Plant::switches`].
    Switch(usize),
}

/// The plant with all that is discrete about it.
#[derive(Debug, Clone)]
pub struct Plant {
    /// Its parameters, faults included.
    pub params: RigParams,
    oil: Oil,
    /// Temperature around, °C.
    pub ambient: f64,
    /// The motor hangs on the battery.
    pub relay: bool,
    /// Its current still flows through the diode.
    pub freewheel: bool,
    /// It turns, or is driven.
    pub turning: bool,
    /// What drives each axis.
    pub drives: Vec<Option<Drive>>,
    /// Whether it moves.
    pub motion: Vec<Motion>,
    /// The switches that axes work, with their states.
    pub switches: Vec<(Place, bool)>,
    mu: f64,
    mu_reference: f64,
    resistance: f64,
}

/// Flows of the pressure node, m3/s.
struct Flows {
    pump: f64,
    slip: f64,
    relief: f64,
    leak: f64,
}

impl Plant {
    /// A plant at rest.
    pub fn new(params: RigParams, axes: usize, ambient: f64) -> Plant {
        let oil = params.oil();
        let mu_reference = oil.dynamic(Celsius(params.reference_c));
        let mut plant = Plant {
            params,
            oil,
            ambient,
            relay: false,
            freewheel: false,
            turning: false,
            drives: vec![None; axes],
            motion: vec![Motion::Stuck; axes],
            switches: Vec::new(),
            mu: mu_reference,
            mu_reference,
            resistance: 0.0,
        };
        plant.refresh(ambient, ambient);
        plant
    }

    /// Length of the state vector.
    pub fn states(&self) -> usize {
        at::x(self.drives.len())
    }

    /// Number of watched moments.
    pub fn roots(&self) -> usize {
        3 + 2 * self.drives.len() + self.switches.len()
    }

    /// What a watched moment means.
    pub fn meaning(&self, root: usize) -> Happened {
        let axes = self.drives.len();
        match root {
            0 => Happened::CurrentGone,
            1 => Happened::MotorStopped,
            2 => Happened::Relief,
            r if r < 3 + axes => Happened::Arrived(r - 3),
            r if r < 3 + 2 * axes => Happened::Motion(r - 3 - axes),
            r => Happened::Switch(r - 3 - 2 * axes),
        }
    }

    /// Takes over the temperatures into what hangs on them. They change slowly, so once a step is enough.
    pub fn refresh(&mut self, oil_c: f64, motor_c: f64) {
        self.mu = self.oil.dynamic(Celsius(oil_c));
        // Copper: 0.39 % a kelvin (physical tables, from memory).
        self.resistance = self.params.r_winding_ohm * (1.0 + 0.0039 * (motor_c - 20.0));
    }

    /// Resistance of the battery at the temperature around: half as much again for each 20 K less (common practice,
    /// no source).
    fn battery(&self) -> f64 {
        self.params.r_battery_ohm * 1.5f64.powf((20.0 - self.ambient).clamp(-40.0, 60.0) / 20.0)
    }

    /// Voltage at the supply tap for a motor current.
    pub fn supply(&self, current: f64) -> f64 {
        let drawn = if self.relay { current } else { 0.0 };
        self.params.emf_v - drawn * (self.battery() + self.params.r_supply_ohm)
    }

    fn flows(&self, speed: f64, pressure: f64) -> Flows {
        let p = &self.params;
        let mut displaced = (p.displacement * speed).max(0.0);
        // What the strainer lets through bounds what the pump can take in.
        let ratio = displaced * self.mu / self.mu_reference / p.suction_limit;
        displaced /= (1.0 + ratio.powi(4)).sqrt().sqrt();
        displaced *= 1.0 - p.suction_air;
        let over = (p.slip * pressure.max(0.0) / self.mu).min(displaced);
        let open = (pressure - p.crack * p.relief_pa).max(0.0);
        let leak = (p.leak + p.release_g * self.mu_reference) * pressure / self.mu;
        Flows { pump: displaced, slip: over, relief: p.relief_g * open, leak }
    }

    /// Pressure within the pump, whose check valve shuts when slip takes all that it displaces.
    fn chamber(&self, pressure: f64, flows: &Flows) -> f64 {
        let bound = if self.params.slip > 0.0 { flows.pump * self.mu / self.params.slip } else { pressure };
        pressure.clamp(0.0, bound.max(0.0))
    }

    /// Force on an axis in the direction of growing position but for dry friction, and its viscous part.
    fn push(&self, drive: &Drive, x: f64, v: f64, pressure: f64) -> (f64, f64, f64) {
        let m = &drive.by;
        let sign = drive.sign();
        let wet = 0.4 + 0.6 * self.mu / self.mu_reference;
        let (push, load, damping) = if drive.pumped {
            (m.volume * pressure * sign, -m.volume * drive.load(x) * sign, m.damping * wet * v)
        } else {
            (0.0, m.volume * drive.load(x) * sign, m.throttle * v * v.abs() * (0.5 + 0.5 * wet))
        };
        (push, load, damping)
    }

    /// Force of the end stops and how much of it is damping.
    fn stop(&self, m: &MoveParams, x: f64, v: f64) -> (f64, f64) {
        let (depth, side) = if x > 1.0 {
            (x - 1.0, 1.0)
        } else if x < 0.0 {
            (-x, -1.0)
        } else {
            return (0.0, 0.0);
        };
        // A stop pushes, it never pulls.
        let total = (m.stop_stiffness * depth + m.stop_damping * v * side).max(0.0);
        (-total * side, -(total - m.stop_stiffness * depth) * side)
    }

    fn sliding_friction(&self, drive: &Drive, v: f64) -> f64 {
        let m = &drive.by;
        let ratio = v / m.stribeck.max(1e-9);
        m.volume * m.friction_pa * drive.friction * (1.0 + (m.stiction - 1.0) * (-ratio * ratio).exp())
    }

    /// The differential equations.
    pub fn slope(&self, y: &[f64], dy: &mut [f64]) {
        let p = &self.params;
        dy.fill(0.0);
        let (i, w, pressure) = (y[at::CURRENT], y[at::SPEED], y[at::PRESSURE]);
        let flows = self.flows(w, pressure);
        if self.relay {
            let outside = self.battery() + p.r_supply_ohm + p.r_earth_ohm;
            dy[at::CURRENT] = (p.emf_v - i * (outside + self.resistance) - p.k_motor * w) / p.l_winding_h;
            dy[at::CHARGE] = i;
            dy[at::SOURCE] = p.emf_v * i;
            dy[at::COPPER] = i * i * (outside + self.resistance);
        } else if self.freewheel {
            dy[at::CURRENT] = -(DIODE + i * self.resistance + p.k_motor * w) / p.l_winding_h;
            dy[at::COPPER] = i * (DIODE + i * self.resistance);
        }
        if self.turning {
            let chamber = self.chamber(pressure, &flows);
            let hydraulic = if w > 0.0 { flows.pump * chamber / w } else { 0.0 };
            // Dry friction fades in over the first rad/s, so that a standing motor is not pushed backwards by it.
            let dry = p.t_dry_nm * (w / 2.0).clamp(-1.0, 1.0);
            let wet = p.t_wet_nms * w * (0.25 + 0.75 * self.mu / self.mu_reference);
            dy[at::SPEED] = (p.k_motor * i - dry - wet - hydraulic) / p.j_motor;
            dy[at::ANGLE] = w;
            dy[at::FRICTION] = (dry + wet) * w;
            dy[at::HYDRAULIC] = flows.pump * chamber - (flows.pump - flows.slip) * pressure;
        }
        let into = if self.turning { flows.pump - flows.slip } else { 0.0 };
        let mut net = into - flows.relief - flows.leak;
        dy[at::HYDRAULIC] += pressure * (flows.relief + flows.leak);
        for (axis, drive) in self.drives.iter().enumerate() {
            let Some(drive) = drive else { continue };
            let (x, v) = (y[at::x(axis)], y[at::v(axis)]);
            if drive.pumped {
                let bypass = drive.bypass * pressure / self.mu;
                net -= bypass;
                dy[at::HYDRAULIC] += pressure * bypass;
            }
            if let Motion::Sliding(side) = self.motion[axis] {
                let (push, load, damping) = self.push(drive, x, v, pressure);
                let (stop, stop_damping) = self.stop(&drive.by, x, v);
                let friction = self.sliding_friction(drive, v) * side;
                dy[at::x(axis)] = v;
                dy[at::v(axis)] = (push + load - damping + stop - friction) / drive.by.inertia;
                dy[at::LOAD] -= load * v;
                dy[at::AXES] += (damping + friction - stop_damping) * v;
                if drive.pumped {
                    net -= drive.by.volume * v * drive.sign();
                }
            }
        }
        dy[at::PRESSURE] = net / (p.volume * compressibility(pressure, p.air));
        dy[at::OIL] = dy[at::HYDRAULIC] / p.c_oil_jk - (y[at::OIL] - self.ambient) / p.tau_oil_s;
        let warm = if self.relay || self.freewheel { i * i * self.resistance } else { 0.0 };
        dy[at::MOTOR] =
            (warm + dy[at::FRICTION]) / p.c_motor_jk - (y[at::MOTOR] - self.ambient) / p.tau_motor_s;
    }

    /// The watched quantities; each passes zero at its moment.
    pub fn watch(&self, y: &[f64], g: &mut [f64]) {
        let axes = self.drives.len();
        g[0] = if self.freewheel { y[at::CURRENT] } else { 1.0 };
        g[1] = if self.turning && !self.relay && !self.freewheel { y[at::SPEED] - STANDSTILL } else { 1.0 };
        g[2] = (y[at::PRESSURE] - self.params.crack * self.params.relief_pa) * 1e-5;
        for axis in 0..axes {
            let (x, v) = (y[at::x(axis)], y[at::v(axis)]);
            let (arrive, motion) = match &self.drives[axis] {
                None => (1.0, 1.0),
                Some(drive) => {
                    let arrive = if drive.arrived { 1.0 } else { (drive.to - x) * drive.sign() };
                    let motion = match self.motion[axis] {
                        Motion::Sliding(side) => v * side,
                        Motion::Stuck => {
                            (self.hold(drive) - self.urge(drive, x, y[at::PRESSURE]).abs()) / drive.by.volume
                                * 1e-5
                        }
                    };
                    (arrive, motion)
                }
            };
            g[3 + axis] = arrive;
            g[3 + axes + axis] = motion;
        }
        for (g, (place, state)) in g[3 + 2 * axes..].iter_mut().zip(&self.switches) {
            *g = place.distance(y[at::x(place.axis)], *state);
        }
    }

    /// Force that static friction can hold.
    fn hold(&self, drive: &Drive) -> f64 {
        drive.by.volume * drive.by.friction_pa * drive.friction * drive.by.stiction
    }

    /// Force on a standing axis.
    fn urge(&self, drive: &Drive, x: f64, pressure: f64) -> f64 {
        let (push, load, _) = self.push(drive, x, 0.0, pressure);
        push + load + self.stop(&drive.by, x, 0.0).0
    }

    /// Changes the form of the equations at a located moment. `y` stands at that moment.
    pub fn happen(&mut self, what: Happened, y: &mut [f64]) {
        match what {
            Happened::CurrentGone => {
                self.freewheel = false;
                y[at::CURRENT] = 0.0;
            }
            Happened::MotorStopped => {
                y[at::FRICTION] += 0.5 * self.params.j_motor * y[at::SPEED].powi(2);
                y[at::SPEED] = 0.0;
                self.turning = false;
            }
            Happened::Relief => {}
            Happened::Arrived(axis) => {
                if let Some(Some(drive)) = self.drives.get_mut(axis) {
                    drive.arrived = true;
                }
            }
            Happened::Motion(axis) => self.settle(axis, y),
            Happened::Switch(ix) => {
                if let Some((_, state)) = self.switches.get_mut(ix) {
                    *state = !*state;
                }
            }
        }
    }

    /// Decides whether an axis that stands sticks or slides, and which way.
    fn settle(&mut self, axis: usize, y: &mut [f64]) {
        let Some(drive) = self.drives[axis] else { return };
        let urge = self.urge(&drive, y[at::x(axis)], y[at::PRESSURE]);
        y[at::AXES] += 0.5 * drive.by.inertia * y[at::v(axis)].powi(2);
        y[at::v(axis)] = 0.0;
        self.motion[axis] = if urge.abs() >= self.hold(&drive) * (1.0 - 1e-9) {
            Motion::Sliding(urge.signum())
        } else {
            Motion::Stuck
        };
    }

    /// Connects an axis, or locks it where it stands: what it had of kinetic energy and of stop compression is heat.
    pub fn connect(&mut self, axis: usize, drive: Option<Drive>, y: &mut [f64]) {
        if let Some(old) = self.drives[axis] {
            y[at::AXES] += 0.5 * old.by.inertia * y[at::v(axis)].powi(2) + self.spring(axis, y);
            y[at::x(axis)] = y[at::x(axis)].clamp(0.0, 1.0);
        }
        y[at::v(axis)] = 0.0;
        self.drives[axis] = drive;
        self.motion[axis] = Motion::Stuck;
        self.settle(axis, y);
    }

    /// Switches the motor's relay. The diode beside the motor takes its current only one way: where it flows back, as into a
    /// supply that has gone, it ends in the contact's arc.
    pub fn switch_relay(&mut self, on: bool, y: &mut [f64]) {
        if on {
            self.turning = true;
            self.freewheel = false;
        } else if self.relay && y[at::CURRENT] > 0.0 {
            self.freewheel = true;
        } else if self.relay {
            y[at::COPPER] += 0.5 * self.params.l_winding_h * y[at::CURRENT].powi(2);
            y[at::CURRENT] = 0.0;
        }
        self.relay = on;
    }

    fn spring(&self, axis: usize, y: &[f64]) -> f64 {
        let Some(drive) = &self.drives[axis] else { return 0.0 };
        let x = y[at::x(axis)];
        let depth = (x - 1.0).max(-x).max(0.0);
        0.5 * drive.by.stop_stiffness * depth * depth
    }

    /// Energy held in winding, rotor, oil, moving axes and stops, J.
    pub fn stored(&self, y: &[f64]) -> f64 {
        let p = &self.params;
        let mut sum = 0.5 * p.l_winding_h * y[at::CURRENT].powi(2) + 0.5 * p.j_motor * y[at::SPEED].powi(2);
        // Compression of the oil: the integral of p dV, by Simpson's rule on a grid that is dense where gas is soft.
        let top = y[at::PRESSURE].max(0.0);
        let n = 400;
        let f = |s: f64| {
            let pressure = top * s * s;
            pressure * p.volume * compressibility(pressure, p.air) * 2.0 * top * s
        };
        let h = 1.0 / f64::from(n);
        let inner: f64 = (1..n).map(|k| f(f64::from(k) * h) * if k % 2 == 1 { 4.0 } else { 2.0 }).sum();
        sum += (f(0.0) + inner + f(1.0)) * h / 3.0;
        for (axis, drive) in self.drives.iter().enumerate() {
            if let Some(drive) = drive {
                sum += 0.5 * drive.by.inertia * y[at::v(axis)].powi(2) + self.spring(axis, y);
            }
        }
        sum
    }

    /// Ripple of pressure, Pa, and current, A, as a logger with an anti-alias filter at 0.4 times its sample rate sees
    /// it. The flow's ripple works against the compliance of the short line up to the sensor; the torque that goes
    /// with it against rotor and winding.
    pub fn ripple(&self, y: &[f64], sample_rate_hz: f64) -> (f64, f64) {
        if !self.turning || y[at::SPEED] < 20.0 {
            return (0.0, 0.0);
        }
        let p = &self.params;
        let beat = f64::from(p.pistons) * y[at::SPEED];
        let compliance = p.ripple_volume * compressibility(y[at::PRESSURE], p.air);
        let flow = p.ripple * p.displacement * y[at::SPEED];
        let height = (flow / (beat * compliance)).min(0.3 * y[at::PRESSURE].max(0.0));
        let filter = beat / (0.4 * sample_rate_hz * std::f64::consts::TAU);
        let seen = height * (f64::from(p.pistons) * y[at::ANGLE]).sin() / (1.0 + filter * filter);
        let speed = p.displacement * seen / (p.j_motor * beat);
        (seen, p.k_motor * speed / self.resistance.hypot(beat * p.l_winding_h))
    }
}
