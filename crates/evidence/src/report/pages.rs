//! Typesetting: a template and its data to PDF, with fonts that are built in.

use foldwatch_report::rfc3339;
use foldwatch_units::Micros;
use typst::diag::{FileError, FileResult, SourceDiagnostic};
use typst::foundations::{Bytes, Datetime, Duration, Smart};
use typst::syntax::{FileId, RootedPath, Source, VirtualPath, VirtualRoot};
use typst::text::{Font, FontBook};
use typst::utils::LazyHash;
use typst::{Library, LibraryExt, World};
use typst_layout::PagedDocument;
use typst_pdf::{PdfOptions, PdfStandard, PdfStandards, Timestamp};

use crate::EvidenceError;

const TEMPLATE: &str = include_str!("report.typ");

/// All that the template can reach: itself, its data, the fonts. No disk, no network, no clock.
struct Desk {
    library: LazyHash<Library>,
    book: LazyHash<FontBook>,
    fonts: Vec<Font>,
    main: Source,
    files: Vec<(FileId, Bytes)>,
    today: Option<Datetime>,
}

impl World for Desk {
    fn library(&self) -> &LazyHash<Library> {
        &self.library
    }

    fn book(&self) -> &LazyHash<FontBook> {
        &self.book
    }

    fn main(&self) -> FileId {
        self.main.id()
    }

    fn source(&self, id: FileId) -> FileResult<Source> {
        if id == self.main.id() { Ok(self.main.clone()) } else { Err(not_there(id)) }
    }

    fn file(&self, id: FileId) -> FileResult<Bytes> {
        self.files
            .iter()
            .find(|(own, _)| *own == id)
            .map(|(_, bytes)| bytes.clone())
            .ok_or_else(|| not_there(id))
    }

    fn font(&self, index: usize) -> Option<Font> {
        self.fonts.get(index).cloned()
    }

    fn today(&self, _: Option<Duration>) -> Option<Datetime> {
        self.today
    }
}

fn not_there(id: FileId) -> FileError {
    FileError::NotFound(id.get().vpath().get_without_slash().into())
}

fn place(name: &str) -> Result<FileId, EvidenceError> {
    let path = VirtualPath::new(name).map_err(|error| EvidenceError::Report(format!("{error:?}")))?;
    Ok(FileId::new(RootedPath::new(VirtualRoot::Project, path)))
}

/// A moment as the typesetter has it, to the second.
fn date(at: Micros) -> Option<Datetime> {
    let text = rfc3339(at);
    let part = |from: usize, to: usize| text.get(from..to).and_then(|digits| digits.parse::<u8>().ok());
    let year = text.get(..4)?.parse().ok()?;
    Datetime::from_ymd_hms(year, part(5, 7)?, part(8, 10)?, part(11, 13)?, part(14, 16)?, part(17, 19)?)
}

/// The template with its files, as an archivable (PDF/A-2a) and tagged document that is dated `at`.
pub(super) fn typeset(files: Vec<(String, Vec<u8>)>, at: Micros) -> Result<Vec<u8>, EvidenceError> {
    let fonts: Vec<Font> = typst_assets::fonts().flat_map(|data| Font::iter(Bytes::new(data))).collect();
    let files: Result<Vec<_>, _> =
        files.into_iter().map(|(name, bytes)| place(&name).map(|id| (id, Bytes::new(bytes)))).collect();
    let desk = Desk {
        library: LazyHash::new(Library::default()),
        book: LazyHash::new(FontBook::from_fonts(&fonts)),
        fonts,
        main: Source::new(place("report.typ")?, TEMPLATE.to_owned()),
        files: files?,
        today: date(at),
    };
    let document: PagedDocument = typst::compile(&desk).output.map_err(|errors| told(&errors))?;
    let standards = PdfStandards::new(&[PdfStandard::A_2a])
        .map_err(|error| EvidenceError::Report(error.message().to_string()))?;
    let options = PdfOptions {
        // The same contents have the same identity: nothing of the machine goes in.
        ident: Smart::Custom("foldwatch evidence report".to_owned()),
        creator: Smart::Custom(Some(format!("foldwatch {}", env!("CARGO_PKG_VERSION")))),
        timestamp: date(at).map(Timestamp::new_utc),
        standards,
        ..PdfOptions::default()
    };
    let pdf = typst_pdf::pdf(&document, &options).map_err(|errors| told(&errors));
    // What the typesetter remembers for the next time would only grow.
    comemo::evict(0);
    pdf
}

fn told(errors: &[SourceDiagnostic]) -> EvidenceError {
    let list: Vec<String> = errors.iter().map(|e| e.message.to_string()).collect();
    EvidenceError::Report(list.join("; "))
}
