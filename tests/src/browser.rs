//! A headless Chromium, driven over its DevTools protocol.

use serde_json::{Value, json};
use std::io::{BufRead, BufReader};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};
use tungstenite::stream::MaybeTlsStream;
use tungstenite::{Message, WebSocket};

/// Longest wait for anything: test machines may be busy.
const LONGEST: Duration = Duration::from_secs(120);

/// Names under which systems know it.
const NAMES: [&str; 3] = ["chromium", "chromium-browser", "google-chrome"];

/// A browser with one page, ended when this goes out of scope.
pub struct Browser {
    child: Child,
    socket: WebSocket<MaybeTlsStream<TcpStream>>,
    session: String,
    number: u64,
    /// Events of the protocol, oldest first.
    pub events: Vec<Value>,
    _profile: tempfile::TempDir,
}

impl Browser {
    /// Starts a browser with an empty page.
    ///
    /// Panics where there is none: a check of the page must not pass without it.
    pub fn open() -> Browser {
        let profile = tempfile::tempdir().expect("a folder for the profile");
        let start = |name: &str| {
            Command::new(name)
                .args(["--headless=new", "--no-sandbox", "--disable-gpu", "--no-first-run"])
                .args(["--disable-dev-shm-usage", "--remote-debugging-port=0", "about:blank"])
                .arg(format!("--user-data-dir={}", profile.path().display()))
                .stdout(Stdio::null())
                .stderr(Stdio::piped())
                .spawn()
                .ok()
        };
        let mut child = NAMES
            .into_iter()
            .find_map(start)
            .expect("chromium is missing; install the package chromium");
        let mut lines = BufReader::new(child.stderr.take().expect("piped")).lines();
        let address = lines
            .by_ref()
            .map_while(Result::ok)
            .find_map(|line| line.split("listening on ").nth(1).map(str::to_owned))
            .expect("chromium says where it listens");
        // The pipe stays open and empty, or the browser would stop at its next word.
        std::thread::spawn(move || lines.map_while(Result::ok).count());
        let (socket, _) = tungstenite::connect(address.trim()).expect("chromium answers");
        if let MaybeTlsStream::Plain(stream) = socket.get_ref() {
            stream.set_read_timeout(Some(LONGEST)).expect("a socket");
        }
        let mut browser = Browser {
            child,
            socket,
            session: String::new(),
            number: 0,
            events: Vec::new(),
            _profile: profile,
        };
        let target = browser.call("Target.createTarget", json!({ "url": "about:blank" }));
        let attach = json!({ "targetId": target["targetId"], "flatten": true });
        let session = browser.call("Target.attachToTarget", attach);
        browser.session = session["sessionId"].as_str().expect("a session").to_owned();
        for domain in ["Page.enable", "Network.enable", "Runtime.enable", "Log.enable"] {
            browser.call(domain, json!({}));
        }
        browser
    }

    /// Calls a method of the protocol.
    pub fn call(&mut self, method: &str, params: Value) -> Value {
        self.number += 1;
        let mut request = json!({ "id": self.number, "method": method, "params": params });
        if !self.session.is_empty() {
            request["sessionId"] = self.session.as_str().into();
        }
        self.socket.send(Message::text(request.to_string())).expect("chromium listens");
        loop {
            let message = self.read();
            if message["id"] == self.number {
                assert!(message.get("error").is_none(), "{method}: {message}");
                return message["result"].clone();
            }
            self.events.push(message);
        }
    }

    fn read(&mut self) -> Value {
        loop {
            if let Message::Text(text) = self.socket.read().expect("chromium is alive") {
                return serde_json::from_str(&text).expect("JSON");
            }
        }
    }

    /// Makes the screen that large, in CSS pixels, in the dark or in the light.
    pub fn screen(&mut self, width: u32, height: u32, dark: bool) {
        let size =
            json!({ "width": width, "height": height, "deviceScaleFactor": 1, "mobile": true });
        self.call("Emulation.setDeviceMetricsOverride", size);
        let scheme = if dark { "dark" } else { "light" };
        let feature = json!({ "name": "prefers-color-scheme", "value": scheme });
        self.call("Emulation.setEmulatedMedia", json!({ "features": [feature] }));
    }

    /// Goes to an address and waits until it is loaded.
    pub fn go(&mut self, url: &str) {
        self.events.clear();
        self.call("Page.navigate", json!({ "url": url }));
        self.until("document.readyState === 'complete'", "the page is loaded");
    }

    /// Value of an expression in the page.
    pub fn run(&mut self, expression: &str) -> Value {
        let ask = json!({
            "expression": expression, "returnByValue": true, "awaitPromise": true,
        });
        let result = self.call("Runtime.evaluate", ask);
        assert!(result.get("exceptionDetails").is_none(), "{expression}: {result}");
        result["result"]["value"].clone()
    }

    /// Words of a place of the page.
    pub fn text(&mut self, id: &str) -> String {
        let value = self.run(&format!("document.getElementById('{id}').textContent"));
        value.as_str().unwrap_or_default().to_owned()
    }

    /// Waits until an expression is true.
    pub fn until(&mut self, expression: &str, what: &str) {
        let begin = Instant::now();
        while self.run(expression) != true {
            assert!(begin.elapsed() < LONGEST, "waited in vain until {what}");
            std::thread::sleep(Duration::from_millis(100));
        }
    }

    /// Presses a key such as `Tab` or `Enter`.
    pub fn press(&mut self, key: &str) {
        let code = if key == "Tab" { 9 } else { 13 };
        let text = if key == "Enter" { "\r" } else { "" };
        for kind in ["keyDown", "keyUp"] {
            let text = if kind == "keyDown" { text } else { "" };
            let event = json!({
                "type": kind, "key": key, "code": key, "windowsVirtualKeyCode": code, "text": text,
            });
            self.call("Input.dispatchKeyEvent", event);
        }
    }

    /// Keeps a picture of the whole page.
    pub fn picture(&mut self, file: &Path) {
        let how = json!({ "format": "png", "captureBeyondViewport": true });
        let shot = self.call("Page.captureScreenshot", how);
        let data = shot["data"].as_str().unwrap_or_default();
        let bytes = data_encoding::BASE64.decode(data.as_bytes()).expect("base 64");
        std::fs::write(file, bytes).expect("a picture can be written");
    }

    /// Bytes of everything that came over the net since the last address was gone to, and from where.
    pub fn loaded(&mut self) -> (f64, Vec<String>) {
        // A call takes in what is waiting.
        self.run("0");
        let of = |method: &str| {
            let method = method.to_owned();
            self.events.iter().filter(move |e| e["method"] == method.as_str())
        };
        let bytes = of("Network.dataReceived")
            .filter_map(|e| e["params"]["dataLength"].as_f64())
            .sum::<f64>();
        let from = of("Network.requestWillBeSent")
            .filter_map(|e| e["params"]["request"]["url"].as_str().map(str::to_owned));
        (bytes, from.collect())
    }

    /// What scripts and the browser complained about.
    pub fn complaints(&mut self) -> Vec<String> {
        self.run("0");
        let bad = |e: &&Value| {
            e["method"] == "Runtime.exceptionThrown"
                || (e["method"] == "Log.entryAdded" && e["params"]["entry"]["level"] == "error")
        };
        self.events.iter().filter(bad).map(ToString::to_string).collect()
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
