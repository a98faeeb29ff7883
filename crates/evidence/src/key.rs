//! Signing keys: made on first use, private to their owner, replaced by a signed succession.
//!
//! Formats are those that any cryptographic tool reads: Ed25519 (RFC 8032) in PKCS#8 and SubjectPublicKeyInfo PEM
//! (RFC 8410), signatures as their 64 bytes.
//!
//! ```text
//! KEYS/signing.pem            the private key (mode 0600, folder 0700)
//! KEYS/public.pem             its public half, to hand out
//! KEYS/successions/0001.txt   "the key after this one is ..."
//! KEYS/successions/0001.sig   signed by the key before
//! KEYS/successions/0001.pem   the public half of the key before
//! ```

use std::fs::{self, File, OpenOptions};
use std::io::Write;
use std::path::{Path, PathBuf};

use ed25519_dalek::pkcs8::spki::der::pem::LineEnding;
use ed25519_dalek::pkcs8::{DecodePrivateKey, DecodePublicKey, EncodePrivateKey, EncodePublicKey};
use ed25519_dalek::{Signature, Signer, SigningKey, VerifyingKey};

use crate::{Digest, EvidenceError};

/// A public key.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PublicKey(VerifyingKey);

impl PublicKey {
    /// From PEM text.
    ///
    /// # Errors
    /// What it is instead, where that can be told.
    pub fn from_pem(text: &str) -> Result<Self, EvidenceError> {
        if text.contains("PRIVATE KEY") {
            return Err(EvidenceError::refused(
                "this is a private key; give the public half (`foldwatch evidence keys show` names its file), and \
                 hand the private one to nobody",
            ));
        }
        VerifyingKey::from_public_key_pem(text.trim()).map(PublicKey).map_err(|error| {
            EvidenceError::refused(format!(
                "no Ed25519 public key: {error}; it is a text that begins with -----BEGIN PUBLIC KEY-----"
            ))
        })
    }

    /// From a file in PEM.
    ///
    /// # Errors
    /// Where it can't be read, or holds something else.
    pub fn read(path: &Path) -> Result<Self, EvidenceError> {
        let bytes = fs::read(path).map_err(EvidenceError::io(path, "read"))?;
        let named = |error| EvidenceError::refused(format!("{}: {error}", path.display()));
        Self::from_pem(&String::from_utf8_lossy(&bytes)).map_err(named)
    }

    /// As PEM text.
    pub fn to_pem(&self) -> String {
        // Thirty-two bytes into a fixed frame: there is nothing that could fail.
        self.0.to_public_key_pem(LineEnding::LF).unwrap_or_default()
    }

    /// SHA-256 of the SubjectPublicKeyInfo in DER: what other tools print for the file.
    pub fn fingerprint(&self) -> Digest {
        Digest::of(self.0.to_public_key_der().map(|der| der.into_vec()).unwrap_or_default().as_slice())
    }

    /// Whether the signature is this key's over the message. Strict: of the several encodings that laxer checks take
    /// for one signature only one passes.
    pub fn has_signed(&self, message: &[u8], signature: &[u8]) -> bool {
        Signature::from_slice(signature)
            .is_ok_and(|signature| self.0.verify_strict(message, &signature).is_ok())
    }
}

/// A statement that one key follows another.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Succession {
    /// What was signed.
    pub text: String,
    /// By the key before.
    pub signature: Vec<u8>,
}

const SUCCESSION: &str = "foldwatch key succession";

impl Succession {
    /// The key that follows on `before`, if that is what `before` has signed here.
    pub fn follow(&self, before: &PublicKey) -> Option<PublicKey> {
        let (head, pem) = self.text.split_once("\n\n")?;
        let named = |key: &str| head.lines().find_map(|line| line.strip_prefix(key)).map(str::trim);
        let after = PublicKey::from_pem(pem).ok()?;
        let fits = head.lines().next() == Some(SUCCESSION)
            && named("from:") == Some(&before.fingerprint().to_string())
            && named("to:") == Some(&after.fingerprint().to_string())
            && before.has_signed(self.text.as_bytes(), &self.signature);
        fits.then_some(after)
    }
}

/// Whether a chain of successions leads from one key to another.
pub(crate) fn leads(from: &PublicKey, to: &PublicKey, successions: &[Succession]) -> bool {
    let mut at = from.clone();
    // A key that names an earlier one its successor would lead in a circle: no more steps than there are statements.
    for _ in 0..=successions.len() {
        if at == *to {
            return true;
        }
        match successions.iter().find_map(|s| s.follow(&at)) {
            Some(next) => at = next,
            None => return false,
        }
    }
    false
}

/// The folder with a tester's keys.
pub struct Keys {
    folder: PathBuf,
    signing: SigningKey,
    successions: Vec<Succession>,
    /// The key was made just now.
    pub new: bool,
}

impl std::fmt::Debug for Keys {
    /// Without the private key.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Keys").field("folder", &self.folder).field("public", &self.public()).finish()
    }
}

