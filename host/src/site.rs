//! The site file: what cannot be measured.
