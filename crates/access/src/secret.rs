//! Passwords, tokens and what is kept of them.

use std::fmt::Write as _;

use argon2::password_hash::phc::PasswordHash;
use argon2::{Argon2, PasswordHasher, PasswordVerifier};
use sha2::{Digest, Sha256};

/// Random bytes, which the caller takes from the system.
pub type Random = [u8; 32];

/// A password of a person's own has at least so many characters: NIST SP 800-63B-4 asks for 15 where nothing else
/// guards.
pub const SHORTEST_PASSWORD: usize = 15;
/// A longer one is taken for a mistake, and would cost time.
const LONGEST: usize = 1024;
/// A hash that needs more memory than this (KiB) was not made here.
const MOST_MEMORY_KIB: u32 = 256 << 10;

/// Letters and digits that are not taken for one another: 32, so that five bits choose one.
const ALPHABET: &[u8; 32] = b"abcdefghjkmnpqrstuvwxyz123456789";

/// A password for a person to copy: 16 letters, 80 bits of chance.
pub fn password(random: &Random) -> String {
    let letter = |byte: &u8| char::from(ALPHABET[usize::from(byte & 31)]);
    random[..16]
        .chunks(4)
        .map(|four| four.iter().map(letter).collect::<String>())
        .collect::<Vec<_>>()
        .join("-")
}

/// A token or a session's key: 256 bits of chance, in hexadecimal digits.
pub fn secret(random: &Random) -> String {
    hex(random)
}

/// What is kept of a token or a session's key. It has chance enough that nothing slow is needed.
///
/// ```
/// // FIPS 180-4's example.
/// assert!(foldwatch_access::digest("abc").starts_with("ba7816bf"));
/// ```
pub fn digest(secret: &str) -> String {
    hex(&Sha256::digest(secret.as_bytes()))
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().fold(String::with_capacity(2 * bytes.len()), |mut text, byte| {
        let _ = write!(text, "{byte:02x}");
        text
    })
}

/// What is kept of a password: Argon2id (RFC 9106) with 19 MiB and two passes, the least that the OWASP Password Storage
/// Cheat Sheet names, since a field unit is a small machine; in the PHC string format.
///
/// # Errors
/// A password that is too long, or no memory for it.
pub fn hashed(password: &str, random: &Random) -> Result<String, String> {
    if password.len() > LONGEST {
        return Err(format!("a password has at most {LONGEST} bytes"));
    }
    let hash: Result<PasswordHash, _> =
        Argon2::default().hash_password_with_salt(password.as_bytes(), &random[..16]);
    hash.map(|hash| hash.to_string()).map_err(|error| error.to_string())
}

/// Whether a password is the one. Takes its time, and so much memory as the hash says.
pub fn fits(password: &str, hash: &str) -> bool {
    let Ok(hash) = checked(hash) else { return false };
    password.len() <= LONGEST && Argon2::default().verify_password(password.as_bytes(), &hash).is_ok()
}

/// A hash that can be checked against at all.
pub(crate) fn checked(hash: &str) -> Result<PasswordHash, String> {
    let parsed = PasswordHash::new(hash).map_err(|error| error.to_string())?;
    let memory = argon2::Params::try_from(&parsed).map_err(|error| error.to_string())?.m_cost();
    if parsed.algorithm.as_str() != "argon2id" || memory > MOST_MEMORY_KIB {
        return Err("it is no hash by Argon2id of a size that this program makes".to_owned());
    }
    Ok(parsed)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_the_password_fits() {
        let hash = hashed("correct horse battery", &[7; 32]).unwrap();
        assert!(hash.starts_with("$argon2id$v=19$m=19456,t=2,p=1$"), "{hash}");
        assert!(fits("correct horse battery", &hash));
        for wrong in ["correct horse batter", "Correct horse battery", "", "correct horse battery "] {
            assert!(!fits(wrong, &hash), "{wrong}");
        }
        assert!(hashed(&"x".repeat(2000), &[7; 32]).is_err());
        assert!(!fits("x", "no hash") && !fits(&"x".repeat(2000), &hash));
    }

    /// Computed by argon2-cffi 25.1.0 from PyPI: `hash_secret(b"correct horse battery", b"\x07" * 16, 2, 19456, 1, 32,
    /// Type.ID)`.
    #[test]
    fn another_implementation_agrees() {
        let theirs = "$argon2id$v=19$m=19456,t=2,p=1$BwcHBwcHBwcHBwcHBwcHBw$WLRGUa13/B3MXznFse33FId4O++DaYL6ulYUMEhpRqE";
        assert_eq!(hashed("correct horse battery", &[7; 32]).unwrap(), theirs);
    }

    #[test]
    fn a_hash_that_would_take_all_memory_is_none() {
        let hash = hashed("correct horse battery", &[7; 32]).unwrap();
        assert!(checked(&hash.replace("m=19456", "m=4194304")).is_err());
        assert!(checked(&hash.replace("argon2id", "argon2d")).is_err());
    }

    #[test]
    fn passwords_are_easy_to_copy() {
        let made = password(&std::array::from_fn(|n| (n as u8).wrapping_mul(37)));
        assert_eq!(made.len(), 19);
        assert!(made.split('-').all(|four| four.len() == 4 && four.bytes().all(|b| ALPHABET.contains(&b))));
        assert_eq!(secret(&[0xAB; 32]), "ab".repeat(32));
    }
}
