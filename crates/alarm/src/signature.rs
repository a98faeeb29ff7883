//! A request that its receiver can trust: HTTP Message Signatures (RFC 9421) by a shared secret, over the body's digest
//! (RFC 9530) and the key that makes a repeated request harmless.

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use hmac::{Hmac, KeyInit, Mac};
use sha2::{Digest, Sha256};

/// The type of the body.
pub const CONTENT_TYPE: &str = "application/json";

/// The header fields that go with a signed request, besides `Content-Type`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fields {
    /// `Content-Digest` (RFC 9530, section 2).
    pub content_digest: String,
    /// `Signature-Input` (RFC 9421, section 4.1).
    pub signature_input: String,
    /// `Signature` (RFC 9421, section 4.2).
    pub signature: String,
}

/// Signs a POST of `body` to `url` under the name of a key. `created` is in seconds since 1970.
pub fn sign(secret: &[u8], key_name: &str, url: &str, id: &str, body: &[u8], created: i64) -> Fields {
    let content_digest = format!("sha-256=:{}:", STANDARD.encode(Sha256::digest(body)));
    let covered = [
        ("@method", "POST"),
        ("@target-uri", url),
        ("content-type", CONTENT_TYPE),
        ("content-digest", &content_digest),
        ("idempotency-key", &format!("\"{id}\"")),
    ];
    let names: Vec<String> = covered.iter().map(|(name, _)| format!("\"{name}\"")).collect();
    let parameters = format!(
        "({});created={created};keyid=\"{}\";alg=\"hmac-sha256\"",
        names.join(" "),
        key_name.replace('\\', "\\\\").replace('"', "\\\"")
    );
    let signature = STANDARD.encode(mac(secret, base(&covered, &parameters).as_bytes()));
    Fields {
        signature_input: format!("foldwatch={parameters}"),
        signature: format!("foldwatch=:{signature}:"),
        content_digest,
    }
}

/// The signature base (RFC 9421, section 2.5).
fn base(covered: &[(&str, &str)], parameters: &str) -> String {
    let mut base = String::new();
    for (name, value) in covered {
        base.push_str(&format!("\"{name}\": {value}\n"));
    }
    base.push_str("\"@signature-params\": ");
    base.push_str(parameters);
    base
}

/// HMAC-SHA256 (RFC 9421, section 3.3.3).
fn mac(secret: &[u8], text: &[u8]) -> [u8; 32] {
    let mut mac = <Hmac<Sha256> as KeyInit>::new_from_slice(secret)
        .unwrap_or_else(|_| unreachable!("a key of any length will do (RFC 2104, section 3)"));
    mac.update(text);
    mac.finalize().into_bytes().into()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 9421, appendix B.2.5, with the shared secret of B.1.5.
    #[test]
    fn the_standards_own_example() {
        let secret = STANDARD
            .decode(
                "uzvJfB4u3N0Jy4T7NZ75MDVcr8zSTInedJtkgcu46YW4XByzNJjxBdtjUkdJPBtbmHhIDi6pcl8jsasjlTMtDQ==",
            )
            .unwrap();
        let covered = [
            ("date", "Tue, 20 Apr 2021 02:07:55 GMT"),
            ("@authority", "example.com"),
            ("content-type", "application/json"),
        ];
        let parameters =
            "(\"date\" \"@authority\" \"content-type\");created=1618884473;keyid=\"test-shared-secret\"";
        let signature = STANDARD.encode(mac(&secret, base(&covered, parameters).as_bytes()));
        assert_eq!(signature, "pxcQw6G3AjtMBQjwo8XzkZf/bws5LelbaMk5rGIGtE8=");
    }

    /// RFC 9530, appendix B.1: the digest of a JSON body.
    #[test]
    fn the_digests_own_example() {
        let fields = sign(b"k", "k", "https://example.org", "1", b"{\"hello\": \"world\"}\n", 0);
        assert_eq!(fields.content_digest, "sha-256=:RK/0qy18MlBSVnWgjwz6lZEWjP/lF5HF9bvEF8FabDg=:");
    }

    #[test]
    fn every_part_is_bound() {
        let with = |url: &str, id: &str, body: &str, created| {
            sign(b"secret", "hook", url, id, body.as_bytes(), created).signature
        };
        let signed = with("https://example.org/a", "1", "{}", 7);
        for other in [
            with("https://example.org/b", "1", "{}", 7),
            with("https://example.org/a", "2", "{}", 7),
            with("https://example.org/a", "1", "{ }", 7),
            with("https://example.org/a", "1", "{}", 8),
            sign(b"Secret", "hook", "https://example.org/a", "1", b"{}", 7).signature,
        ] {
            assert_ne!(signed, other);
        }
    }
}
