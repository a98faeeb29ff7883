//! How the packed stream writes numbers: seven bits a byte, lowest first, the top bit says that another byte follows
//! (LEB128). A signed number is first folded so that small ones stay short: 0, -1, 1, -2 become 0, 1, 2, 3.

/// A number's longest form.
pub const MAX_LEN: usize = 10;

/// Writes a number into a buffer and gives the bytes used.
///
/// ```
/// let mut buf = [0; foldwatch_encoder::varint::MAX_LEN];
/// assert_eq!(foldwatch_encoder::varint::write(300, &mut buf), &[0xAC, 0x02]);
/// ```
pub fn write(mut value: u64, buf: &mut [u8; MAX_LEN]) -> &[u8] {
    let mut len = 0;
    for byte in buf.iter_mut() {
        *byte = (value & 0x7F) as u8;
        len += 1;
        value >>= 7;
        if value == 0 {
            break;
        }
        *byte |= 0x80;
    }
    &buf[..len]
}

/// Takes a number off the front of `bytes`; `None` when it is cut or longer than 64 bits.
///
/// ```
/// let mut bytes: &[u8] = &[0xAC, 0x02, 7];
/// assert_eq!(foldwatch_encoder::varint::read(&mut bytes), Some(300));
/// assert_eq!(bytes, [7]);
/// ```
pub fn read(bytes: &mut &[u8]) -> Option<u64> {
    let mut value = 0u64;
    for (ix, byte) in bytes.iter().enumerate().take(MAX_LEN) {
        let part = u64::from(byte & 0x7F);
        if ix == MAX_LEN - 1 && part > 1 {
            return None;
        }
        value |= part << (7 * ix);
        if byte & 0x80 == 0 {
            *bytes = &bytes[ix + 1..];
            return Some(value);
        }
    }
    None
}

/// Folds a signed number into an unsigned one.
///
/// ```
/// assert_eq!([0, -1, 1, -2].map(foldwatch_encoder::varint::fold), [0, 1, 2, 3]);
/// ```
pub fn fold(value: i64) -> u64 {
    ((value << 1) ^ (value >> 63)) as u64
}

/// The number that [`fold`] was given.
///
/// ```
/// assert_eq!([0, 1, 2, 3].map(foldwatch_encoder::varint::unfold), [0, -1, 1, -2]);
/// ```
pub fn unfold(folded: u64) -> i64 {
    ((folded >> 1) as i64) ^ -((folded & 1) as i64)
}
