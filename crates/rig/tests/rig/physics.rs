//! The equations against closed forms and published figures.

use std::cell::RefCell;
use std::rc::Rc;

use foldwatch_profile::{Profile, SignalKind};
use foldwatch_rig::plant::{Drive, Happened, Motion, Plant, at};
use foldwatch_rig::{Layout, MoveParams, Operator, Reached, RigParams, Scenario, with_solver};
use foldwatch_units::{Celsius, Direction, Micros, Seconds};

use crate::{FIVE, all_profiles, mean, most, profile, quick, run};

/// A plant with nothing in it that a test does not put there: stiff oil without gas, no leak, no slip, no friction.
fn bare(volume: f64) -> RigParams {
    let profile: Profile = profile(FIVE);
    let mut p = RigParams::from_profile(&profile, &Layout::from_profile(&profile));
    p.volume = volume;
    p.air = 0.0;
    p.leak = 0.0;
    p.slip = 0.0;
    p.suction_limit = 1.0;
    p.t_dry_nm = 0.0;
    p.t_wet_nms = 0.0;
    p
}

/// An axis without load and friction.
fn free(volume: f64) -> MoveParams {
    MoveParams {
        volume,
        inertia: 1e-3,
        load_pa: [0.0; 3],
        friction_pa: 0.0,
        stiction: 1.0,
        stribeck: 1.0,
        damping: 0.0,
        throttle: 0.0,
        stop_stiffness: 1.0,
        stop_damping: 1.0,
    }
}

fn drive(by: MoveParams, pumped: bool) -> Drive {
    Drive { by, from: 0.0, to: 1.0, pumped, friction: 1.0, bypass: 0.0, arrived: false }
}

/// Runs a plant from a state for a while; the states at the given times.
fn states(plant: Plant, y0: Vec<f64>, times: &[f64]) -> Vec<Vec<f64>> {
    let plant = Rc::new(RefCell::new(plant));
    with_solver(plant.clone(), y0, |solver| {
        let mut out = Vec::new();
        let mut y = solver.state().to_vec();
        for t in times {
            loop {
                match solver.advance(*t)? {
                    (Reached::Stop, now) => {
                        solver.look(now, &mut y)?;
                        out.push(y.clone());
                        break;
                    }
                    (Reached::Root(ix), now) => {
                        let what = plant.borrow().meaning(ix);
                        solver.change(now, &mut |plant, y| plant.happen(what, y))?;
                    }
                    (Reached::Step, _) => {}
                }
            }
        }
        Ok(out)
    })
    .unwrap()
}

fn rest(plant: &Plant) -> Vec<f64> {
    let mut y = vec![0.0; plant.states()];
    y[at::OIL] = plant.params.reference_c;
    y[at::MOTOR] = 20.0;
    y
}

/// A locked motor's current rises to 1 - 1/e of its end within one time constant L/R, and so on.
#[test]
fn current_of_a_locked_motor_is_of_first_order() {
    let mut p = bare(50e-6);
    p.j_motor = 1e9;
    let mut plant = Plant::new(p.clone(), 0, 20.0);
    let mut y0 = rest(&plant);
    plant.switch_relay(true, &mut y0);
    let resistance = p.r_winding_ohm + p.r_battery_ohm + p.r_supply_ohm + p.r_earth_ohm;
    let tau = p.l_winding_h / resistance;
    let seen = states(plant, y0, &[tau, 2.0 * tau, 10.0 * tau]);
    let end = p.emf_v / resistance;
    for (y, left) in seen.iter().zip([0.367879, 0.135335, 4.54e-5]) {
        assert!((1.0 - y[at::CURRENT] / end - left).abs() < 1e-3, "{} of {end} A", y[at::CURRENT]);
    }
}

