//! Lines of columns at a port, as frames of a stand-in logger: from there on they go the way of all others.
//!
//! Such a logger keeps nothing and can't be asked again: what comes while nobody listens is lost, and its line carries
//! no check. Its stand-in's number comes of the car, a start is counted whenever the daemon or the logger began anew.

use std::sync::Arc;
use std::time::{Duration, Instant};

use foldwatch_collect::Arrived;
use foldwatch_columns::{ColumnMap, ColumnsError, Reader};
use foldwatch_profile::Profile;
use foldwatch_samples::Transcriber;
use foldwatch_units::Micros;
use foldwatch_wire::Encoding;

/// Whose lines come at a port, and how they are read.
#[derive(Debug, Clone)]
pub struct LinesSettings {
    /// The port's name or pattern in the settings.
    pub port: String,
    /// The car's id.
    pub car: String,
    /// What the columns are.
    pub map: ColumnMap,
}

/// So often is told what could not be read.
const TELL_EVERY: Duration = Duration::from_secs(60);

/// What is being read at one port.
pub struct Lines {
    map: ColumnMap,
    profile: Arc<Profile>,
    reader: Reader,
    transcriber: Transcriber,
    told: (Instant, u64),
}

/// The number of a car's stand-in logger: a checksum of its id, so that it is the same after every start.
pub fn stand_in(car: &str) -> u32 {
    foldwatch_wire::CRC_32.checksum(format!("columns of {car}").as_bytes())
}

impl Lines {
    /// The start `boot` of a car's lines.
    pub fn new(map: ColumnMap, profile: &Arc<Profile>, logger: u32, boot: u32) -> Self {
        Lines {
            reader: Reader::new(map.clone(), profile),
            map,
            profile: Arc::clone(profile),
            transcriber: Transcriber::new(logger, boot),
            told: (Instant::now(), 0),
        }
    }

    /// Takes bytes as they came, and gives the frames that they make.
    ///
    /// # Errors
    /// Where no header or row fits the map and the profile. With the next bytes it begins anew.
    pub fn take(&mut self, bytes: &[u8], received: Micros) -> Result<Vec<Arrived>, ColumnsError> {
        // One line at a time until it is known what they carry.
        for piece in bytes.split_inclusive(|byte| *byte == b'\n') {
            if let Err(error) = self.reader.push(piece, &mut self.transcriber) {
                self.reader = Reader::new(self.map.clone(), &self.profile);
                return Err(error);
            }
            if !self.transcriber.has_begun()
                && let Some(report) = self.reader.so_far()
            {
                let carried = |ix| !report.unmapped_signals.contains(&ix);
                self.transcriber.begin(&self.profile, "lines", carried, report.dated);
                report.assumed.iter().for_each(|sentence| tracing::info!("lines of columns: {sentence}"));
            }
        }
        self.transcriber.heard(received);
        Ok(self
            .transcriber
            .take_ready()
            .into_iter()
            .filter_map(|(id, frame)| {
                let raw = frame
                    .encode(id, Encoding::Packed)
                    .inspect_err(|error| tracing::error!("lines of columns can't be kept: {error}"))
                    .ok()?;
                Some(Arrived { id, frame, raw })
            })
            .collect())
    }

    /// What could not be read since this was last asked, at most once a minute.
    pub fn losses(&mut self) -> Vec<String> {
        if self.told.0.elapsed() < TELL_EVERY {
            return Vec::new();
        }
        self.told.0 = Instant::now();
        let Some(report) = self.reader.so_far() else { return Vec::new() };
        let lost = report.skipped.iter().filter(|skip| skip.kind.is_loss());
        let count = lost.clone().map(|skip| skip.count).sum();
        let more = count > self.told.1;
        self.told.1 = count;
        if more { lost.map(ToString::to_string).collect() } else { Vec::new() }
    }
}
