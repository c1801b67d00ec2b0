//! One flash for two users in one context: the node that writes its log, and the board that
//! looks whether an erase still runs before it lets the node touch the flash again.

use core::cell::RefCell;
use embedded_storage::nor_flash::{
    ErrorType, NorFlash, NorFlashError, NorFlashErrorKind, ReadNorFlash,
};

/// Why a shared flash refuses.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SharedError<E> {
    /// The other user is just using it.
    InUse,
    /// The flash itself refuses.
    Flash(E),
}

impl<E: NorFlashError> NorFlashError for SharedError<E> {
    fn kind(&self) -> NorFlashErrorKind {
        match self {
            SharedError::InUse => NorFlashErrorKind::Other,
            SharedError::Flash(e) => e.kind(),
        }
    }
}

/// A flash behind a shared reference.
#[derive(Debug)]
pub struct Shared<'a, F> {
    flash: &'a RefCell<F>,
    capacity: usize,
}

impl<'a, F: NorFlash> Shared<'a, F> {
    /// Takes the reference; `None` while the flash is in use.
    pub fn new(flash: &'a RefCell<F>) -> Option<Self> {
        let capacity = flash.try_borrow().ok()?.capacity();
        Some(Shared { flash, capacity })
    }

    fn with<T>(
        &self,
        act: impl FnOnce(&mut F) -> Result<T, F::Error>,
    ) -> Result<T, SharedError<F::Error>> {
        let mut flash = self.flash.try_borrow_mut().map_err(|_| SharedError::InUse)?;
        act(&mut flash).map_err(SharedError::Flash)
    }
}

impl<F: NorFlash> ErrorType for Shared<'_, F> {
    type Error = SharedError<F::Error>;
}

impl<F: NorFlash> ReadNorFlash for Shared<'_, F> {
    const READ_SIZE: usize = F::READ_SIZE;

    fn read(&mut self, offset: u32, bytes: &mut [u8]) -> Result<(), Self::Error> {
        self.with(|flash| flash.read(offset, bytes))
    }

    fn capacity(&self) -> usize {
        self.capacity
    }
}

impl<F: NorFlash> NorFlash for Shared<'_, F> {
    const WRITE_SIZE: usize = F::WRITE_SIZE;
    const ERASE_SIZE: usize = F::ERASE_SIZE;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), Self::Error> {
        self.with(|flash| flash.erase(from, to))
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), Self::Error> {
        self.with(|flash| flash.write(offset, bytes))
    }
}
