//! Decimal numbers as loggers print them.

/// Which mark stands before the fraction.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Decimal {
    /// `12.5`
    Point,
    /// `12,5`
    Comma,
    /// Whichever stands there: no cell can hold both, since marks of thousands are not read.
    Either,
}

impl Decimal {
    #[inline]
    pub(crate) fn is_mark(self, byte: u8) -> bool {
        match byte {
            b'.' => self != Decimal::Comma,
            b',' => self != Decimal::Point,
            _ => false,
        }
    }
}

/// Digits that fit into a `u64` whatever they are.
const SAFE_DIGITS: usize = 19;

/// Powers of ten that an `f64` holds exactly.
const TENS: [f64; 23] = [
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18,
    1e19, 1e20, 1e21, 1e22,
];

/// A plain run of digits with at most one mark: `digits / 10^fraction`.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Plain {
    pub digits: u64,
    pub fraction: usize,
    /// Bytes used.
    pub used: usize,
}

/// Reads digits, a mark and digits from the beginning of `text` and stops at the first other byte. `None`: no digit,
/// or more of them than a `u64` holds.
#[inline]
pub(crate) fn plain(text: &[u8], decimal: Decimal) -> Option<Plain> {
    let mut digits = 0u64;
    let mut at = 0;
    while let Some(digit) = text.get(at).map(|b| b.wrapping_sub(b'0')).filter(|d| *d < 10) {
        digits = digits.wrapping_mul(10).wrapping_add(u64::from(digit));
        at += 1;
    }
    let whole = at;
    let mut fraction = 0;
    if text.get(at).is_some_and(|b| decimal.is_mark(*b)) {
        at += 1;
        let start = at;
        while let Some(digit) = text.get(at).map(|b| b.wrapping_sub(b'0')).filter(|d| *d < 10) {
            digits = digits.wrapping_mul(10).wrapping_add(u64::from(digit));
            at += 1;
        }
        fraction = at - start;
    }
    let count = whole + fraction;
    (count > 0 && count <= SAFE_DIGITS).then_some(Plain { digits, fraction, used: at })
}

/// A number cell, blanks and quotes already taken off. `None`: not a number. May be infinite or NaN if it says so.
#[inline]
pub(crate) fn number(cell: &[u8], decimal: Decimal) -> Option<f64> {
    match quick(cell, decimal) {
        Some((value, used)) if used == cell.len() => Some(value),
        _ => general(cell, decimal),
    }
}

/// The plain number that `text` begins with, and its length.
#[inline]
pub(crate) fn quick(text: &[u8], decimal: Decimal) -> Option<(f64, usize)> {
    let sign = usize::from(matches!(text.first(), Some(b'-' | b'+')));
    let found = plain(&text[sign..], decimal)?;
    if found.digits >= 1 << 53 {
        return None;
    }
    // Both numbers are exact, so the quotient is rounded once: the nearest f64.
    let value = found.digits as f64 / TENS[found.fraction];
    Some((if text[0] == b'-' { -value } else { value }, found.used + sign))
}

/// Exponents, very long numbers, words for infinity.
#[cold]
fn general(cell: &[u8], decimal: Decimal) -> Option<f64> {
    let text = std::str::from_utf8(cell).ok()?;
    if decimal == Decimal::Point || !text.contains(',') {
        let marked = decimal == Decimal::Comma && text.contains('.');
        return if marked { None } else { text.parse().ok() };
    }
    if text.contains('.') { None } else { text.replacen(',', ".", 1).parse().ok() }
}

