//! The storing side: finished intervals become records in the flash, settings are kept.

use crate::ring::{LogError, Region, Ring, Slot};
use crate::sampler::Finished;
use crate::settings::{SettingsSlots, StorageError};
use embedded_storage::nor_flash::NorFlash;
use wattless_core::chain;
use wattless_core::flags::Flags;
use wattless_core::interval::Energies;
use wattless_core::record::{Page, Record, Stamp, WallQuality};
use wattless_core::settings::Settings;
use wattless_core::wire::{LogBounds, LogHead};

/// Why a node cannot start on a flash.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum StartError {
    /// The flash is too small, or its page and sector sizes do not suit the log.
    Flash(LogError),
    /// The settings could not be read.
    Settings(StorageError),
    /// The sample rate does not suit the meter.
    SampleRate,
}

impl core::fmt::Display for StartError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str(match self {
            StartError::Flash(LogError::Region) => {
                "the flash is too small, or its page and sector sizes do not suit the log"
            }
            StartError::Flash(_) | StartError::Settings(_) => "the flash cannot be read",
            StartError::SampleRate => "the sample rate does not suit the meter",
        })
    }
}

impl core::error::Error for StartError {}

/// Where the wall time stands.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Wall {
    /// Wall clock minus uptime, in milliseconds.
    pub offset_ms: Option<i64>,
    /// Where it comes from.
    pub quality: WallQuality,
}

impl Wall {
    /// Unix milliseconds at an uptime.
    pub fn at(&self, uptime_ms: u64) -> Option<u64> {
        let wall = self.offset_ms?.checked_add(i64::try_from(uptime_ms).ok()?)?;
        u64::try_from(wall).ok()
    }
}

/// Log and settings of a node on its flash.
#[derive(Debug)]
pub struct Keeper<F> {
    flash: F,
    ring: Ring,
    slots: SettingsSlots,
    has_settings: bool,
    boot: u32,
    first_flags: Flags,
    write_failures: u32,
    head: LogHead,
}

/// What a flash told at the start.
#[derive(Clone, Debug)]
pub struct Found {
    /// Settings in force, or the defaults.
    pub settings: Settings,
    /// Energy counters of the newest record.
    pub energies: Energies,
}

impl<F: NorFlash> Keeper<F> {
    /// Reads what an earlier start left; settings take the first two sectors, the log the rest.
    ///
    /// The chain over the log begins with the node's number and goes on from the newest record.
    pub fn open(mut flash: F, node_id: u64) -> Result<(Keeper<F>, Found), StartError> {
        let settings_len = SettingsSlots::len(F::ERASE_SIZE);
        let capacity = u32::try_from(flash.capacity()).unwrap_or(u32::MAX);
        let len = capacity.saturating_sub(settings_len);
        let region = Region {
            start: settings_len,
            len: len - len.checked_rem(F::ERASE_SIZE as u32).unwrap_or(0),
        };
        // The ring checks the flash's sizes before anything reads settings from it.
        let (ring, newest) = Ring::open(&mut flash, region).map_err(StartError::Flash)?;
        let (slots, settings) = SettingsSlots::open(&mut flash, 0).map_err(StartError::Settings)?;
        let newest = newest.and_then(|page| Record::decode(&page).ok());
        // A record of format 1 has no tag: the chain begins anew behind it.
        let tagged = newest.as_ref().filter(|r| r.version > 1);
        let head = LogHead {
            seq: newest.as_ref().map(|r| r.seq),
            tag: tagged.map_or_else(|| chain::first_tag(node_id), |r| r.tag),
        };
        let mut first_flags = Flags::BOOTED;
        first_flags.insert_if(newest.is_none(), Flags::ENERGY_RESTARTED);
        let keeper = Keeper {
            flash,
            ring,
            slots,
            has_settings: settings.is_some(),
            boot: newest.as_ref().map_or(1, |r| r.boot.saturating_add(1)),
            first_flags,
            write_failures: 0,
            head,
        };
        let energies =
            newest.map_or(Energies::default(), |r| Energies::from_counts(&r.energy_counts));
        Ok((keeper, Found { settings: settings.unwrap_or_default(), energies }))
    }

    /// The record that [`Keeper::store`] would write now, and its page.
    pub fn prepare(&self, finished: &Finished, wall: &Wall) -> (Record, Page) {
        let stamp = Stamp {
            seq: self.ring.next(),
            boot: self.boot,
            uptime_ms: finished.uptime_ms,
            wall_ms: wall.at(finished.uptime_ms).unwrap_or(0),
            wall_quality: wall.quality,
            void_before: u8::try_from(self.ring.skipped()).unwrap_or(u8::MAX),
            frames_lost: finished.frames_lost,
        };
        let mut record = Record::new(
            &finished.summary,
            &stamp,
            &finished.energies,
            finished.wiring,
            finished.nominal,
        );
        record.flags.insert(self.first_flags);
        record.flags.insert_if(!self.has_settings, Flags::UNCALIBRATED);
        let mut page = record.encode();
        record.tag = chain::append(&self.head.tag, &mut page);
        (record, page)
    }

    /// Writes a finished interval and returns its sequence number; then it may be forgotten.
    ///
    /// A page that the flash did not keep stays void; the caller tries again.
    pub fn store(&mut self, finished: &Finished, wall: &Wall) -> Result<u32, LogError> {
        let (record, page) = self.prepare(finished, wall);
        match self.ring.append(&mut self.flash, &page) {
            Ok(()) => {
                self.first_flags = Flags::NONE;
                self.head = LogHead { seq: Some(record.seq), tag: record.tag };
                Ok(record.seq)
            }
            Err(e) => {
                self.write_failures = self.write_failures.saturating_add(1);
                Err(e)
            }
        }
    }

    /// Erases ahead of need, when it is time for that; `true` when it did.
    pub fn tidy(&mut self) -> Result<bool, LogError> {
        if !self.ring.wants_erase() {
            return Ok(false);
        }
        self.ring.erase_ahead(&mut self.flash)?;
        Ok(true)
    }

    /// Keeps settings that have passed their checks.
    pub fn keep_settings(&mut self, settings: &Settings) -> Result<(), StorageError> {
        self.slots.write(&mut self.flash, settings)?;
        self.has_settings = true;
        Ok(())
    }

    /// Reads one sequence number.
    pub fn read(&mut self, seq: u32) -> Result<Slot, LogError> {
        self.ring.read(&mut self.flash, seq)
    }

    /// Which sequence numbers the log holds.
    pub fn bounds(&self) -> LogBounds {
        LogBounds {
            oldest: self.ring.oldest(),
            next: self.ring.next(),
            capacity: self.ring.capacity(),
        }
    }

    /// Where the chain over the log stands.
    pub fn head(&self) -> LogHead {
        self.head
    }

    /// Number of this start.
    pub fn boot(&self) -> u32 {
        self.boot
    }

    /// Records that could not be written since the start.
    pub fn write_failures(&self) -> u32 {
        self.write_failures
    }

    /// Whether settings were ever stored.
    pub fn has_settings(&self) -> bool {
        self.has_settings
    }

    /// Gives the flash back, as a power cut would leave it.
    pub fn into_flash(self) -> F {
        self.flash
    }
}
