//! Counts in a file are looked at before they are believed: the library reserves memory by them, and a damaged one
//! would end the process, which no error handling could prevent.

use std::fs::File;
use std::io::{BufReader, Seek, SeekFrom};
use std::ops::Range;
use std::path::Path;

use polars::io::parquet::read::FileMetadata;
use polars_parquet::read::{ColumnChunkMetadata, RowGroupMetadata};
use polars_parquet_format::PageHeader;
use polars_parquet_format::thrift::protocol::TCompactInputProtocol;

use super::broken;
use crate::StoreError;

/// Rows of a row group beyond which a file is taken to be damaged.
const MOST_ROWS: usize = 1 << 27;
/// Bytes of an unpacked page, likewise.
const MOST_BYTES: i32 = 1 << 28;
/// Bytes of a page's header, likewise.
const MOST_HEADER: usize = 1 << 20;

/// Refuses counts that can't be: a damaged one must not make the library reserve all memory there is.
pub(super) fn counts(path: &Path, metadata: &FileMetadata, file_bytes: u64) -> Result<(), StoreError> {
    let mut rows = 0usize;
    for group in &metadata.row_groups {
        rows = rows.saturating_add(group.num_rows());
        if group.num_rows() > MOST_ROWS {
            let what = "a row group of more than 2^27 rows; write the file with smaller ones";
            return Err(broken(path, what));
        }
        for chunk in group.parquet_columns() {
            let flat = chunk.descriptor().descriptor.max_rep_level == 0;
            if flat && usize::try_from(chunk.num_values()) != Ok(group.num_rows()) {
                return Err(broken(path, "a column's count is not that of the rows"));
            }
            if range(chunk).is_none_or(|range| range.end > file_bytes) {
                return Err(broken(path, "a column ends beyond the file"));
            }
        }
    }
    match rows == metadata.num_rows {
        true => Ok(()),
        false => Err(broken(path, "the row groups do not make up the rows")),
    }
}

/// Where a column's pages lie; `None` where they can't lie. By hand: the library's own sum trusts its parts.
fn range(chunk: &ColumnChunkMetadata) -> Option<Range<u64>> {
    let first = chunk.dictionary_page_offset().unwrap_or(i64::MAX).min(chunk.data_page_offset());
    let start = u64::try_from(first).ok()?;
    Some(start..start.checked_add(u64::try_from(chunk.compressed_size()).ok()?)?)
}

/// Refuses pages whose headers can't be. Only headers are read.
pub(super) fn pages<'a>(
    path: &Path,
    file: &File,
    group: &RowGroupMetadata,
    names: impl Iterator<Item = &'a str>,
) -> Result<(), StoreError> {
    let io = |error| StoreError::io(path, "read the Parquet file")(error);
    let mut file = BufReader::new(file.try_clone().map_err(io)?);
    for name in names {
        let unfit = || broken(path, format_args!("the pages of column `{name}` do not fit its rows"));
        for chunk in group.columns_under_root_iter(name).into_iter().flatten() {
            let range = range(chunk).ok_or_else(unfit)?;
            file.seek(SeekFrom::Start(range.start)).map_err(io)?;
            let mut values = 0i64;
            while values < chunk.num_values() {
                let mut protocol = TCompactInputProtocol::new(&mut file, MOST_HEADER);
                let header = PageHeader::read_from_in_protocol(&mut protocol).map_err(|_| unfit())?;
                let (in_page, is_data) = values_of(&header);
                let sizes = [header.uncompressed_page_size, header.compressed_page_size];
                let sizes_fit = sizes.iter().all(|size| (0..=MOST_BYTES).contains(size));
                // Every entry of a dictionary takes a byte at least.
                let most = if is_data { chunk.num_values() - values } else { sizes[0].into() };
                if !sizes_fit || !(0..=most).contains(&i64::from(in_page)) {
                    return Err(unfit());
                }
                if is_data {
                    values += i64::from(in_page);
                }
                file.seek_relative(header.compressed_page_size.into()).map_err(io)?;
                if file.stream_position().map_err(io)? > range.end {
                    return Err(unfit());
                }
            }
        }
    }
    Ok(())
}

/// How many values a page has by its header, and whether it is one of data.
fn values_of(header: &PageHeader) -> (i32, bool) {
    let data = header.data_page_header.as_ref().map(|data| data.num_values);
    let data = data.or(header.data_page_header_v2.as_ref().map(|data| data.num_values));
    let dictionary = header.dictionary_page_header.as_ref().map_or(0, |dictionary| dictionary.num_values);
    data.map_or((dictionary, false), |values| (values, true))
}