/// Without load the motor runs up to where its own voltage meets the source, mostly with J R / k2.
#[test]
fn an_idle_motor_runs_up_to_its_own_voltage() {
    let mut p = bare(50e-6);
    p.l_winding_h *= 0.01;
    p.displacement = 1e-12;
    let mut plant = Plant::new(p.clone(), 0, 20.0);
    let mut y0 = rest(&plant);
    plant.switch_relay(true, &mut y0);
    let resistance = p.r_winding_ohm + p.r_battery_ohm + p.r_supply_ohm + p.r_earth_ohm;
    let tau = p.j_motor * resistance / (p.k_motor * p.k_motor);
    let seen = states(plant, y0, &[tau, 20.0 * tau]);
    let end = p.emf_v / p.k_motor;
    assert!((seen[0][at::SPEED] / end - 0.632_120_558_8).abs() < 2e-3, "{}", seen[0][at::SPEED] / end);
    assert!((seen[1][at::SPEED] / end - 1.0).abs() < 1e-3);
}

/// 200 bar fall to 2 bar in 420 s with a time constant of 91.2018 s.
#[test]
fn hold_decays_exponentially_through_a_laminar_leak() {
    let mut p = bare(50e-6);
    let mu = p.oil().dynamic(Celsius(p.reference_c));
    let tau = 91.2018;
    p.leak = p.volume / foldwatch_rig::BULK * mu / tau;
    // The relief valve stays out of it.
    p.relief_pa = 400e5;
    p.tau_oil_s = 1e12;
    p.c_oil_jk = 1e12;
    let plant = Plant::new(p, 0, 20.0);
    let mut y0 = rest(&plant);
    y0[at::PRESSURE] = 200e5;
    let seen = states(plant, y0, &[91.2018, 420.0]);
    assert!((seen[0][at::PRESSURE] / (200e5 * 0.367879) - 1.0).abs() < 1e-3);
    assert!((seen[1][at::PRESSURE] / (200e5 * 0.01) - 1.0).abs() < 5e-3, "{}", seen[1][at::PRESSURE]);
}

/// dp/dt = E q / V: 1.4 GPa, 50 mL, 1 mL/min give 4.66667 bar/s.
#[test]
fn hold_decay_begins_with_modulus_times_leak_over_volume() {
    let mut p = bare(50e-6);
    let mu = p.oil().dynamic(Celsius(p.reference_c));
    let pressure = 100e5;
    p.leak = 1e-6 / 60.0 / pressure * mu;
    let mut plant = Plant::new(p, 0, 20.0);
    plant.refresh(plant.params.reference_c, 20.0);
    let mut y = rest(&plant);
    y[at::PRESSURE] = pressure;
    let mut dy = y.clone();
    plant.slope(&y, &mut dy);
    assert!((dy[at::PRESSURE] / 1e5 + 4.666_67).abs() < 1e-4, "{}", dy[at::PRESSURE]);
}

/// Orifice Q = Cd A sqrt(2 dp / rho): 0.5 mm, Cd 0.6, 100 bar, 870 kg/m3 let 1.0717360 L/min through; 1.0 mm, Cd 0.62,
/// 10 bar, 850 kg/m3 let 1.4172235 L/min. The axis is driven by a load of that pressure through that orifice.
#[test]
fn a_driven_axis_runs_as_fast_as_its_orifice_lets_it() {
    for (d, cd, dp, rho, litres) in
        [(0.5e-3, 0.6, 100e5, 870.0, 1.071_736_0), (1e-3, 0.62, 10e5, 850.0, 1.417_223_5)]
    {
        let area = std::f64::consts::PI * d * d / 4.0;
        let volume: f64 = 100e-6;
        let mut by = free(volume);
        by.load_pa = [dp; 3];
        // Heavy enough to take some milliseconds to its speed: the solver is an explicit one.
        by.inertia = 100.0;
        // Pressure lost in the orifice at speed v: rho/2 (volume v / (cd area))^2; times the volume it is the force.
        by.throttle = volume * rho / 2.0 * (volume / (cd * area)).powi(2);
        let mut plant = Plant::new(bare(50e-6), 1, 20.0);
        let mut y = rest(&plant);
        plant.connect(0, Some(drive(by, false)), &mut y);
        assert_eq!(plant.motion[0], Motion::Sliding(1.0));
        let seen = states(plant, y, &[1.0, 2.0]);
        let flow = (seen[1][at::x(0)] - seen[0][at::x(0)]) * volume * 60_000.0;
        assert!((flow / litres - 1.0).abs() < 1e-3, "{flow} L/min instead of {litres}");
    }
}

