//! analyse
