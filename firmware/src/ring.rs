//! The ring log: one record a page, its address computed from its sequence number.
//!
//! A sector is erased before its first page is written, and a start of the node
//! always opens a fresh sector: a page that a power cut left half written is
//! never written again, whatever it reads as. The sequence numbers skipped that
//! way are void, and the next record says how many there were.

use core::num::NonZeroU32;
use embedded_storage::nor_flash::NorFlash;
use wattless_core::record::{PAGE, Page, RecordError, check_page, page_seq};

/// Where the log lies in the flash.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Region {
    /// First byte; a multiple of the erase size.
    pub start: u32,
    /// Length in bytes; a multiple of the erase size.
    pub len: u32,
}

/// Why the log cannot do what it should.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum LogError {
    /// The region does not fit the flash, or its sizes do not fit pages.
    Region,
    /// The flash reported an error or did not keep what was written.
    Flash,
    /// All sequence numbers are used up.
    Full,
}

/// What a sequence number holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[allow(clippy::large_enum_variant, reason = "no heap to put the page on")]
pub enum Slot {
    /// A sound page.
    Page(Page),
    /// Nothing: left empty on purpose, or damaged by a power cut before it was confirmed.
    Void,
}

/// A ring of pages on a NOR flash.
#[derive(Debug)]
pub struct Ring {
    region: Region,
    /// Not zero, so that a remainder by it needs no check.
    sector_pages: NonZeroU32,
    slots: NonZeroU32,
    /// The next sequence number to be written.
    next: u32,
    /// Sequence numbers below this lie in sectors that are erased or written by this start.
    clean_until: u32,
    /// The lowest sequence number that was ever seen in this log.
    first: u32,
    /// Sequence numbers left empty since the last record.
    skipped: u32,
}

impl Ring {
    /// Looks through the flash for the newest record.
    ///
    /// Also returns its page. Reads a few bytes of every sector; writes nothing.
    pub fn open<F: NorFlash>(
        flash: &mut F,
        region: Region,
    ) -> Result<(Ring, Option<Page>), LogError> {
        let erase = F::ERASE_SIZE as u32;
        let page = PAGE as u32;
        let fits = erase >= page
            && erase.is_multiple_of(page)
            && PAGE.is_multiple_of(F::WRITE_SIZE)
            && PAGE.is_multiple_of(F::READ_SIZE)
            && region.start.is_multiple_of(erase)
            && region.len.is_multiple_of(erase)
            && region.len.checked_div(erase).is_some_and(|sectors| sectors >= 3)
            && u64::from(region.start) + u64::from(region.len) <= flash.capacity() as u64;
        let sizes = (NonZeroU32::new(erase / page), NonZeroU32::new(region.len / page));
        let (Some(sector_pages), Some(slots), true) = (sizes.0, sizes.1, fits) else {
            return Err(LogError::Region);
        };
        let mut ring =
            Ring { region, sector_pages, slots, next: 0, clean_until: 0, first: 0, skipped: 0 };
        let newest = ring.search(flash)?;
        Ok((ring, newest))
    }

    fn search<F: NorFlash>(&mut self, flash: &mut F) -> Result<Option<Page>, LogError> {
        let (mut newest, mut oldest): (Option<Page>, Option<u32>) = (None, None);
        let per_sector = self.sector_pages.get();
        for sector in 0..self.slots.get() / self.sector_pages {
            // The first sound page of a sector stands for it: later ones are newer.
            let first = sector.wrapping_mul(per_sector);
            for k in 0..per_sector {
                if let Slot::Page(page) = self.read_slot(flash, first.wrapping_add(k))? {
                    let seq = page_seq(&page);
                    oldest = Some(oldest.map_or(seq, |o| o.min(seq)));
                    if newest.as_ref().is_none_or(|n| page_seq(n) < seq) {
                        newest = Some(page);
                    }
                    break;
                }
            }
        }
        let Some(mut last) = newest else {
            return Ok(None);
        };
        let start = page_seq(&last);
        let sector_start = start.wrapping_sub(start % self.sector_pages);
        let sector_end = sector_start.saturating_add(per_sector);
        // Bits that a power cut left weak may read otherwise now: what was sound once counts.
        for seq in start.saturating_add(1)..sector_end {
            if let Slot::Page(page) = self.read_slot(flash, seq % self.slots)?
                && page_seq(&page) == seq
            {
                last = page;
            }
        }
        let newest = page_seq(&last);
        self.first = oldest.unwrap_or(0);
        self.next = sector_end;
        self.clean_until = self.next;
        self.skipped = self.next.saturating_sub(newest).saturating_sub(1);
        Ok(Some(last))
    }

