//! How the watch goes about it: the section `[watch]` of the site file, and what overrides it.

use super::alarm::AlarmTerms;
use crate::collect::address::Address;
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

/// Longest beginning of a topic, in bytes; MQTT allows 65535 for the whole.
const TOPIC_BYTES: usize = 200;

impl MqttTerms {
    /// The first entry that makes no sense, with what to do.
    fn fault(&self) -> Option<(&'static str, &'static str)> {
        let blank = |c: char| c.is_whitespace() || c.is_control();
        // Wildcards are for those who subscribe (MQTT 3.1.1, 4.7.1); what begins with a dollar
        // sign is the broker's own (4.7.2).
        let parts = || self.topic.split('/');
        let topic = self.topic.len() <= TOPIC_BYTES
            && !self.topic.starts_with('$')
            && !self.topic.contains(|c: char| "+#".contains(c) || c.is_control())
            && parts().all(|part| !part.is_empty());
        let all = [
            (
                "host",
                !self.host.is_empty() && !self.host.contains(blank) && !self.host.contains("://"),
                "give the broker's name or number alone, such as \"broker.example\"",
            ),
            ("port", self.port > 0, "give 1 to 65535; brokers listen at 1883 as a rule"),
            (
                "topic",
                topic,
                "give words with / between, without + and #, such as \"plant/feeder\"",
            ),
            (
                "password_file",
                self.password_file.is_none() || self.user.is_some(),
                "give user as well: a password is sent with a user name only",
            ),
        ];
        all.into_iter().find(|(_, well, _)| !well).map(|(key, _, cure)| (key, cure))
    }

    /// The password of its file, if there is one.
    pub fn password(&self) -> Result<Option<String>, WatchTermsError> {
        let Some(file) = &self.password_file else { return Ok(None) };
        match std::fs::read_to_string(file) {
            Ok(text) => Ok(Some(text.trim_end().to_owned())),
            Err(source) => Err(WatchTermsError::Password { file: file.clone(), source }),
        }
    }
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
    /// A node's address makes no sense, or is there twice.
    #[error("[watch] nodes: {0}")]
    Nodes(String),
    /// The password of the broker cannot be read.
    #[error(
        "cannot read the password of the broker, {}: {source}; \
         check password_file under [watch.mqtt], and who may read the file", file.display()
    )]
    Password {
        /// The file.
        file: PathBuf,
        /// What the system says.
        source: std::io::Error,
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
}

impl WatchTermsError {
    /// The way to the entry in the site file, if it is one.
    pub fn entry(&self) -> Option<[&'static str; 3]> {
        Some(match self {
            WatchTermsError::Entry { section: "", key, .. } => ["watch", key, ""],
            WatchTermsError::Entry { section, key, .. } => {
                ["watch", section.trim_start_matches('.'), key]
            }
            WatchTermsError::Nodes(_) => ["watch", "nodes", ""],
            WatchTermsError::NoToken(_) => ["watch", "listen", ""],
            _ => return None,
        })
    }
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
        let part = |c: char| c.is_ascii_alphanumeric() || ".-_".contains(c);
        if !self.names.iter().all(|name| !name.is_empty() && name.chars().all(part)) {
            return whole("names", "give names alone, without port, such as \"monitor.example\"");
        }
        addresses(&self.nodes)?;
        if let Some((key, cure)) = self.mqtt.as_ref().and_then(MqttTerms::fault) {
            return Err(WatchTermsError::Entry { section: ".mqtt", key, cure });
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

    /// Files that are named without a folder of their own lie beside the site file.
    pub fn beside(&mut self, folder: &Path) {
        let password = self.mqtt.as_mut().and_then(|m| m.password_file.as_mut());
        for file in [self.token_file.as_mut(), self.tariff.as_mut(), password].into_iter().flatten()
        {
            *file = folder.join(&*file);
        }
    }
}

/// The addresses of nodes; none twice.
pub fn addresses(texts: &[String]) -> Result<Vec<Address>, WatchTermsError> {
    let mut all: Vec<Address> = Vec::with_capacity(texts.len());
    for text in texts {
        let fault = |e: &dyn std::fmt::Display| WatchTermsError::Nodes(e.to_string());
        let address: Address = text.parse().map_err(|e| fault(&e))?;
        if all.contains(&address) {
            return Err(fault(&format!("{address} is there twice; give each node one address")));
        }
        all.push(address);
    }
    Ok(all)
}

#[cfg(test)]
mod tests {
    use crate::site::Site;
    use std::path::Path;

