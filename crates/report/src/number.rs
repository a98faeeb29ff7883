//! Numbers as text.

/// What rounds to nothing has no sign: `-0.00` is `0.00`.
///
/// ```
/// assert_eq!(foldwatch_report::no_signed_zero(format!("{:.1}", -0.04)), "0.0");
/// assert_eq!(foldwatch_report::no_signed_zero(format!("{:.1}", -0.06)), "-0.1");
/// ```
pub fn no_signed_zero(text: String) -> String {
    match text.bytes().any(|byte| matches!(byte, b'1'..=b'9')) {
        true => text,
        false => text.trim_start_matches(['-', '+']).to_owned(),
    }
}