    /// Reads a slot; a page whose number does not belong there counts as void.
    fn read_slot<F: NorFlash>(&self, flash: &mut F, slot: u32) -> Result<Slot, LogError> {
        let address = self.address(slot);
        let mut page = [0u8; PAGE];
        let (head, rest) = page.split_at_mut(16);
        flash.read(address, head).map_err(|_| LogError::Flash)?;
        // Blank flash is told by the first bytes: no format begins with 0xFF.
        if head.first() == Some(&0xFF) {
            return Ok(Slot::Void);
        }
        flash.read(address.wrapping_add(16), rest).map_err(|_| LogError::Flash)?;
        let sound = matches!(check_page(&page), Ok(()) | Err(RecordError::Version { .. }));
        Ok(if sound && page_seq(&page) % self.slots == slot {
            Slot::Page(page)
        } else {
            Slot::Void
        })
    }

    /// First byte of a slot; it lies in the flash, which the start has checked.
    fn address(&self, slot: u32) -> u32 {
        self.region.start.wrapping_add(slot.wrapping_mul(PAGE as u32))
    }

    /// The oldest sequence number that may be held; equal to [`Ring::next`] when empty.
    pub fn oldest(&self) -> u32 {
        self.clean_until.saturating_sub(self.slots.get()).max(self.first).min(self.next)
    }

    /// The next sequence number to be written.
    pub fn next(&self) -> u32 {
        self.next
    }

    /// How many records the ring holds at least, once full.
    pub fn capacity(&self) -> u32 {
        // Two sectors may be erased ahead of need.
        self.slots.get().saturating_sub(self.sector_pages.get().saturating_mul(2))
    }

    /// Sequence numbers left empty just before the next one.
    pub fn skipped(&self) -> u32 {
        self.skipped
    }

    /// Reads a sequence number between [`Ring::oldest`] and [`Ring::next`]; others are void.
    pub fn read<F: NorFlash>(&self, flash: &mut F, seq: u32) -> Result<Slot, LogError> {
        if seq < self.oldest() || seq >= self.next {
            return Ok(Slot::Void);
        }
        match self.read_slot(flash, seq % self.slots)? {
            Slot::Page(page) if page_seq(&page) == seq => Ok(Slot::Page(page)),
            _ => Ok(Slot::Void),
        }
    }

    /// Whether an erase should be done soon: the sector in use is half full.
    pub fn wants_erase(&self) -> bool {
        self.clean_until.saturating_sub(self.next) <= self.sector_pages.get() / 2
    }

    /// Erases the next sector ahead of need; loses the oldest records when the ring is full.
    pub fn erase_ahead<F: NorFlash>(&mut self, flash: &mut F) -> Result<(), LogError> {
        let sector_bytes = self.sector_pages.get().wrapping_mul(PAGE as u32);
        let start = self.address(self.clean_until % self.slots);
        let pages = self.sector_pages.get();
        let clean_until = self.clean_until.checked_add(pages).ok_or(LogError::Full)?;
        flash.erase(start, start.wrapping_add(sector_bytes)).map_err(|_| LogError::Flash)?;
        self.clean_until = clean_until;
        Ok(())
    }

    /// Writes the page of sequence number [`Ring::next`] and reads it back.
    ///
    /// When the flash did not keep it, the number stays void and the caller
    /// tries again with the next one.
    pub fn append<F: NorFlash>(&mut self, flash: &mut F, page: &Page) -> Result<(), LogError> {
        while self.next >= self.clean_until {
            self.erase_ahead(flash)?;
        }
        let next = self.next.checked_add(1).ok_or(LogError::Full)?;
        let address = self.address(self.next % self.slots);
        let written = flash.write(address, page);
        let mut back = [0u8; PAGE];
        let kept = written.is_ok() && flash.read(address, &mut back).is_ok() && back == *page;
        self.next = next;
        if kept {
            self.skipped = 0;
            Ok(())
        } else {
            self.skipped = self.skipped.saturating_add(1);
            Err(LogError::Flash)
        }
    }
}
