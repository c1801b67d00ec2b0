//! How the watch goes about it: the section `[watch]` of the site file, and what overrides it.

use super::alarm::AlarmTerms;
use serde::Deserialize;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};

/// Where readings are published by MQTT.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MqttTerms {
    /// Name or number of the broker.
    pub host: String,
    /// Its port.
    #[serde(default = "mqtt_port")]
    pub port: u16,
    /// What topics begin with.
    #[serde(default = "mqtt_topic")]
    pub topic: String,
    /// User name, if the broker asks for one.
    pub user: Option<String>,
    /// File that holds the password.
    pub password_file: Option<PathBuf>,
}

fn mqtt_port() -> u16 {
    1883
}

fn mqtt_topic() -> String {
    "wattless".to_owned()
}

/// The section `[watch]`.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct WatchTerms {
    /// Addresses of the nodes.
    pub nodes: Vec<String>,
    /// Seconds between two pulls of a node.
    pub pull_every_s: f64,
    /// Seconds between two live readings.
    pub live_every_s: f64,
    /// Where the page is served; not at all without it.
    pub listen: Option<SocketAddr>,
    /// File whose first line is the token that the page asks for; needed beyond loopback.
    pub token_file: Option<PathBuf>,
    /// Names under which the page is reached besides this computer's own, such as a proxy's.
    pub names: Vec<String>,
    /// Whether a node's clock is set when it is off by more than its alarm allows.
    pub set_clock: bool,
    /// Tariff file: what a correction has saved so far; not told without it.
    pub tariff: Option<PathBuf>,
    /// Where readings are published.
    pub mqtt: Option<MqttTerms>,
    /// Limits of the alarms.
    pub alarms: AlarmTerms,
}

impl Default for WatchTerms {
    fn default() -> Self {
        WatchTerms {
            nodes: Vec::new(),
            pull_every_s: 60.0,
            live_every_s: 1.0,
            listen: Some(SocketAddr::from(([127, 0, 0, 1], 8420))),
            token_file: None,
            names: Vec::new(),
            set_clock: true,
            tariff: None,
            mqtt: None,
            alarms: AlarmTerms::default(),
        }
    }
}

/// Why the terms cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum WatchTermsError {
    /// An entry makes no sense.
    #[error("[watch{section}] {key}: {cure}")]
    Entry {
        /// What follows `watch` in the heading.
        section: &'static str,
        /// The entry.
        key: &'static str,
        /// What to do.
        cure: &'static str,
    },
    /// The page is open to others and asks for nothing.
    #[error(
        "the page would be served at {0}, beyond this computer, without a token: \
         give token_file, or listen at 127.0.0.1"
    )]
    NoToken(SocketAddr),
    /// The token file cannot be read or is too short.
    #[error("token file {}: {what}; put at least 16 characters of \
        A-Z a-z 0-9 - . _ ~ into its first line", file.display())]
    Token {
        /// The file.
        file: PathBuf,
        /// What is wrong.
        what: String,
    },
    /// The broker's password cannot be read.
    #[error("password_file {}: {source}; check the path under [watch.mqtt]", file.display())]
    Password {
        /// The file.
        file: PathBuf,
        /// What the system says.
        source: std::io::Error,
    },
}

/// Fewest characters of a token.
const TOKEN_LENGTH: usize = 16;

/// Reads the token of a file.
pub fn read_token(file: &Path) -> Result<String, WatchTermsError> {
    let fail = |what: String| WatchTermsError::Token { file: file.to_owned(), what };
    let text = std::fs::read_to_string(file).map_err(|e| fail(e.to_string()))?;
    let token = text.lines().next().unwrap_or_default().trim();
    // What stands in an address, a header and a cookie without being changed on the way.
    let plain = |b: u8| b.is_ascii_alphanumeric() || b"-._~".contains(&b);
    if let Some(other) = token.chars().find(|c| !u8::try_from(*c).is_ok_and(plain)) {
        return Err(fail(format!("the token has a {other:?} in it")));
    }
    if token.len() < TOKEN_LENGTH {
        return Err(fail(format!("the token has {} characters", token.len())));
    }
    Ok(token.to_owned())
}

impl WatchTerms {
    /// Checks what the file's grammar cannot.
    pub fn check(&self) -> Result<(), WatchTermsError> {
        let whole = |key, cure| Err(WatchTermsError::Entry { section: "", key, cure });
        if !(self.pull_every_s >= 1.0 && self.pull_every_s <= 86_400.0) {
            return whole("pull_every_s", "give 1 to 86400 seconds");
        }
        if !(self.live_every_s >= 0.2 && self.live_every_s <= 3600.0) {
            return whole("live_every_s", "give 0.2 to 3600 seconds");
        }
        if let Some((key, cure)) = self.alarms.fault() {
            return Err(WatchTermsError::Entry { section: ".alarms", key, cure });
        }
        if let Some(at) = self.listen
            && !at.ip().is_loopback()
            && self.token_file.is_none()
        {
            return Err(WatchTermsError::NoToken(at));
        }
        Ok(())
    }
}
