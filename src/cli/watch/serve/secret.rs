//! The secret in the link: who has it may look and mark, nobody else learns that there is a page.

use std::io;

use subtle::ConstantTimeEq;

/// Letters of base 32 (RFC 4648): none is mistaken for another when typed from a screen, and all
/// of them are among the 45 characters that a QR code packs tightly.
const LETTERS: &[u8; 32] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZ234567";
/// 26 letters of five bits hold 128.
pub(super) const LENGTH: usize = 26;

pub(super) struct Secret([u8; LENGTH]);

impl Secret {
    /// 128 bits from the operating system.
    pub fn new() -> io::Result<Self> {
        let mut bits = [0; 16];
        getrandom::fill(&mut bits).map_err(io::Error::other)?;
        Ok(Secret::of(u128::from_le_bytes(bits)))
    }

    fn of(mut bits: u128) -> Self {
        Secret(std::array::from_fn(|_| {
            let letter = LETTERS[(bits & 31) as usize];
            bits >>= 5;
            letter
        }))
    }

    /// As it stands in the link.
    pub fn as_str(&self) -> &str {
        std::str::from_utf8(&self.0).unwrap_or_default()
    }

    /// Whether `shown` is the secret, in capitals or not. How long that takes does not depend on
    /// how much of it is right, so that it cannot be found letter by letter.
    pub fn is(&self, shown: &str) -> bool {
        let mut own = [0; LENGTH];
        if shown.len() != LENGTH {
            return false;
        }
        own.copy_from_slice(shown.as_bytes());
        own.make_ascii_uppercase();
        own.ct_eq(&self.0).into()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn all_128_bits_are_in_it() {
        let whole = Secret::of(u128::MAX);
        assert_eq!(whole.as_str(), format!("{}H", "7".repeat(25)));
        for bit in 0..128 {
            let (one, none) = (Secret::of(1 << bit), Secret::of(0));
            assert_ne!(one.as_str(), none.as_str(), "bit {bit} is lost");
        }
        assert_ne!(Secret::new().unwrap().as_str(), Secret::new().unwrap().as_str());
    }

    #[test]
    fn only_the_whole_secret_opens() {
        let secret = Secret::of(0x0123_4567_89AB_CDEF_0123_4567_89AB_CDEF);
        let text = secret.as_str().to_owned();
        assert!(secret.is(&text) && secret.is(&text.to_lowercase()));
        for wrong in ["", &text[1..], &format!("{text}A"), &"A".repeat(LENGTH), &"é".repeat(13)] {
            assert!(!secret.is(wrong), "{wrong}");
        }
        for at in 0..LENGTH {
            let mut wrong = text.clone().into_bytes();
            wrong[at] = if wrong[at] == b'A' { b'B' } else { b'A' };
            assert!(
                !secret.is(std::str::from_utf8(&wrong).unwrap()),
                "letter {at} is not looked at"
            );
        }
    }
}
