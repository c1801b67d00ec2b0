//! present
