//! What several checks share.

pub mod made_log;
