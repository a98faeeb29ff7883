//! RFC 4180, section 2, against the csv crate as an independent reader.

use crate::{column, read};
use foldwatch_columns::{ColumnMap, SkipKind};
use proptest::prelude::*;

/// What the csv crate makes of pump and current, by the header.
fn independent(log: &str) -> Vec<(Option<String>, Option<String>)> {
    let mut reader = csv::ReaderBuilder::new().flexible(true).from_reader(log.as_bytes());
    let headers = reader.headers().unwrap().clone();
    let place = |name: &str| headers.iter().position(|h| h == name).unwrap();
    let (pump, current) = (place("pump"), place("current"));
    reader
        .records()
        .map(|record| {
            let record = record.unwrap();
            (record.get(pump).map(str::to_owned), record.get(current).map(str::to_owned))
        })
        .collect()
}

fn agree(log: &str) {
    let (seen, report) = read(log.as_bytes(), &ColumnMap::default());
    let report = report.unwrap();
    let wanted: Vec<(Option<f32>, Option<f32>)> = independent(log)
        .into_iter()
        .map(|(pump, current)| {
            let number = |text: Option<String>| text.and_then(|t| t.trim().parse::<f32>().ok());
            (number(pump), number(current))
        })
        .collect();
    let found: Vec<(Option<f32>, Option<f32>)> = column(&seen, 0)
        .iter()
        .zip(column(&seen, 5))
        .map(|((_, pump), (_, current))| (*pump, current))
        .collect();
    assert_eq!(found, wanted, "{log}");
    assert_eq!(report.rows as usize, wanted.len(), "{log}");
}

#[test]
fn the_rules() {
    // 1, 2: CRLF, and the last record with or without it.
    agree("time,pump,current\r\n0,1,2\r\n1,0,3\r\n");
    agree("time,pump,current\r\n0,1,2\r\n1,0,3");
    // 4: blanks are part of the field.
    agree("time,pump,current\r\n0, 1 , 2\r\n");
    // 5, 6: quoted fields with delimiters and line breaks in them.
    agree("time,\"a,b\",pump,current\r\n0,\"x,y\",1,2\r\n1,\"x\r\ny,1,1,1\r\n\",0,3\r\n");
    agree("\"time\",\"pump\",\"current\"\r\n\"0\",\"1\",\"2\"\r\n");
    // 7: doubled quotes.
    agree("time,note,pump,current\r\n0,\"b\"\"b\",1,2\r\n1,\"\"\"\",0,3\r\n2,\"\",1,4\r\n");
}

#[test]
fn a_quote_inside_an_unquoted_field_is_kept() {
    let (seen, report) =
        read(b"time,pump,size,current\n0,1,5\" wide,2\n1,1,\"5\"\" wide\",2\n", &ColumnMap::default());
    assert_eq!(column(&seen, 5), [(0, Some(2.0)), (1_000_000, Some(2.0))]);
    assert_eq!(report.unwrap().count(SkipKind::OpenQuote), 0);
}

/// A cell of a column that nobody reads, as a well-made writer writes it.
fn note() -> impl Strategy<Value = String> {
    "[a-z\",\r\n #;]{0,12}"
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(128))]
    #[test]
    fn what_a_csv_writer_writes(rows in proptest::collection::vec((0u8..2, -99i32..99, note(), note()), 1..40), all in any::<bool>()) {
        let style = if all { csv::QuoteStyle::Always } else { csv::QuoteStyle::Necessary };
        let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).quote_style(style).from_writer(Vec::new());
        writer.write_record(["time", "note", "pump", "other", "current"]).unwrap();
        for (at, (pump, current, note, other)) in rows.iter().enumerate() {
            writer.write_record([&at.to_string(), note, &pump.to_string(), other, &current.to_string()]).unwrap();
        }
        agree(&String::from_utf8(writer.into_inner().unwrap()).unwrap());
    }
}
