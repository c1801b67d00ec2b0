//! What the checks share: waveforms and logs with a truth in closed form, the program itself.

pub mod alarmed;
pub mod browser;
pub mod capacitor_years;
pub mod feeder_year;
pub mod made_log;
pub mod made_plant;
pub mod made_records;
pub mod made_store;
pub mod odd_waves;
pub mod program;
pub mod rough_plant;
pub mod watching;
pub mod waveform;