/// A decimal number times a ratio, to the nearest integer (halves away from zero), exactly. `None`: not a number, or
/// out of range.
pub(crate) fn scaled(cell: &[u8], decimal: Decimal, numerator: u64, denominator: u64) -> Option<i64> {
    let (negative, body) = match cell {
        [b'-', body @ ..] => (true, body),
        [b'+', body @ ..] => (false, body),
        body => (false, body),
    };
    let mut digits = 0u128;
    let mut power = 0i32;
    let (mut any, mut marked, mut at) = (false, false, 0);
    while let Some(byte) = body.get(at) {
        match byte.wrapping_sub(b'0') {
            digit @ 0..=9 => {
                any = true;
                if digits < 10u128.pow(28) {
                    digits = digits * 10 + u128::from(digit);
                    power -= i32::from(marked);
                } else {
                    power += i32::from(!marked);
                }
            }
            _ if !marked && decimal.is_mark(*byte) => marked = true,
            _ => break,
        }
        at += 1;
    }
    if !any {
        return None;
    }
    match &body[at..] {
        [] => {}
        [b'e' | b'E', exponent @ ..] => {
            let exponent: i32 = std::str::from_utf8(exponent).ok()?.parse().ok()?;
            power = power.checked_add(exponent)?;
        }
        _ => return None,
    }
    if digits == 0 {
        return Some(0);
    }
    let value = if power >= 0 {
        let shift = 10u128.checked_pow(power.unsigned_abs())?;
        let top = digits.checked_mul(shift)?.checked_mul(u128::from(numerator))?;
        (top + u128::from(denominator) / 2) / u128::from(denominator)
    } else {
        // Too small to matter: every number below is nearer to 0 than half a microsecond.
        let Some(divisor) =
            10u128.checked_pow(power.unsigned_abs()).and_then(|d| d.checked_mul(u128::from(denominator)))
        else {
            return Some(0);
        };
        // What a u128 can't hold is taken in two steps: whole part first, then the rest without its last digits.
        let (whole, mut rest) = (digits / divisor, digits % divisor);
        let mut small = divisor;
        while rest.checked_mul(u128::from(numerator)).is_none() {
            rest /= 10;
            small /= 10;
        }
        let part = (rest * u128::from(numerator) + small / 2) / small;
        whole.checked_mul(u128::from(numerator))?.checked_add(part)?
    };
    let value = i64::try_from(value).ok()?;
    Some(if negative { -value } else { value })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn marks() {
        assert_eq!(number(b"12.5", Decimal::Point), Some(12.5));
        assert_eq!(number(b"12,5", Decimal::Point), None);
        assert_eq!(number(b"12,5", Decimal::Comma), Some(12.5));
        assert_eq!(number(b"12.5", Decimal::Comma), None);
        assert_eq!(number(b"12,5", Decimal::Either), Some(12.5));
        assert_eq!(number(b"1.234,5", Decimal::Either), None);
        assert_eq!(number(b"1,234.5", Decimal::Comma), None);
        assert_eq!(number(b"-1,5e1", Decimal::Comma), Some(-15.0));
        assert_eq!(number(b"+.5", Decimal::Point), Some(0.5));
        assert_eq!(number(b"5.", Decimal::Point), Some(5.0));
        for rubbish in [&b""[..], b".", b"-", b"1 2", b"0x10", b"\xff", b"1.2.3", b"--1"] {
            assert_eq!(number(rubbish, Decimal::Either), None, "{rubbish:?}");
        }
    }

    #[test]
    fn times_a_ratio() {
        let secs = |text: &str| scaled(text.as_bytes(), Decimal::Point, 1_000_000, 1);
        assert_eq!(secs("0.1"), Some(100_000));
        assert_eq!(secs("1748764800.123456"), Some(1_748_764_800_123_456));
        assert_eq!(secs("-0.0000005"), Some(-1));
        assert_eq!(secs("-0.00000049"), Some(0));
        assert_eq!(secs("1.5e3"), Some(1_500_000_000));
        assert_eq!(secs("15e-1"), Some(1_500_000));
        assert_eq!(secs("0.1234567890123456789012345678901234567890"), Some(123_457));
        assert_eq!(secs("99999999999999999999"), None);
        assert_eq!(secs("1e999"), None);
        assert_eq!(secs("1e-999"), Some(0));
        assert_eq!(secs("0e999999999"), Some(0));
        assert_eq!(secs("1e99999999999"), None);
        assert_eq!(scaled(b"1500", Decimal::Point, 1, 1000), Some(2));
        assert_eq!(scaled(b"0,5", Decimal::Comma, 3_600_000_000, 1), Some(1_800_000_000));
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(256))]
        #[test]
        fn as_the_standard_library_reads_it(value in -1e7f64..1e7, places in 0usize..9) {
            let text = format!("{value:.places$}");
            prop_assert_eq!(number(text.as_bytes(), Decimal::Point), text.parse().ok());
        }

        #[test]
        fn microseconds_are_exact(micros in -9_000_000_000_000_000i64..9_000_000_000_000_000) {
            let text = format!("{}{}.{:06}", if micros < 0 { "-" } else { "" }, micros.abs() / 1_000_000, micros.abs() % 1_000_000);
            prop_assert_eq!(scaled(text.as_bytes(), Decimal::Point, 1_000_000, 1), Some(micros));
        }

        #[test]
        fn rubbish_is_no_panic(cell in proptest::collection::vec(any::<u8>(), 0..40)) {
            let _ = number(&cell, Decimal::Either);
            let _ = scaled(&cell, Decimal::Either, 1_000_000, 1);
        }
    }
}