/// A pump of exactly 0.3 L/min moves a piston of 16 mm at 24.86796 mm/s: 32 mm in 1.286797 s.
/// At 200 bar it then gives 0.100 kW (P[kW] = p[bar] Q[L/min] / 600) to the relief valve.
#[test]
fn cylinder_speed_and_hydraulic_power() {
    let mut p = bare(5e-6);
    let flow = 0.3 / 60_000.0;
    let speed = 300.0;
    p.displacement = flow / speed;
    p.j_motor = 1e6;
    p.relief_pa = 200e5;
    p.crack = 0.95;
    p.relief_g = flow / (0.05 * 200e5);
    let stroke = 0.032;
    let area = std::f64::consts::PI * 0.016f64.powi(2) / 4.0;
    let mut by = free(area * stroke);
    by.inertia = 5e-3;
    by.load_pa = [20e5; 3];
    by.friction_pa = 0.5e5;
    by.damping = by.volume * 1e5;
    by.stop_stiffness = 2e4;
    by.stop_damping = 10.0;
    let mut plant = Plant::new(p, 1, 20.0);
    let mut y0 = rest(&plant);
    y0[at::SPEED] = speed;
    y0[at::PRESSURE] = 21e5;
    plant.switch_relay(true, &mut y0);
    plant.connect(0, Some(drive(by, true)), &mut y0);
    let seen = states(plant, y0, &[0.5, 1.0, 1.28, 3.0, 4.0]);
    let v = (seen[1][at::x(0)] - seen[0][at::x(0)]) * stroke / 0.5 * 1e3;
    assert!((v / 24.867_96 - 1.0).abs() < 2e-3, "{v} mm/s");
    assert!(seen[2][at::x(0)] < 1.0 && seen[3][at::x(0)] >= 1.0);
    let watts = seen[4][at::HYDRAULIC] - seen[3][at::HYDRAULIC];
    assert!((watts / 100.0 - 1.0).abs() < 2e-3, "{watts} W");
    // On the rod side (rod 8 mm) the same flow moves it by a third faster: 33.15728 mm/s.
    assert!((24.867_96 * 256.0 / (256.0 - 64.0) - 33.157_28f64).abs() < 1e-4);
}

/// A stiff oil column: 1 mL pressed into 420 mL makes 33.3333 bar at 1.4 GPa.
#[test]
fn pressing_oil_into_a_volume_raises_its_pressure() {
    let mut p = bare(420e-6);
    p.displacement = 1e-6 / 300.0;
    p.j_motor = 1e6;
    let mut plant = Plant::new(p, 0, 20.0);
    let mut y0 = rest(&plant);
    plant.switch_relay(true, &mut y0);
    y0[at::SPEED] = 300.0;
    let seen = states(plant, y0, &[1.0]);
    assert!((seen[0][at::PRESSURE] / 1e5 - 33.3333).abs() < 0.05, "{}", seen[0][at::PRESSURE]);
}

#[test]
fn what_a_root_means_is_told_back() {
    let plant = Plant::new(bare(50e-6), 2, 20.0);
    let told: Vec<Happened> = (0..plant.roots()).map(|r| plant.meaning(r)).collect();
    assert_eq!(told.len(), 7);
    assert_eq!(told[3], Happened::Arrived(0));
    assert_eq!(told[6], Happened::Motion(1));
}

/// Electrical in = work + heat, to 1 %, over whole cycles of every roof, with a stop and a turn among them.
#[test]
fn energy_is_accounted_for() {
    for profile in all_profiles() {
        let mut scenario = Scenario::cycles(&profile, 3, 2);
        scenario.sample_rate_hz = 10.0;
        scenario.uses[0].operator = Operator::Resume(Seconds(4.0), Seconds(2.0));
        scenario.uses[1].operator = Operator::Reverse(Seconds(6.0));
        let e = quick(scenario).energy;
        assert!(e.source.0 > 5_000.0, "{e:?}");
        assert!(e.resistance.0 > 0.0 && e.friction.0 > 0.0 && e.hydraulic.0 > 0.0 && e.axes.0 > 0.0);
        assert!(e.load.0 > 0.05 * e.source.0, "{e:?}");
        assert!(e.missing().0.abs() < 0.01 * e.source.0, "{}: {e:?} {}", profile.id, e.missing());
    }
}

