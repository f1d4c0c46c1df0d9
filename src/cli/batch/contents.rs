//! What stands for the contents of a file: its length and a checksum, taken while it is read.

use std::fs::File;
use std::io::{self, Read};
use std::path::Path;
use std::sync::{Arc, Mutex};

use crc64fast::Digest;

use crate::capture::lock;

/// CRC-64/XZ.
pub(super) fn checksum(bytes: &[u8]) -> u64 {
    let mut digest = Digest::new();
    digest.write(bytes);
    digest.sum64()
}

/// A file that is summed while it is read.
pub(super) struct Summed {
    file: File,
    sum: Arc<Mutex<Sum>>,
}

/// Length and checksum of what has been read.
#[derive(Default)]
struct Sum {
    length: u64,
    digest: Digest,
}

impl Summed {
    pub fn open(path: &Path) -> io::Result<Summed> {
        Ok(Summed { file: File::open(path)?, sum: Arc::default() })
    }

    /// The same file, read on from where either is.
    pub fn again(&self) -> io::Result<Summed> {
        Ok(Summed { file: self.file.try_clone()?, sum: Arc::clone(&self.sum) })
    }

    /// Reads on to the end; what stands for the contents of the file.
    pub fn finish(mut self) -> io::Result<String> {
        io::copy(&mut self, &mut io::sink())?;
        let sum = lock(&self.sum);
        Ok(format!("{} {:016X}", sum.length, sum.digest.sum64()))
    }
}

impl Read for Summed {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let read = self.file.read(buffer)?;
        let mut sum = lock(&self.sum);
        sum.length += read as u64;
        sum.digest.write(&buffer[..read]);
        Ok(read)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The check value of CRC-64/XZ in the CRC catalogue (reveng.sourceforge.io/crc-catalogue).
    #[test]
    fn the_checksum_is_that_of_the_catalogue() {
        assert_eq!(checksum(b"123456789"), 0x995D_C9BB_DF19_39FA);
    }
}
