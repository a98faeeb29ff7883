//! What the rig needs to know beyond the profile, worked out from the profile by stated rules.

use foldwatch_profile::Profile;
use foldwatch_units::{Direction, SquareMillimetresPerSecond};

use crate::layout::{Layout, side};
use crate::oil::{Oil, compressibility};

/// The rig's own parameters, all in SI units (angles in rad, temperatures in °C). [`RigParams::from_profile`] fills
/// them; change any afterwards to build another roof. Where the profile is silent the default is an invented,
/// plausible figure.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct RigParams {
    /// Source voltage of the battery with no load, V.
    pub emf_v: f64,
    /// Inner resistance of the battery at 20 °C, ohm.
    pub r_battery_ohm: f64,
    /// Cable and contacts from the battery to the tap where the supply is measured, ohm.
    pub r_supply_ohm: f64,
    /// From the motor back to the battery, ohm.
    pub r_earth_ohm: f64,
    /// Charge of the battery, As.
    pub battery_as: f64,
    /// Winding resistance at 20 °C, ohm.
    pub r_winding_ohm: f64,
    /// Winding inductance, H.
    pub l_winding_h: f64,
    /// Motor constant: V s and N m/A alike.
    pub k_motor: f64,
    /// Inertia of motor and pump, kg m2.
    pub j_motor: f64,
    /// Friction of motor and pump that does not hang on speed, N m.
    pub t_dry_nm: f64,
    /// Friction that grows with speed, N m s at reference viscosity.
    pub t_wet_nms: f64,
    /// Heat capacity of the motor, J/K.
    pub c_motor_jk: f64,
    /// Time constant of its cooling, s.
    pub tau_motor_s: f64,
    /// Pump displacement, m3/rad.
    pub displacement: f64,
    /// Ripples a revolution.
    pub pistons: u32,
    /// Flow lost in the pump: slip * pressure / dynamic viscosity, m3.
    pub slip: f64,
    /// Height of the flow ripple as a part of the flow.
    pub ripple: f64,
    /// Oil between the pump and the pressure sensor, m3: what the ripple has to compress.
    pub ripple_volume: f64,
    /// Setting of the relief valve at the pump's full flow, Pa.
    pub relief_pa: f64,
    /// Opening pressure of the relief valve as a part of the setting.
    pub crack: f64,
    /// Flow through the relief valve over its opening pressure, m3/(s Pa).
    pub relief_g: f64,
    /// Volume under pressure, m3.
    pub volume: f64,
    /// Free gas in the oil, part of the volume at atmospheric pressure.
    pub air: f64,
    /// Leakage of seats and seals out of the pressure side: conductance * pressure / viscosity, m3.
    pub leak: f64,
    /// Heat capacity of oil and metal, J/K.
    pub c_oil_jk: f64,
    /// Time constant of its cooling, s.
    pub tau_oil_s: f64,
    /// Oil in the system, m3.
    pub fill: f64,
    /// Temperature and supply voltage that the profile's times hold for, °C and V.
    pub reference_c: f64,
    /// See there.
    pub reference_v: f64,
    /// For opening and closing, for each step, for each of its moves.
    pub moves: [Vec<Vec<MoveParams>>; 2],
    /// Lag of a valve between command and switched spool, s.
    pub valve_lag_s: f64,
    /// Kinematic viscosities at 40 and 100 °C, mm2/s.
    pub viscosity: (f64, f64),
    /// The most that the strainer lets through at reference viscosity, m3/s.
    pub suction_limit: f64,
    /// Part of what the pump takes in that is air.
    pub suction_air: f64,
    /// Conductance of a release that was left open, at reference viscosity, m3/(s Pa).
    pub release_g: f64,
}

