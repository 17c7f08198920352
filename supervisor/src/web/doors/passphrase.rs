//! Passphrases: which are good enough, and their hashes. Nothing here keeps what was typed.

use argon2::password_hash::{PasswordHash, PasswordHasher as _, PasswordVerifier as _, SaltString};
use argon2::{Algorithm, Argon2, Params, Version};
use std::collections::BTreeSet;

/// Fewest characters: what guards by itself has to be long, and then needs no rules of composition.
pub(crate) const LEAST: usize = 15;
/// Most characters.
pub(crate) const MOST: usize = 256;
/// Fewest different characters.
const LEAST_DIFFERENT: usize = 6;
/// Memory of a hash, KiB; passes over it; lanes.
const COST: (u32, u32, u32) = (19_456, 2, 1);
/// Bytes of salt.
const SALT: usize = 16;

/// Stands for the hash of somebody who has none, so that an unknown name takes as long as a known one.
pub(crate) const NOBODYS: &str =
    "$argon2id$v=19$m=19456,t=2,p=1$AAAAAAAAAAAAAAAAAAAAAA$BAQEBAQEBAQEBAQEBAQEBAQEBAQEBAQEBAQEBAQEBAQ";

/// Why `passphrase` is not good enough for `name`, with what to do.
pub(crate) fn refusal(passphrase: &str, name: &str) -> Option<String> {
    let length = passphrase.chars().count();
    if length < LEAST {
        return Some(format!(
            "it has {length} characters; {LEAST} are the least: three or four words that do not belong together will do"
        ));
    }
    if length > MOST {
        return Some(format!("it has {length} characters; {MOST} are the most"));
    }
    if passphrase.chars().any(char::is_control) {
        return Some(
            "it holds a line break or another character that can't be typed again; leave that out".to_owned(),
        );
    }
    let lower = passphrase.to_lowercase();
    let different = lower.chars().collect::<BTreeSet<_>>().len();
    if different < LEAST_DIFFERENT {
        return Some(format!(
            "it is made of {different} different characters only; take words that do not belong together"
        ));
    }
    let mut rest = lower.replace(char::is_whitespace, "");
    for word in [
        &name.to_lowercase().replace(char::is_whitespace, ""),
        "setward",
        "passphrase",
        "password",
        "0123456789",
        "1234567890",
        "qwertyuiop",
    ] {
        if !word.is_empty() {
            rest = rest.replace(word, "");
        }
    }
    (rest.chars().count() < LEAST_DIFFERENT).then(|| {
        "little is left of it without your name, `setward` and what everybody tries first; take words that do not belong together"
            .to_owned()
    })
}

fn argon2() -> Result<Argon2<'static>, String> {
    let (memory, passes, lanes) = COST;
    let params = Params::new(memory, passes, lanes, None).map_err(|error| error.to_string())?;
    Ok(Argon2::new(Algorithm::Argon2id, Version::V0x13, params))
}

/// The hash of `passphrase` as the users' file keeps it. Takes some 40 ms and 19 MiB: never on a thread that others wait for.
///
/// # Errors
/// When the system gives no random numbers.
pub(crate) fn hash(passphrase: &str) -> Result<String, String> {
    let salt = SaltString::encode_b64(&super::random::<SALT>()?).map_err(|error| error.to_string())?;
    let hash = argon2()?.hash_password(passphrase.as_bytes(), &salt).map_err(|error| error.to_string())?;
    Ok(hash.to_string())
}

/// Whether `passphrase` is the one whose hash is `kept`. As slow as [`hash`].
pub(crate) fn is_right(passphrase: &str, kept: &str) -> bool {
    let Ok(parsed) = PasswordHash::new(kept) else { return false };
    argon2().is_ok_and(|argon2| argon2.verify_password(passphrase.as_bytes(), &parsed).is_ok())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_passphrase_is_long_and_a_refusal_says_why() {
        for (wrong, says) in [
            ("", "0 characters; 15"),
            ("short words", "11 characters; 15"),
            (&"ab".repeat(10), "2 different characters"),
            ("AnaAnaAnaAnaAnaAna", "2 different characters"),
            ("setward setward password", "without your name"),
            ("Maria Jos\u{e9} 1234567890", "without your name"),
            ("twelve dozen\nblue tins", "line break"),
            (&"long ".repeat(60), "256 are the most"),
        ] {
            let told = refusal(wrong, "Maria Jos\u{e9}").unwrap_or_default();
            assert!(told.contains(says), "{wrong:?}: {told}");
        }
        assert_eq!(refusal("blue tin under stairs", "Ana"), None);
        assert_eq!(
            refusal(
                "\u{591c}\u{52e4}\u{306e}\u{9280}\u{8272}\u{306e}\u{6905}\u{5b50}\u{3068}\u{9752}\u{3044}\u{5927}\u{304d}\u{306a}\u{7bb1}",
                "Ana"
            ),
            None
        );
    }

    #[test]
    fn only_the_same_passphrase_fits_a_hash_and_no_two_hashes_are_alike() {
        let (one, other) = (hash("blue tin under stairs").unwrap(), hash("blue tin under stairs").unwrap());
        assert_ne!(one, other, "each has its own salt");
        assert!(one.starts_with("$argon2id$v=19$m=19456,t=2,p=1$"), "{one}");
        assert!(is_right("blue tin under stairs", &one) && is_right("blue tin under stairs", &other));
        assert!(!is_right("blue tin under stair", &one) && !is_right("", &one));
        assert!(!is_right("blue tin under stairs", "no hash") && !is_right("", NOBODYS));
        // One that could not be read would be answered at once, and so tell who is unknown.
        let (nobodys, known) = (PasswordHash::new(NOBODYS).unwrap(), PasswordHash::new(&one).unwrap());
        assert_eq!((nobodys.algorithm, nobodys.params), (known.algorithm, known.params));
        assert_eq!(nobodys.hash.unwrap().len(), known.hash.unwrap().len());
    }
}