impl Keys {
    /// The keys in a folder; where there are none yet they are made.
    ///
    /// # Errors
    /// Where the folder can't be written, a key can't be read, or others may read the private one.
    pub fn open(folder: &Path) -> Result<Self, EvidenceError> {
        let path = folder.join("signing.pem");
        let new = !path.exists();
        if new {
            make_folder(folder)?;
            let signing = fresh()?;
            write_private(&path, &signing, false)?;
        }
        private_to_owner(&path)?;
        let pem = fs::read_to_string(&path).map_err(EvidenceError::io(&path, "read"))?;
        let signing = SigningKey::from_pkcs8_pem(pem.trim()).map_err(|error| {
            EvidenceError::refused(format!("{}: no Ed25519 private key in PKCS#8: {error}", path.display()))
        })?;
        let public = PublicKey(signing.verifying_key());
        let mut successions = successions(folder)?;
        // A rotation that was cut off has left a statement on a key that was never taken into use.
        let to_this = format!("\nto: {}\n", public.fingerprint());
        while successions.last().is_some_and(|last| !last.text.contains(&to_this)) {
            successions.pop();
        }
        let beside = folder.join("public.pem");
        if fs::read_to_string(&beside).ok().as_ref() != Some(&public.to_pem()) {
            put(&beside, public.to_pem().as_bytes())?;
        }
        Ok(Keys { signing, successions, folder: folder.to_owned(), new })
    }

    /// The folder.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// The public half of the key in use.
    pub fn public(&self) -> PublicKey {
        PublicKey(self.signing.verifying_key())
    }

    /// The statements that lead from the first key to the one in use, oldest first.
    pub fn successions(&self) -> &[Succession] {
        &self.successions
    }

    /// Signs.
    pub(crate) fn sign(&self, message: &[u8]) -> [u8; 64] {
        self.signing.sign(message).to_bytes()
    }

    /// A new key takes over: the old one signs that, its public half is kept, its private half is gone. `at` is the
    /// moment that stands in the statement, RFC 3339.
    ///
    /// # Errors
    /// Where the folder can't be written; the old key is then still in use.
    pub fn rotate(&mut self, at: &str) -> Result<(), EvidenceError> {
        let (old, next) = (self.public(), fresh()?);
        let new = PublicKey(next.verifying_key());
        let text = format!(
            "{SUCCESSION}\nfrom: {}\nto: {}\nat: {at}\n\n{}",
            old.fingerprint(),
            new.fingerprint(),
            new.to_pem()
        );
        let signature = self.sign(text.as_bytes()).to_vec();
        let folder = self.folder.join("successions");
        make_folder(&folder)?;
        let name = |ending: &str| folder.join(format!("{:04}.{ending}", self.successions.len() + 1));
        // In this order: whatever is cut off, the old key is in use and its statements hold, or the new one is.
        put(&name("pem"), old.to_pem().as_bytes())?;
        put(&name("sig"), &signature)?;
        put(&name("txt"), text.as_bytes())?;
        write_private(&self.folder.join("signing.pem"), &next, true)?;
        put(&self.folder.join("public.pem"), new.to_pem().as_bytes())?;
        self.successions.push(Succession { text, signature });
        self.signing = next;
        Ok(())
    }
}

fn fresh() -> Result<SigningKey, EvidenceError> {
    let mut seed = [0; 32];
    getrandom::fill(&mut seed)
        .map_err(|error| EvidenceError::refused(format!("the system gives no random numbers: {error}")))?;
    Ok(SigningKey::from_bytes(&seed))
}

/// Statements up to the first number that is missing.
fn successions(folder: &Path) -> Result<Vec<Succession>, EvidenceError> {
    let mut found = Vec::new();
    for number in 1..=9999 {
        let path = folder.join("successions").join(format!("{number:04}.txt"));
        let signature = path.with_extension("sig");
        if !path.exists() {
            break;
        }
        found.push(Succession {
            text: fs::read_to_string(&path).map_err(EvidenceError::io(&path, "read"))?,
            signature: fs::read(&signature).map_err(EvidenceError::io(&signature, "read"))?,
        });
    }
    Ok(found)
}

fn put(path: &Path, bytes: &[u8]) -> Result<(), EvidenceError> {
    let write = || {
        let mut file = File::create(path)?;
        file.write_all(bytes)?;
        file.sync_all()
    };
    write().map_err(EvidenceError::io(path, "written"))
}

fn write_private(path: &Path, key: &SigningKey, over: bool) -> Result<(), EvidenceError> {
    let pem = key
        .to_pkcs8_pem(LineEnding::LF)
        .map_err(|error| EvidenceError::refused(format!("the key can't be encoded: {error}")))?;
    let half = path.with_extension("part");
    let write = || {
        let mut options = OpenOptions::new();
        options.write(true).create(true).truncate(true);
        #[cfg(unix)]
        std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
        let mut file = options.open(&half)?;
        file.write_all(pem.as_bytes())?;
        file.sync_all()?;
        if over {
            fs::rename(&half, path)
        } else {
            fs::hard_link(&half, path).and_then(|()| fs::remove_file(&half))
        }
    };
    write().map_err(EvidenceError::io(path, "written"))
}