/// Sanity of the whole roof by facts of the trade; common practice, no source: supply pressure up to 200 bar, delivery
/// about 0.3 L/min, full relaxation within 7 minutes of the pump stopping, a feed fuse of 40 A that holds.
#[test]
fn the_roof_keeps_to_common_practice() {
    let profile = profile(FIVE);
    let mut scenario = Scenario::cycles(&profile, 5, 1);
    scenario.sample_rate_hz = 200.0;
    let run = run(&scenario);
    let cycle = &run.cycles[0];
    assert!(cycle.highest_pressure_bar > 50.0 && cycle.highest_pressure_bar < 200.0);
    let settled = cycle.start_us + Seconds(2.0);
    let amps = mean(&run.within(SignalKind::Current, settled, cycle.end_us));
    assert!((amps - 18.0).abs() < 3.0, "{amps} A instead of the profile's 18");
    let inrush = most(&run.within(SignalKind::Current, cycle.start_us, settled));
    assert!(inrush > 40.0 && inrush < 75.0, "inrush {inrush} A instead of the profile's 65");
    let volts = mean(&run.within(SignalKind::Voltage, settled, cycle.end_us));
    assert!((volts - 12.6).abs() < 0.2, "{volts} V instead of the reference supply");
    let late = cycle.end_us + Seconds(420.0);
    let left = mean(&run.within(SignalKind::Pressure, late, late + Seconds(20.0)));
    assert!(left < 1.0, "{left} bar left after 7 minutes");
    let early =
        mean(&run.within(SignalKind::Pressure, cycle.end_us + Seconds(1.0), cycle.end_us + Seconds(5.0)));
    assert!(early > 30.0, "the hold begins with {early} bar");
    let params = &scenario.params;
    let litres = params.displacement * 300.0 * 0.96 * 60_000.0;
    assert!((litres - 0.3).abs() < 0.01);
}

/// Where the sample rate carries it, pressure ripples with pistons times revolutions.
#[test]
fn ripple_stands_at_pistons_times_revolutions() {
    let profile = profile(FIVE);
    let mut scenario = Scenario::cycles(&profile, 5, 1);
    scenario.sample_rate_hz = 500.0;
    scenario.noise = 0.2;
    let run = quick(scenario);
    let fold = &run.cycles[0].phases[2];
    let from = fold.start_us + Seconds(3.0);
    let bar = run.within(SignalKind::Pressure, from, from + Seconds(1.0));
    // Plain Fourier sums at each frequency that the rate carries; the load's slow changes are left out.
    let level = mean(&bar);
    let power = |hz: usize| {
        let (mut re, mut im) = (0.0, 0.0);
        for (n, p) in bar.iter().enumerate() {
            let angle = std::f64::consts::TAU * hz as f64 * n as f64 / 500.0;
            re += (p - level) * angle.cos();
            im += (p - level) * angle.sin();
        }
        re * re + im * im
    };
    let peak = (40..245).max_by(|a, b| power(*a).total_cmp(&power(*b))).unwrap();
    // 3 pistons, about 300 rad/s.
    let expected = 3.0 * 300.0 / std::f64::consts::TAU;
    assert!((peak as f64 / expected - 1.0).abs() < 0.1, "{peak} Hz instead of about {expected:.0}");
}

#[test]
fn weather_is_warmest_in_the_afternoon_of_high_summer() {
    let weather = foldwatch_rig::Weather { mean_c: 10.0, season_k: 9.0, day_k: 6.0 };
    // 2025-07-29T15:00Z and 2025-01-27T03:00Z.
    let (hot, cold) = (Micros(1_753_801_200_000_000), Micros(1_737_946_800_000_000));
    assert!((weather.at(hot) - 25.0).abs() < 0.5, "{}", weather.at(hot));
    assert!((weather.at(cold) + 5.0).abs() < 0.5, "{}", weather.at(cold));
    assert_eq!(Direction::Opening.reversed(), Direction::Closing);
}
