//! A NOR flash in memory that obeys the rules of the real one, on a file if wanted.
//! Power cuts are the business of the node's tests, not of this flash.

use embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashError, NorFlashErrorKind, ReadNorFlash, check_erase, check_read,
    check_write,
};
use std::fs::{File, OpenOptions};
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::Path;

/// Bytes of a sector, the smallest part that can be erased.
pub const SECTOR: usize = 4096;

/// Bytes of a page, the most that one program operation can write.
pub const PAGE: usize = 256;

/// Size of the usual serial flash of a node, in bytes (128 Mbit).
pub const USUAL_SIZE: usize = 16 << 20;

/// Why a flash file cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum FlashFileError {
    /// It cannot be opened, read or written.
    #[error("{file}: cannot be used as flash: {source}")]
    Io {
        /// The file.
        file: String,
        /// What the system says.
        source: std::io::Error,
    },
    /// It has another size than a flash made here.
    #[error(
        "{file}: has {found} bytes, a flash has a whole number of 4096-byte sectors from \
         {min} bytes; give another file, or one that does not exist yet"
    )]
    Size {
        /// The file.
        file: String,
        /// Its size.
        found: u64,
        /// The smallest size.
        min: usize,
    },
}

/// Smallest flash that makes sense: settings and a few sectors of log.
const MIN_SIZE: usize = 8 * SECTOR;

/// A NOR flash in memory.
#[derive(Debug)]
pub struct RamFlash {
    bytes: Vec<u8>,
    file: Option<File>,
    pages_programmed: u64,
    sectors_erased: u64,
}

/// What goes wrong with it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FlashFault {
    /// Outside of the flash, or not on its boundaries.
    Address(NorFlashErrorKind),
    /// The file behind it could not be written.
    File,
}

impl NorFlashError for FlashFault {
    fn kind(&self) -> NorFlashErrorKind {
        match self {
            FlashFault::Address(kind) => *kind,
            FlashFault::File => NorFlashErrorKind::Other,
        }
    }
}

impl RamFlash {
    /// An erased flash of at least so many bytes.
    pub fn new(size: usize) -> Self {
        let size = size.max(MIN_SIZE).next_multiple_of(SECTOR);
        RamFlash { bytes: vec![0xFF; size], file: None, pages_programmed: 0, sectors_erased: 0 }
    }

    /// A flash whose content stays in a file; the file's size counts if it exists.
    pub fn on_file(path: &Path, size: usize) -> Result<Self, FlashFileError> {
        let name = path.display().to_string();
        let io = |source| FlashFileError::Io { file: name.clone(), source };
        let mut file = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(path)
            .map_err(io)?;
        let found = file.metadata().map_err(io)?.len();
        let mut flash = RamFlash::new(size);
        if found == 0 {
            file.write_all(&flash.bytes).map_err(io)?;
        } else {
            let usable = usize::try_from(found)
                .ok()
                .filter(|n| *n >= MIN_SIZE && n.is_multiple_of(SECTOR) && *n <= 1 << 30);
            let Some(size) = usable else {
                return Err(FlashFileError::Size { file: name, found, min: MIN_SIZE });
            };
            flash.bytes.resize(size, 0xFF);
            file.read_exact(&mut flash.bytes).map_err(io)?;
        }
        flash.file = Some(file);
        Ok(flash)
    }

    /// Pages programmed since it was made.
    pub fn pages_programmed(&self) -> u64 {
        self.pages_programmed
    }

    /// Sectors erased since it was made.
    pub fn sectors_erased(&self) -> u64 {
        self.sectors_erased
    }

    fn keep(&mut self, from: usize, to: usize) -> Result<(), FlashFault> {
        let Some(file) = &mut self.file else { return Ok(()) };
        file.seek(SeekFrom::Start(from as u64))
            .and_then(|_| file.write_all(&self.bytes[from..to]))
            .map_err(|_| FlashFault::File)
    }
}

impl ErrorType for RamFlash {
    type Error = FlashFault;
}

impl ReadNorFlash for RamFlash {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), FlashFault> {
        check_read(self, offset, bytes.len()).map_err(FlashFault::Address)?;
        let from = offset as usize;
        bytes.copy_from_slice(&self.bytes[from..from + bytes.len()]);
        Ok(())
    }

    fn capacity(&self) -> usize {
        self.bytes.len()
    }
}

impl NorFlash for RamFlash {
    const WRITE_SIZE: usize = 1;
    const ERASE_SIZE: usize = SECTOR;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), FlashFault> {
        check_erase(self, from, to).map_err(FlashFault::Address)?;
        let (from, to) = (from as usize, to as usize);
        self.bytes[from..to].fill(0xFF);
        self.sectors_erased += ((to - from) / SECTOR) as u64;
        self.keep(from, to)
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), FlashFault> {
        check_write(self, offset, bytes.len()).map_err(FlashFault::Address)?;
        let (from, to) = (offset as usize, offset as usize + bytes.len());
        // Programming only clears bits.
        self.bytes[from..to].iter_mut().zip(bytes).for_each(|(cell, b)| *cell &= b);
        if from < to {
            self.pages_programmed += ((to - 1) / PAGE - from / PAGE + 1) as u64;
        }
        self.keep(from, to)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn writing_clears_bits_and_erasing_sets_sectors() {
        let mut f = RamFlash::new(64 << 10);
        f.write(300, &[0b1010_1111]).unwrap();
        f.write(300, &[0b1111_0110]).unwrap();
        let mut byte = [0];
        f.read(300, &mut byte).unwrap();
        assert_eq!(byte, [0b1010_0110]);
        f.write(PAGE as u32 - 1, &[0; 2]).unwrap();
        assert_eq!(f.pages_programmed(), 4);
        f.erase(0, SECTOR as u32).unwrap();
        f.read(300, &mut byte).unwrap();
        assert_eq!((byte, f.sectors_erased()), ([0xFF], 1));
        let misplaced = FlashFault::Address(NorFlashErrorKind::NotAligned);
        assert_eq!(f.erase(256, SECTOR as u32), Err(misplaced));
        let outside = FlashFault::Address(NorFlashErrorKind::OutOfBounds);
        assert_eq!(f.write(64 << 10, &[0]), Err(outside));
    }

    #[test]
    fn a_file_keeps_the_content_and_a_wrong_file_is_named() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("node.flash");
        RamFlash::on_file(&path, 64 << 10).unwrap().write(5000, b"kept").unwrap();
        let mut again = RamFlash::on_file(&path, 1 << 20).unwrap();
        let mut bytes = [0; 4];
        again.read(5000, &mut bytes).unwrap();
        assert_eq!((&bytes, again.capacity()), (b"kept", 64 << 10));
        std::fs::write(&path, b"not a flash").unwrap();
        let error = RamFlash::on_file(&path, 1 << 20).unwrap_err().to_string();
        assert!(error.contains("node.flash") && error.contains("11 bytes"), "{error}");
    }
}