fn make_folder(folder: &Path) -> Result<(), EvidenceError> {
    let mut builder = fs::DirBuilder::new();
    builder.recursive(true);
    #[cfg(unix)]
    std::os::unix::fs::DirBuilderExt::mode(&mut builder, 0o700);
    builder.create(folder).map_err(EvidenceError::io(folder, "made"))
}

#[cfg(unix)]
fn private_to_owner(path: &Path) -> Result<(), EvidenceError> {
    use std::os::unix::fs::PermissionsExt;
    let mode = fs::metadata(path).map_err(EvidenceError::io(path, "read"))?.permissions().mode();
    if mode & 0o077 != 0 {
        return Err(EvidenceError::refused(format!(
            "{} may be read by others (mode {:o}); whoever has read it can sign in your name: `chmod 600` it if you are \
             sure that nobody has, else rotate",
            path.display(),
            mode & 0o777
        )));
    }
    Ok(())
}

#[cfg(not(unix))]
fn private_to_owner(_: &Path) -> Result<(), EvidenceError> {
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bytes(hex: &str) -> Vec<u8> {
        (0..hex.len()).step_by(2).map(|n| u8::from_str_radix(&hex[n..n + 2], 16).unwrap()).collect()
    }

    /// RFC 8032, section 7.1, tests 1 to 3.
    #[test]
    fn the_examples_of_the_standard() {
        let cases = [
            (
                "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
                "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
                "",
                "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46bd25bf5\
                 f0595bbe24655141438e7a100b",
            ),
            (
                "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
                "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
                "72",
                "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c387b2e\
                 aeb4302aeeb00d291612bb0c00",
            ),
            (
                "c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7",
                "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
                "af82",
                "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290ae67f760984dc6594a7c15\
                 e9716ed28dc027beceea1ec40a",
            ),
        ];
        for (secret, public, message, signature) in cases {
            let key = SigningKey::from_bytes(&bytes(secret).try_into().unwrap());
            let signature = bytes(signature);
            assert_eq!(key.verifying_key().to_bytes().to_vec(), bytes(public));
            assert_eq!(key.sign(&bytes(message)).to_bytes().to_vec(), signature);
            let public = PublicKey(key.verifying_key());
            assert!(public.has_signed(&bytes(message), &signature));
            assert!(!public.has_signed(b"other", &signature));
            assert!(!public.has_signed(&bytes(message), &signature[1..]));
        }
    }

    #[test]
    fn a_key_is_made_once_and_is_its_owners() {
        let dir = tempfile::tempdir().unwrap();
        let folder = dir.path().join("keys");
        let first = Keys::open(&folder).unwrap();
        assert!(first.new);
        let again = Keys::open(&folder).unwrap();
        assert!(!again.new && again.public() == first.public());
        assert_eq!(PublicKey::read(&folder.join("public.pem")).unwrap(), first.public());
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            let path = folder.join("signing.pem");
            assert_eq!(fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o600);
            fs::set_permissions(&path, fs::Permissions::from_mode(0o640)).unwrap();
            assert!(Keys::open(&folder).unwrap_err().to_string().contains("may be read by others"));
        }
    }

    #[test]
    fn a_succession_is_followed_and_cannot_be_forged() {
        let dir = tempfile::tempdir().unwrap();
        let mut keys = Keys::open(dir.path()).unwrap();
        let first = keys.public();
        keys.rotate("2026-05-01T00:00:00Z").unwrap();
        let second = keys.public();
        keys.rotate("2026-06-01T00:00:00Z").unwrap();
        let keys = Keys::open(dir.path()).unwrap();
        assert!(leads(&first, &keys.public(), keys.successions()));
        assert!(leads(&second, &keys.public(), keys.successions()));
        assert!(!leads(&keys.public(), &first, keys.successions()), "not backwards");
        let mut forged = keys.successions().to_vec();
        forged[0].text = forged[0].text.replace("2026-05", "2025-05");
        assert!(!leads(&first, &keys.public(), &forged));
        let other = tempfile::tempdir().unwrap();
        let stranger = Keys::open(other.path()).unwrap().public();
        assert!(!leads(&stranger, &keys.public(), keys.successions()));
    }

    #[test]
    fn a_private_key_is_not_taken_for_a_public_one() {
        let dir = tempfile::tempdir().unwrap();
        Keys::open(dir.path()).unwrap();
        let error = PublicKey::read(&dir.path().join("signing.pem")).unwrap_err();
        assert!(error.to_string().contains("private key"), "{error}");
        assert!(PublicKey::from_pem("hello").is_err());
    }
}
