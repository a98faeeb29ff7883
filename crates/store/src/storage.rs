//! The storage boundary: nothing above it knows what holds the data.

use foldwatch_units::{Direction, Micros};

use crate::StoreError;
#[cfg(feature = "archive")]
use crate::archive::{ArchivedDay, SampleStream, Samples, Seal};
use crate::journal::*;
use crate::records::*;

/// What everybody may ask. All answers are bounded by a limit or by what a person entered.
pub trait Catalogue {
    /// Every car, by id.
    fn cars(&self) -> Result<Vec<Car>, StoreError>;
    /// One car.
    fn car(&self, id: &str) -> Result<Option<Car>, StoreError>;
    /// Every revision of one car, oldest first.
    fn car_history(&self, id: &str) -> Result<Vec<Car>, StoreError>;
    /// The latest text of a profile.
    fn profile(&self, id: &str) -> Result<Option<ProfileText>, StoreError>;
    /// Every text of a profile, oldest first.
    fn profile_history(&self, id: &str) -> Result<Vec<ProfileText>, StoreError>;
    /// Every logger that was ever attached, by id.
    fn loggers(&self) -> Result<Vec<Logger>, StoreError>;

    /// Journal rows after a position, in order of arrival; of one car, or of all.
    fn journal(&self, car: Option<&str>, after: Position, limit: u32) -> Result<Vec<Journalled>, StoreError>;
    /// What is held of one start of a logger.
    fn held(&self, logger: &str, boot: u64) -> Result<Held, StoreError>;
    /// The end of a car's hash chain; `None`: nothing was journalled for it.
    fn chain_head(&self, car: &str) -> Result<Option<ChainHead>, StoreError>;
    /// Walks a car's hash chain over every journal row that is still there.
    fn verify_chain(&self, car: &str) -> Result<ChainReport, StoreError>;
    /// Time exchanges of one start of a logger, in order of the question.
    fn exchanges(&self, logger: &str, boot: u64) -> Result<Vec<TimeExchange>, StoreError>;
    /// The latest clock fit of one start of a logger.
    fn clock_fit(&self, logger: &str, boot: u64) -> Result<Option<ClockFit>, StoreError>;
    /// Where the judging of a car can go on.
    fn checkpoint(&self, car: &str) -> Result<Option<Checkpoint>, StoreError>;

    /// Cycles in a list.
    fn cycles(&self, query: &CycleQuery) -> Result<Vec<CycleSummary>, StoreError>;
    /// One cycle with everything.
    fn cycle(&self, car: &str, start: Micros) -> Result<Option<CycleRecord>, StoreError>;
    /// Findings, newest first.
    fn findings(&self, query: &FindingQuery) -> Result<Vec<FindingRow>, StoreError>;
    /// The runs of one step of a car's profile, oldest first; the newest `limit` of them.
    fn phase_runs(
        &self,
        car: &str,
        direction: Direction,
        index: u32,
        span: Span,
        limit: u32,
    ) -> Result<Vec<PhaseRow>, StoreError>;
    /// One measure over the cycles of a car, oldest first; the newest `limit` of them.
    fn measure_runs(
        &self,
        car: &str,
        name: &str,
        span: Span,
        limit: u32,
    ) -> Result<Vec<MeasureRow>, StoreError>;
    /// The figures of a car's cycles, oldest first, the newest `limit` of them: steps, and the measures of these names.
    /// The judged text and the findings are left empty.
    fn figures(
        &self,
        car: &str,
        measures: &[&str],
        span: Span,
        limit: u32,
    ) -> Result<Vec<CycleRecord>, StoreError>;
    /// What people wrote about a car, oldest first, with the entries' numbers; the newest `limit` of them.
    fn entries(&self, car: &str, span: Span, limit: u32) -> Result<Vec<(u64, Entry)>, StoreError>;

    /// The days of a car that are in the archive.
    #[cfg(feature = "archive")]
    fn archived(&self, car: &str) -> Result<Vec<ArchivedDay>, StoreError>;
    /// The archived samples of a car, in order of time and a batch at a time. Days may differ in their columns.
    #[cfg(feature = "archive")]
    fn samples(&self, car: &str, span: Span) -> Result<SampleStream, StoreError>;
}

/// What the one writer may do. Every call is all or nothing, and when it returns `Ok` it is on disk.
pub trait Storage: Send {
    /// To ask from the writer's own thread: sees everything written.
    fn catalogue(&self) -> &dyn Catalogue;
    /// To ask from another thread: sees everything whose writing has returned.
    fn reader(&self) -> Result<Box<dyn Catalogue + Send>, StoreError>;

    /// Journals frames as one transaction. Frames that are held already, here or in the archive, change nothing;
    /// of two frames of one identity in a batch the first counts. The answer has one element for each start of a
    /// logger in the batch, in order of their names.
    ///
    /// # Errors
    /// On any error nothing of the batch is kept, and nothing may be acknowledged.
    fn append(&mut self, batch: &[Frame]) -> Result<Vec<Durable>, StoreError>;
    /// Notes that a logger no longer has these frames, so that the acknowledgement can go past them. Should one
    /// turn up after all it is still taken.
    fn give_up(
        &mut self,
        logger: &str,
        boot: u64,
        sequences: std::ops::RangeInclusive<u64>,
    ) -> Result<Durable, StoreError>;
    /// Keeps time exchanges; one that is known changes nothing.
    fn add_exchanges(&mut self, exchanges: &[TimeExchange]) -> Result<(), StoreError>;
    /// Keeps a clock fit in place of the one before.
    fn put_clock_fit(&mut self, fit: &ClockFit) -> Result<(), StoreError>;

    /// Enters a car, or a new revision of it; the same name and profile again changes nothing.
    fn put_car(&mut self, car: &Car) -> Result<(), StoreError>;
    /// Enters a profile's text and gives its revision; the latest text again changes nothing.
    fn put_profile(&mut self, profile: &str, text: &str, at: Micros) -> Result<u32, StoreError>;
    /// From now on what this logger sends is this car's; the same car again changes nothing.
    fn attach(&mut self, logger: &str, car: &str, at: Micros) -> Result<(), StoreError>;

    /// Keeps what the pipeline found out. Writing it again changes nothing.
    fn put_judged(&mut self, judged: &Judged) -> Result<(), StoreError>;
    /// Adds an entry and gives its number.
    fn add_entry(&mut self, entry: &Entry) -> Result<u64, StoreError>;

    /// Puts a day of a car into the archive and takes the frames that went into it out of the journal. `rows` come in
    /// order of time. A day may be sealed again when more of it turns up: rows that are there already (same time,
    /// same frame) stay single.
    ///
    /// # Errors
    /// On any error, in `rows` too, archive and journal are as they were.
    #[cfg(feature = "archive")]
    fn seal(
        &mut self,
        seal: &Seal,
        rows: &mut dyn Iterator<Item = Result<Samples, StoreError>>,
    ) -> Result<ArchivedDay, StoreError>;
}
