//! Settings in two alternating slots, each a sector with a generation number and a CRC.
//! A write goes to the slot that is not in force; a cut leaves the other one.

use embedded_storage::nor_flash::NorFlash;
use wattless_core::record::CRC;
use wattless_core::settings::{SETTINGS_FORMAT, SETTINGS_MAX, Settings};

/// Bytes of a slot that are used; a whole number of flash pages.
const SLOT: usize = 512;

const HEADER: usize = 8;

const _: () = assert!(HEADER + SETTINGS_MAX + 4 <= SLOT);

/// The flash failed, or did not keep what was written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct StorageError;

/// Two slots, one sector each.
#[derive(Debug)]
pub struct SettingsSlots {
    start: u32,
    /// Slot in force and its generation.
    current: Option<(u8, u32)>,
}

impl SettingsSlots {
    /// Bytes that the slots take in a flash with this erase size.
    pub const fn len(erase_size: usize) -> u32 {
        2 * erase_size as u32
    }

    /// Finds the newest sound slot; `start` is a multiple of the erase size.
    pub fn open<F: NorFlash>(
        flash: &mut F,
        start: u32,
    ) -> Result<(SettingsSlots, Option<Settings>), StorageError> {
        let mut slots = SettingsSlots { start, current: None };
        let mut found = None;
        for slot in 0..2u8 {
            if let Some((generation, settings)) = slots.read(flash, slot)?
                && slots.current.is_none_or(|(_, g)| generation > g)
            {
                slots.current = Some((slot, generation));
                found = Some(settings);
            }
        }
        Ok((slots, found))
    }

    /// Stores settings that have passed their checks.
    pub fn write<F: NorFlash>(
        &mut self,
        flash: &mut F,
        settings: &Settings,
    ) -> Result<(), StorageError> {
        let (slot, generation) = match self.current {
            Some((slot, generation)) => (1 - slot.min(1), generation.saturating_add(1)),
            None => (0, 1),
        };
        let mut bytes = [0xFFu8; SLOT];
        let (head, room) = bytes.split_at_mut(HEADER);
        let room_len = room.len() - 4;
        let body = room.get_mut(..room_len).ok_or(StorageError)?;
        let body_len = postcard::to_slice(settings, body).map_err(|_| StorageError)?.len();
        let [l0, l1, ..] = (body_len as u32).to_le_bytes();
        let [g0, g1, g2, g3] = generation.to_le_bytes();
        head.copy_from_slice(&[SETTINGS_FORMAT, 0, l0, l1, g0, g1, g2, g3]);
        let end = HEADER + body_len;
        let sum = CRC.checksum(bytes.get(..end).ok_or(StorageError)?).to_le_bytes();
        bytes.get_mut(end..end + 4).ok_or(StorageError)?.copy_from_slice(&sum);
        let address = self.address::<F>(slot);
        flash.erase(address, address + F::ERASE_SIZE as u32).map_err(|_| StorageError)?;
        flash.write(address, &bytes).map_err(|_| StorageError)?;
        match self.read(flash, slot)? {
            Some((g, back)) if g == generation && back == *settings => {
                self.current = Some((slot, generation));
                Ok(())
            }
            _ => Err(StorageError),
        }
    }

    fn address<F: NorFlash>(&self, slot: u8) -> u32 {
        self.start + u32::from(slot) * F::ERASE_SIZE as u32
    }

    fn read<F: NorFlash>(
        &self,
        flash: &mut F,
        slot: u8,
    ) -> Result<Option<(u32, Settings)>, StorageError> {
        let mut bytes = [0u8; SLOT];
        flash.read(self.address::<F>(slot), &mut bytes).map_err(|_| StorageError)?;
        Ok(parse(&bytes))
    }
}

/// Reads a slot; `None` when it is blank, damaged, or of another format.
fn parse(bytes: &[u8; SLOT]) -> Option<(u32, Settings)> {
    let (head, _) = bytes.split_first_chunk::<HEADER>()?;
    let [format, _, l0, l1, g0, g1, g2, g3] = *head;
    let end = HEADER + usize::from(u16::from_le_bytes([l0, l1]));
    let sum = bytes.get(end..)?.first_chunk::<4>()?;
    if CRC.checksum(bytes.get(..end)?) != u32::from_le_bytes(*sum) {
        return None;
    }
    let settings = Settings::from_stored(format, bytes.get(HEADER..end)?)?;
    settings.check().ok()?;
    Some((u32::from_le_bytes([g0, g1, g2, g3]), settings))
}