/// One move of one axis. Positions run from 0 to 1, so forces are energies: volume * pressure.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct MoveParams {
    /// Oil for the whole axis from 0 to 1 in this direction, m3.
    pub volume: f64,
    /// Inertia, J s2.
    pub inertia: f64,
    /// Pressure that the load asks for at the start, middle and end of the move, Pa. For a step without pump: the
    /// pressure with which gravity or a spring drives.
    pub load_pa: [f64; 3],
    /// Sliding friction, as a pressure, Pa.
    pub friction_pa: f64,
    /// Static friction over sliding friction.
    pub stiction: f64,
    /// Speed within which static turns into sliding friction (Stribeck), 1/s.
    pub stribeck: f64,
    /// Damping by oil in lines, J s at reference viscosity.
    pub damping: f64,
    /// For a step without pump: damping by its throttle, J s2.
    pub throttle: f64,
    /// Stiffness of the end stop, J.
    pub stop_stiffness: f64,
    /// Damping of the end stop, J s.
    pub stop_damping: f64,
}

impl RigParams {
    /// Rules, in short: the winding from the inrush, the motor constant from running current and supply, the
    /// displacement from the delivery; load pressures as stated, or around 45 % of the relief setting, as far as the motor's
    /// power at running current allows; volumes so that a step takes the time the profile expects.
    pub fn from_profile(profile: &Profile, layout: &Layout) -> RigParams {
        let e = &profile.electrics;
        let h = &profile.hydraulics;
        let reference_v = profile.reference.supply.0.clamp(6.0, 60.0);
        let reference_c = profile.reference.oil_temperature.0.clamp(-20.0, 60.0);
        let running = e.running.map_or(20.0, |a| a.0).clamp(2.0, 200.0);
        let inrush = e.inrush.map_or(4.0 * running, |a| a.0).clamp(2.0 * running, 12.0 * running);
        // Source and cables together lose 0.6 V at the running current.
        let (r_battery_ohm, r_supply_ohm, r_earth_ohm) = (0.3 / running, 0.2 / running, 0.1 / running);
        let emf_v = reference_v + running * (r_battery_ohm + r_supply_ohm);
        // The first peak of the current is a little less than the source over all resistance: the motor is turning by
        // then.
        let r_winding_ohm = (0.87 * emf_v / inrush - r_battery_ohm - r_supply_ohm - r_earth_ohm)
            .clamp(0.05 * reference_v / running, 0.45 * reference_v / running);
        let speed = 300.0; // rad/s, 2865 rpm at running current
        let k_motor = (reference_v - running * (r_winding_ohm + r_earth_ohm)) / speed;
        let delivery = h.pump_delivery.map_or(0.5, |q| q.0).clamp(0.02, 50.0) / 60_000.0;
        let relief_pa = h.relief.map_or(160.0, |p| p.0).clamp(10.0, 500.0) * 1e5;
        let displacement = delivery / speed / 0.96;
        let torque = k_motor * running;
        let typical_pa = (0.45 * relief_pa).min(0.7 * torque / displacement);
        let t_loss = torque - displacement * typical_pa;
        let (v40, v100) = (h.viscosity_40.map_or(14.0, |v| v.0), h.viscosity_100.map_or(4.5, |v| v.0));
        let oil = Oil::new(SquareMillimetresPerSecond(v40), SquareMillimetresPerSecond(v100));
        let mu = oil.dynamic(foldwatch_units::Celsius(reference_c));
        let fill = h.fill.map_or(420.0, |v| v.0).clamp(20.0, 20_000.0) * 1e-6;
        let volume = 0.2 * fill;
        let air = 0.001;
        let stiff = volume * compressibility(typical_pa, air);
        let mut params = RigParams {
            emf_v,
            r_battery_ohm,
            r_supply_ohm,
            r_earth_ohm,
            battery_as: 60.0 * 3600.0,
            r_winding_ohm,
            l_winding_h: 0.0015 * r_winding_ohm,
            k_motor,
            j_motor: 0.03 * k_motor * k_motor / r_winding_ohm,
            t_dry_nm: 0.7 * t_loss,
            t_wet_nms: 0.3 * t_loss / speed,
            c_motor_jk: 250.0,
            tau_motor_s: 600.0,
            displacement,
            pistons: h.pump_pistons.unwrap_or(3).clamp(1, 32),
            slip: 0.04 * displacement * speed / typical_pa * mu,
            ripple: 0.08,
            ripple_volume: 0.05 * volume,
            relief_pa,
            crack: 0.95,
            relief_g: delivery / (0.05 * relief_pa),
            volume,
            air,
            // As stated, or 50 s from full to a third of the pressure; what gas there is slows the end of it. So nothing is
            // left after 7 minutes (common practice, no source).
            leak: stiff / h.hold.map_or(50.0, |s| s.0) * mu,
            c_oil_jk: 1.65e6 * fill + 600.0,
            tau_oil_s: 2400.0,
            fill,
            reference_c,
            reference_v,
            moves: [Vec::new(), Vec::new()],
            valve_lag_s: 0.022,
            viscosity: (v40, v100),
            suction_limit: 12.0 * delivery,
            suction_air: 0.0,
            release_g: 0.0,
        };
        for direction in [Direction::Opening, Direction::Closing] {
            params.moves[side(direction)] = profile
                .sequence(direction)
                .iter()
                .enumerate()
                .map(|(k, phase)| {
                    let moves = layout.of(direction, k);
                    // Cylinders that move together share the step's time by their volumes, or alike where the profile
                    // does not give them.
                    let volumes: Vec<f64> = moves
                        .iter()
                        .map(|m| {
                            let named = phase.cylinders.iter().find(|(c, _)| {
                                h.cylinders.get(*c).is_some_and(|c| c.id == layout.axes[m.axis].name)
                            });
                            named.and_then(|(c, extends)| Some((h.cylinders.get(*c)?, *extends))).map_or(
                                1.0,
                                |(c, extends)| {
                                    let rod = if extends { 0.0 } else { c.rod.0 };
                                    (c.bore.0.powi(2) - rod.powi(2)) * c.stroke.0 * f64::from(c.count)
                                },
                            )
                        })
                        .collect();
                    let all: f64 = volumes.iter().sum();
                    moves
                        .iter()
                        .zip(&volumes)
                        .map(|(m, part)| {
                            let time = phase.expected.0.max(0.2) * part / all;
                            let span = (m.to - m.from).abs().max(0.01);
                            let swept = delivery * (0.9 * time).max(time - 0.1) / span;
                            // Loads differ from step to step, in a fixed order of our own.
                            let share = [1.0, 0.82, 1.12, 0.92, 1.06][(k + m.axis) % 5];
                            let stated = phase.pressure.map(|p| (p.0 * 1e5).min(0.9 * relief_pa));
                            let load = match stated {
                                _ if !phase.pump => 15e5,
                                // Less what friction and damping take, below.
                                Some(pa) => ((pa - 0.1 * typical_pa) / 1.2).max(0.1 * typical_pa),
                                None => 0.8 * typical_pa * share,
                            };
                            let lean = if (k + m.axis) % 2 == 0 { 0.3 } else { -0.25 };
                            let omega = (120.0 / time).clamp(25.0, 150.0);
                            let inertia = if phase.pump {
                                swept * swept / (stiff * omega * omega)
                            } else {
                                // Gravity would bring it to speed in a tenth of its time.
                                swept * load * (0.1 * time).powi(2)
                            };
                            let speed = span / time;
                            let give = 0.006;
                            let stop_stiffness = swept * relief_pa / give;
                            MoveParams {
                                volume: swept,
                                inertia,
                                load_pa: if phase.pump {
                                    [load * (1.0 + lean), load, load * (1.0 - lean)]
                                } else {
                                    [load; 3]
                                },
                                friction_pa: if phase.pump { 0.2 * load } else { 0.15 * load },
                                stiction: 1.3,
                                stribeck: 0.15 * speed,
                                damping: if phase.pump { 0.1 * swept * typical_pa / speed } else { 0.0 },
                                throttle: if phase.pump {
                                    0.0
                                } else {
                                    swept * 0.85 * load / (speed * speed)
                                },
                                stop_stiffness,
                                stop_damping: (stop_stiffness * inertia).sqrt(),
                            }
                        })
                        .collect()
                })
                .collect();
        }
        params
    }

    /// The oil.
    pub fn oil(&self) -> Oil {
        Oil::new(SquareMillimetresPerSecond(self.viscosity.0), SquareMillimetresPerSecond(self.viscosity.1))
    }
}
