//! What the engine is fed with.

use foldwatch_profile::SignalIx;
use foldwatch_units::Micros;

/// One thing that a log says, in signals of the profile. Items come in order of time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Item<'a> {
    /// All signals at one moment: `values[ix]` belongs to the profile's signal `ix`, in its working unit; a binary
    /// signal is 1.0 when on (made, energised, given: polarity is already taken out) and 0.0 when off. NaN: this row
    /// says nothing about the signal, its last value stands.
    Row {
        /// When.
        at: Micros,
        /// One a signal of the profile.
        values: &'a [f32],
    },
    /// The row before once more, with another time: nothing changed.
    Same {
        /// When.
        at: Micros,
    },
    /// One binary signal changed.
    Edge {
        /// When.
        at: Micros,
        /// Which signal.
        signal: SignalIx,
        /// Its state from now on.
        on: bool,
    },
    /// The operator pressed the logger's button.
    Mark {
        /// When.
        at: Micros,
    },
    /// Nothing is known between the last item and `until`.
    Gap {
        /// First moment known again.
        until: Micros,
        /// Why.
        cause: GapCause,
    },
}

/// Why a stretch of the recording is missing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize)]
pub enum GapCause {
    /// Frames are missing by their sequence numbers.
    Missing,
    /// The logger said that it dropped samples.
    Dropped,
    /// The logger started anew: its supply had gone.
    Restart,
    /// Bytes were damaged.
    Damaged,
}

/// What items are fed to: the engine, a writer, a test.
///
/// ```
/// use foldwatch_samples::{Item, Sink};
/// use foldwatch_units::Micros;
/// let mut seen = 0;
/// let mut count = |_: Item<'_>| seen += 1;
/// count.item(Item::Mark { at: Micros(0) });
/// count.same(&[Micros(1), Micros(2)]);
/// assert_eq!(seen, 3);
/// ```
pub trait Sink {
    /// Takes the next item.
    fn item(&mut self, item: Item<'_>);

    /// Takes a run of [`Item::Same`]. Most of a log is the roof at rest: a sink that can step over a run at once
    /// does so here, with the same result as one by one.
    fn same(&mut self, times: &[Micros]) {
        for at in times {
            self.item(Item::Same { at: *at });
        }
    }
}

/// A sink that is known only by reference, for whoever takes one by its type. (References themselves can't be sinks:
/// those to closures are closures.)
pub struct Through<'a>(pub &'a mut dyn Sink);

impl Sink for Through<'_> {
    fn item(&mut self, item: Item<'_>) {
        self.0.item(item);
    }

    fn same(&mut self, times: &[Micros]) {
        self.0.same(times);
    }
}

impl<F: FnMut(Item<'_>)> Sink for F {
    fn item(&mut self, item: Item<'_>) {
        self(item);
    }
}