    fn message(text: &str) -> String {
        match Site::parse(text, Path::new("site.toml")) {
            Ok(_) => "it is taken".to_owned(),
            Err(e) => e.to_string(),
        }
    }

    /// Every entry that makes no sense is named with its line, and what to do.
    #[test]
    fn a_wrong_entry_is_named_with_its_line() {
        for (section, entry, word) in [
            ("watch", "pull_every_s = -5", "give 1 to 86400 seconds"),
            ("watch", "pull_every_s = nan", "give 1 to 86400 seconds"),
            ("watch", "live_every_s = 0", "give 0.2 to 3600 seconds"),
            ("watch", "names = [\"a b\"]", "names alone"),
            ("watch", "names = [\"\"]", "names alone"),
            ("watch", "nodes = [\"bogus:host\"]", "is not the address of a node"),
            ("watch", "nodes = [\"tcp:a:1\", \"tcp:a:1\"]", "is there twice"),
            ("watch", "listen = \"0.0.0.0:8420\"", "without a token"),
            ("watch", "listen = \"localhost\"", "invalid socket address"),
            ("watch", "pull_evry_s = 5", "unknown field `pull_evry_s`"),
            ("watch", "set_clock = \"no\"", "expected a boolean"),
            ("watch.mqtt", "host = \"\"", "the broker's name"),
            ("watch.mqtt", "host = \"mqtt://a\"", "the broker's name"),
            ("watch.mqtt", "host = \"a\"\nport = 0", "give 1 to 65535"),
            ("watch.mqtt", "host = \"a\"\nport = 70000", "expected a whole number up to 65535"),
            ("watch.mqtt", "host = \"a\"\ntopic = \"\"", "words with / between"),
            ("watch.mqtt", "host = \"a\"\ntopic = \"a/#\"", "words with / between"),
            ("watch.mqtt", "host = \"a\"\ntopic = \"/a\"", "words with / between"),
            ("watch.mqtt", "host = \"a\"\npassword_file = \"p\"", "give user as well"),
            ("watch.alarms", "hold_s = 1e300", "give seconds above 0, up to a day"),
            ("watch.alarms", "hold_s = inf", "give seconds above 0, up to a day"),
            ("watch.alarms", "clock_s = 0", "give seconds above 0, up to a day"),
            ("watch.alarms", "silent_s = 0.5", "give 1 second to a week"),
            ("watch.alarms", "voltage_band_pct = 400", "give percent above 0 and below 50"),
            ("watch.alarms", "overload_pct = 1", "give 50 to 1000 percent"),
            ("watch.alarms", "rated_a = 1e-9", "give 0.1 to 100000 amperes"),
            ("watch.alarms", "demand_limit_kw = -1", "give kW above 0"),
            ("watch.alarms", "power_factor_intervals = 5000", "give 1 to 96"),
            ("watch.alarms", "switched = true", "give units_kvar as well"),
            ("watch.alarms", "slow_loss_share = 0", "give a share above 0, up to 1"),
            ("watch.alarms", "units_kvar = 5", "expected a sequence"),
        ] {
            let text = format!("name = \"Brackwater Joinery\"\n\n[{section}]\n{entry}\n");
            let line = 3 + entry.lines().count();
            let said = message(&text);
            assert!(said.starts_with(&format!("site.toml, line {line}: ")), "{entry}: {said}");
            assert!(said.contains(word), "{entry}: {said}");
        }
        assert!(message("watch = 5").contains("expected a section"), "{}", message("watch = 5"));
        assert!(message("[watch.mqtt]\nport = 5").contains("missing field `host`"));
    }

    #[test]
    fn files_lie_beside_the_site_file_unless_they_say_where() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("site.toml");
        let text = "[watch]\ntoken_file = \"token\"\n[watch.mqtt]\nhost = \"a\"\nuser = \"u\"\n\
                    password_file = \"/etc/wattless/password\"\n";
        std::fs::write(&file, text).unwrap();
        let watch = Site::load(&file).unwrap().watch;
        assert_eq!(watch.token_file, Some(folder.path().join("token")));
        let mqtt = watch.mqtt.unwrap();
        assert_eq!(mqtt.password_file.as_deref(), Some(Path::new("/etc/wattless/password")));
        assert!(mqtt.password().unwrap_err().to_string().contains("password_file"));
    }
}
