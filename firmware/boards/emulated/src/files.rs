//! Files of the machine that runs the emulator, by semihosting: samples in, flash both ways.

use cortex_m_semihosting::{nr, syscall};
use embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashError, NorFlashErrorKind, ReadNorFlash, check_erase, check_read,
    check_write,
};
use wattless_core::frame::{ACTIVE, CHANNELS, Frame};

/// Bytes of a sector.
const SECTOR: usize = 4096;

/// Bytes of a frame in the file.
const FRAME_BYTES: usize = 3 * ACTIVE;

/// Opens for reading, as `fopen` mode "rb".
const MODE_READ: usize = 1;

/// Opens for reading and writing, as `fopen` mode "r+b".
const MODE_BOTH: usize = 3;

/// An open file.
struct File(usize);

impl File {
    /// Opens a file whose name ends in a zero byte.
    fn open(name: &[u8], mode: usize) -> Option<File> {
        let length = name.len().checked_sub(1)?;
        // SAFETY: the host reads `length` bytes of a name that outlives the call.
        let handle = unsafe { syscall!(OPEN, name.as_ptr(), mode, length) };
        (handle != usize::MAX).then_some(File(handle))
    }

    /// Reads; gives the number of bytes that came.
    fn read(&self, into: &mut [u8]) -> usize {
        // SAFETY: the host writes at most `len` bytes into a buffer that is borrowed for the call.
        let missing = unsafe { syscall!(READ, self.0, into.as_mut_ptr(), into.len()) };
        into.len().saturating_sub(missing)
    }

    fn write(&self, from: &[u8]) -> bool {
        // SAFETY: the host reads `len` bytes of a buffer that is borrowed for the call.
        let missing = unsafe { syscall!(WRITE, self.0, from.as_ptr(), from.len()) };
        missing == 0
    }

    fn seek(&self, position: usize) -> bool {
        // SAFETY: no memory is passed.
        unsafe { syscall!(SEEK, self.0, position) == 0 }
    }

    fn len(&self) -> usize {
        // SAFETY: no memory is passed.
        unsafe { syscall!(FLEN, self.0) }
    }
}

/// The words after the program's name, as the emulator was given them.
pub fn command_line(buffer: &mut [u8]) -> Option<&[u8]> {
    let mut block = [buffer.as_mut_ptr() as usize, buffer.len()];
    // SAFETY: the block names a buffer that is borrowed for the call, and its length.
    let failed =
        unsafe { cortex_m_semihosting::syscall1(nr::GET_CMDLINE, block.as_mut_ptr() as usize) };
    // The compiler cannot see that the host has changed the block.
    // SAFETY: it is a local array.
    let [_, length] = unsafe { core::ptr::read_volatile(&block) };
    let text = buffer.get(..length)?;
    (failed == 0).then(|| text.strip_suffix(&[0]).unwrap_or(text))
}

/// Frames from `samples.bin`.
pub struct SampleFile(File);

impl SampleFile {
    /// Opens the file.
    pub fn open() -> Option<SampleFile> {
        File::open(b"samples.bin\0", MODE_READ).map(SampleFile)
    }

    /// Reads up to as many frames as there is room for; 0 at the end.
    pub fn read(&mut self, frames: &mut [Frame]) -> usize {
        let mut bytes = [0u8; 160 * FRAME_BYTES];
        let wanted = (frames.len() * FRAME_BYTES).min(bytes.len());
        let mut came = 0;
        while came < wanted {
            let Some(rest) = bytes.get_mut(came..wanted) else { break };
            let n = self.0.read(rest);
            if n == 0 {
                break;
            }
            came += n;
        }
        let (records, _) = bytes.get(..came).unwrap_or_default().as_chunks::<FRAME_BYTES>();
        for (frame, record) in frames.iter_mut().zip(records) {
            let mut counts = [0; CHANNELS];
            let (words, _) = record.as_chunks::<3>();
            for (count, &[a, b, c]) in counts.iter_mut().zip(words) {
                *count = i32::from_le_bytes([0, a, b, c]) >> 8;
            }
            *frame = Frame::new(counts);
        }
        records.len()
    }
}

/// A NOR flash in `flash.bin`; programming only clears bits.
pub struct FlashFile {
    file: File,
    capacity: usize,
}

/// Why the flash refuses.
#[derive(Clone, Copy, Debug)]
pub enum FlashFault {
    /// Address or length do not suit.
    Address(NorFlashErrorKind),
    /// The file cannot be read or written.
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

impl FlashFile {
    /// Opens the file; its length is the flash's.
    pub fn open() -> Option<FlashFile> {
        let file = File::open(b"flash.bin\0", MODE_BOTH)?;
        let capacity = file.len();
        Some(FlashFile { file, capacity })
    }

    fn at(&self, offset: u32, done: impl FnOnce(&File) -> bool) -> Result<(), FlashFault> {
        let good = self.file.seek(offset as usize) && done(&self.file);
        good.then_some(()).ok_or(FlashFault::File)
    }
}

impl ErrorType for FlashFile {
    type Error = FlashFault;
}

impl ReadNorFlash for FlashFile {
    const READ_SIZE: usize = 1;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), FlashFault> {
        check_read(self, offset, bytes.len()).map_err(FlashFault::Address)?;
        self.at(offset, |file| file.read(bytes) == bytes.len())
    }

    fn capacity(&self) -> usize {
        self.capacity
    }
}

impl NorFlash for FlashFile {
    const WRITE_SIZE: usize = 1;
    const ERASE_SIZE: usize = SECTOR;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), FlashFault> {
        check_erase(self, from, to).map_err(FlashFault::Address)?;
        for sector in (from..to).step_by(SECTOR) {
            self.at(sector, |file| file.write(&[0xFF; SECTOR]))?;
        }
        Ok(())
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), FlashFault> {
        check_write(self, offset, bytes.len()).map_err(FlashFault::Address)?;
        let mut at = offset;
        for part in bytes.chunks(256) {
            let mut cells = [0u8; 256];
            let cells = cells.get_mut(..part.len()).unwrap_or_default();
            self.at(at, |file| file.read(cells) == cells.len())?;
            cells.iter_mut().zip(part).for_each(|(cell, b)| *cell &= b);
            self.at(at, |file| file.write(cells))?;
            at += part.len() as u32;
        }
        Ok(())
    }
}
