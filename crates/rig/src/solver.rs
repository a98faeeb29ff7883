//! The plant on its solver.
//!
//! An explicit Runge-Kutta method of order 5 (Tsitouras) with step control, dense output and root finding, from
//! diffsol. The plant is not stiff enough to pay for an implicit one: its fastest part, the winding, has a time
//! constant of about 1.5 ms, so that the explicit method keeps up with steps of a few ms, and what would be stiff
//! (a winding with no current, dry friction at rest) is switched off by events. Measured at more than 1,000 times
//! real time on one core.

use std::cell::RefCell;
use std::rc::Rc;

use diffsol::{
    DiffsolError, NalgebraContext, NalgebraMat, NalgebraVec, OdeBuilder, OdeEquations, OdeSolverMethod,
    OdeSolverStopReason, Op, Vector,
};

use crate::plant::{Plant, at};

type V = NalgebraVec<f64>;

/// The solver could not go on. With the rig's own parameters this does not happen; with parameters that make no
/// physical sense it may.
#[derive(Debug, thiserror::Error)]
#[error("the simulated roof could not be computed beyond {at_s} s of the use: {source}")]
pub struct SolverError {
    at_s: f64,
    source: DiffsolError,
}

/// Why the solver stopped.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Reached {
    /// A step of its own.
    Step,
    /// A watched quantity passed zero.
    Root(usize),
    /// The time asked for.
    Stop,
}

/// A solver under way.
pub trait Stepper {
    /// Makes one step, not beyond `stop`. Returns why it ended and when.
    fn advance(&mut self, stop: f64) -> Result<(Reached, f64), SolverError>;
    /// The state at a moment within the last step.
    fn look(&self, t: f64, y: &mut [f64]) -> Result<(), SolverError>;
    /// Changes the state at moment `t` of the last step, and goes on from there.
    fn change(&mut self, t: f64, by: &mut dyn FnMut(&mut Plant, &mut [f64])) -> Result<(), SolverError>;
    /// The present state.
    fn state(&self) -> &[f64];
}

/// Lets `work` drive a plant from an initial state. The plant is shared, not owned, so that `work` can look at it; it
/// may change it only through [`Stepper::change`].
///
/// # Errors
/// When the solver cannot be set up, or from `work`.
pub fn with_solver<R>(
    plant: Rc<RefCell<Plant>>,
    y0: Vec<f64>,
    work: impl FnOnce(&mut dyn Stepper) -> Result<R, SolverError>,
) -> Result<R, SolverError> {
    let (states, roots, axes) = {
        let plant = plant.borrow();
        (plant.states(), plant.roots(), plant.drives.len())
    };
    let mut tolerance = vec![1e-4; states];
    tolerance[at::CURRENT] = 0.02;
    tolerance[at::SPEED] = 0.1;
    tolerance[at::ANGLE] = 0.2;
    tolerance[at::PRESSURE] = 2e3;
    tolerance[at::CHARGE] = 0.01;
    tolerance[at::SOURCE..=at::AXES].fill(0.05);
    for axis in 0..axes {
        tolerance[at::x(axis)] = 2e-6;
        tolerance[at::v(axis)] = 1e-4;
    }
    let (slope, watch) = (plant.clone(), plant.clone());
    let set_up = |source| SolverError { at_s: 0.0, source };
    let problem = OdeBuilder::<NalgebraMat<f64>>::new()
        .t0(0.0)
        .h0(1e-4)
        .rtol(1e-4)
        .atol(tolerance)
        .rhs(move |y: &[f64], _p: &[f64], _t: f64, dy: &mut [f64]| slope.borrow().slope(y, dy))
        .init(move |_p: &[f64], _t: f64, y: &mut [f64]| y.copy_from_slice(&y0), states)
        .root(move |y: &[f64], _p: &[f64], _t: f64, g: &mut [f64]| watch.borrow().watch(y, g), roots)
        .build()
        .map_err(set_up)?;
    let solver = problem.tsit45().map_err(set_up)?;
    let scratch = RefCell::new(V::zeros(states, NalgebraContext::default()));
    work(&mut Running { solver, plant, scratch, marker: std::marker::PhantomData })
}

struct Running<'p, E, S> {
    solver: S,
    plant: Rc<RefCell<Plant>>,
    scratch: RefCell<V>,
    marker: std::marker::PhantomData<&'p E>,
}

impl<'p, E, S> Running<'p, E, S>
where
    E: OdeEquations + Op<T = f64, V = V> + 'p,
    S: OdeSolverMethod<'p, E>,
{
    fn error(&self, source: DiffsolError) -> SolverError {
        SolverError { at_s: self.solver.state().t, source }
    }
}

impl<'p, E, S> Stepper for Running<'p, E, S>
where
    E: OdeEquations + Op<T = f64, V = V> + 'p,
    S: OdeSolverMethod<'p, E>,
{
    fn advance(&mut self, stop: f64) -> Result<(Reached, f64), SolverError> {
        if stop - self.solver.state().t < 1e-9 {
            return Ok((Reached::Stop, self.solver.state().t));
        }
        self.solver.set_stop_time(stop).map_err(|e| self.error(e))?;
        let reason = self.solver.step().map_err(|e| self.error(e))?;
        let (now, (oil, motor)) = {
            let state = self.solver.state();
            let y = state.y.batch_as_slice(0);
            (state.t, (y[at::OIL], y[at::MOTOR]))
        };
        self.plant.borrow_mut().refresh(oil, motor);
        Ok(match reason {
            OdeSolverStopReason::InternalTimestep => (Reached::Step, now),
            OdeSolverStopReason::RootFound(t, ix) => (Reached::Root(ix), t),
            OdeSolverStopReason::TstopReached => (Reached::Stop, now),
        })
    }

    fn look(&self, t: f64, y: &mut [f64]) -> Result<(), SolverError> {
        let mut scratch = self.scratch.borrow_mut();
        self.solver.interpolate_inplace(t, &mut scratch).map_err(|e| self.error(e))?;
        y.copy_from_slice(scratch.batch_as_slice(0));
        Ok(())
    }

    fn change(&mut self, t: f64, by: &mut dyn FnMut(&mut Plant, &mut [f64])) -> Result<(), SolverError> {
        if (self.solver.state().t - t).abs() > 1e-12 {
            self.solver.state_mut_back(t).map_err(|e| self.error(e))?;
        }
        let state = self.solver.state_mut();
        let mut plant = self.plant.borrow_mut();
        by(&mut plant, state.y.batch_as_mut_slice(0));
        plant.slope(state.y.batch_as_slice(0), state.dy.batch_as_mut_slice(0));
        *state.h = 2e-4;
        Ok(())
    }

    fn state(&self) -> &[f64] {
        self.solver.state().y.batch_as_slice(0)
    }
}
