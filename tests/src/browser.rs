//! Debian's chromium without a window, driven through its WebDriver (W3C, 2018) on loopback.

use std::{
    fs,
    path::Path,
    process::{Child, Command, Stdio},
    time::Duration,
};

use serde_json::{Value, json};

use crate::{free_port, wait_for};

/// The key under which WebDriver names an element (W3C WebDriver, section 12.1).
const ELEMENT: &str = "element-6066-11e4-a52e-4f735466cecf";
/// A key that moves the focus, and one that presses what has it (W3C WebDriver, section 17.4.2).
pub const TAB: &str = "\u{e004}";
/// Presses what has the focus.
pub const ENTER: &str = "\u{e007}";

/// Which window the page is seen in.
#[derive(Clone, Copy, Debug)]
pub struct Window {
    /// Width in CSS pixels.
    pub width: u32,
    /// Height in CSS pixels.
    pub height: u32,
    /// Whether it is held in a hand.
    pub phone: bool,
}

impl Window {
    /// A phone held upright.
    pub const PHONE: Self = Self {
        width: 390,
        height: 844,
        phone: true,
    };
    /// A window on a desk.
    pub const DESK: Self = Self {
        width: 1200,
        height: 900,
        phone: false,
    };
}

/// A browser with one page; ends when dropped.
#[derive(Debug)]
pub struct Browser {
    driver: Child,
    agent: ureq::Agent,
    session: String,
}

/// Something on the page.
#[derive(Debug)]
pub struct Element(String);

impl Browser {
    /// Opens a window.
    ///
    /// # Panics
    /// The browser does not start: `tests/all` installs it.
    #[must_use]
    pub fn open(window: Window) -> Self {
        let port = free_port();
        let driver = Command::new("chromedriver")
            .arg(format!("--port={port}"))
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("chromedriver starts; Debian's package is chromium-driver");
        let agent = ureq::Agent::config_builder()
            .http_status_as_error(false)
            .timeout_global(Some(Duration::from_secs(120)))
            .build()
            .new_agent();
        let root = format!("http://127.0.0.1:{port}");
        wait_for("the browser's driver", Duration::from_secs(60), || {
            agent.get(format!("{root}/status")).call().ok()
        });
        let mut browser = Self {
            driver,
            agent,
            session: format!("{root}/session"),
        };
        // The sandbox asks for rights that a container has not; only our own pages are opened.
        let arguments = [
            "--headless=new",
            "--no-sandbox",
            "--disable-dev-shm-usage",
            "--disable-gpu",
            "--hide-scrollbars",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--disable-quic",
        ];
        let wanted = json!({"capabilities": {"alwaysMatch": {
            "browserName": "chrome",
            "goog:chromeOptions": {"args": arguments},
        }}});
        let opened = browser.post("", &wanted).expect("a window opens");
        let id = opened.get("sessionId").and_then(Value::as_str);
        browser.session = format!("{}/{}", browser.session, id.expect("the window has a name"));
        browser.command(
            "Emulation.setDeviceMetricsOverride",
            &json!({"width": window.width, "height": window.height, "mobile": window.phone, "deviceScaleFactor": 1}),
        );
        browser
    }

    /// Turns the scripts of pages off.
    pub fn without_script(&self) {
        self.command("Emulation.setScriptExecutionDisabled", &json!({"value": true}));
    }

    /// Shows pages as in print, or to people who want them dark: `media` and the feature `prefers-color-scheme`.
    pub fn as_seen(&self, media: &str, scheme: &str) {
        let features = json!([{"name": "prefers-color-scheme", "value": scheme}]);
        self.command(
            "Emulation.setEmulatedMedia",
            &json!({"media": media, "features": features}),
        );
    }

    /// Goes to an address.
    ///
    /// # Panics
    /// It cannot be shown.
    pub fn go(&self, address: &str) {
        self.post("/url", &json!({"url": address}))
            .unwrap_or_else(|why| panic!("{address}: {why}"));
    }

    /// Where it is.
    ///
    /// # Panics
    /// The browser is gone.
    #[must_use]
    pub fn address(&self) -> String {
        let address = self.call("GET", "/url", None).expect("it is somewhere");
        address.as_str().unwrap_or_default().to_owned()
    }

    /// The first element that an XPath finds; `None`: there is none.
    #[must_use]
    pub fn find(&self, path: &str) -> Option<Element> {
        let found = self
            .post("/element", &json!({"using": "xpath", "value": path}))
            .ok()?;
        Some(Element(found.get(ELEMENT)?.as_str()?.to_owned()))
    }

    /// What an element says to a reader. `None`: the page was replaced under it.
    #[must_use]
    pub fn text(&self, element: &Element) -> Option<String> {
        let text = self.call("GET", &format!("/element/{}/text", element.0), None);
        text.ok()?.as_str().map(str::to_owned)
    }

    /// Presses it with a pointer or finger. `None`: it cannot be reached, or the page was replaced under it.
    #[must_use]
    pub fn click(&self, element: &Element) -> Option<()> {
        self.post(&format!("/element/{}/click", element.0), &json!({}))
            .ok()?;
        Some(())
    }

    /// Takes out what stands in it.
    #[must_use]
    pub fn empty(&self, element: &Element) -> Option<()> {
        self.post(&format!("/element/{}/clear", element.0), &json!({}))
            .ok()?;
        Some(())
    }

    /// Types into it.
    #[must_use]
    pub fn write(&self, element: &Element, text: &str) -> Option<()> {
        self.post(&format!("/element/{}/value", element.0), &json!({"text": text}))
            .ok()?;
        Some(())
    }

    /// Presses one key on whatever has the focus.
    ///
    /// # Panics
    /// The browser is gone.
    pub fn press(&self, key: &str) {
        let strokes = json!({"actions": [{"type": "key", "id": "keys", "actions": [
            {"type": "keyDown", "value": key},
            {"type": "keyUp", "value": key},
        ]}]});
        self.post("/actions", &strokes).expect("a key is pressed");
    }

    /// Moves the pointer to such a place beside the middle of an element, in CSS pixels. `None`: the page was replaced under it.
    #[must_use]
    pub fn point(&self, element: &Element, right: i32) -> Option<()> {
        let moved = json!({"actions": [{"type": "pointer", "id": "mouse", "actions": [
            {"type": "pointerMove", "duration": 0, "x": right, "y": 0, "origin": {ELEMENT: element.0}},
        ]}]});
        self.post("/actions", &moved).ok()?;
        Some(())
    }

    /// What has the focus.
    #[must_use]
    pub fn focus(&self) -> Option<Element> {
        let found = self.call("GET", "/element/active", None).ok()?;
        Some(Element(found.get(ELEMENT)?.as_str()?.to_owned()))
    }

    /// Runs a script of the test in the page; its `return` is the answer.
    ///
    /// # Panics
    /// The script fails.
    #[must_use]
    pub fn run(&self, script: &str) -> Value {
        self.post("/execute/sync", &json!({"script": script, "args": []}))
            .unwrap_or_else(|why| panic!("{why}"))
    }

    /// The same for a script that answers by calling its last argument.
    ///
    /// # Panics
    /// The script fails.
    #[must_use]
    pub fn run_and_wait(&self, script: &str) -> Value {
        self.post("/execute/async", &json!({"script": script, "args": []}))
            .unwrap_or_else(|why| panic!("{why}"))
    }

    /// Keeps the whole page as a PNG file.
    ///
    /// # Panics
    /// It cannot be drawn or written.
    pub fn keep(&self, file: &Path) {
        let shot = self.command(
            "Page.captureScreenshot",
            &json!({"captureBeyondViewport": true, "format": "png"}),
        );
        let data = shot.get("data").and_then(Value::as_str).unwrap_or_default();
        fs::write(file, from_base64(data)).expect("the picture is written");
    }

    /// A command of the browser's own (Chrome DevTools protocol), for what WebDriver does not know.
    fn command(&self, name: &str, parameters: &Value) -> Value {
        self.post("/goog/cdp/execute", &json!({"cmd": name, "params": parameters}))
            .unwrap_or_else(|why| panic!("{name}: {why}"))
    }

    fn post(&self, path: &str, body: &Value) -> Result<Value, String> {
        self.call("POST", path, Some(body))
    }

    fn call(&self, method: &str, path: &str, body: Option<&Value>) -> Result<Value, String> {
        let address = format!("{}{path}", self.session);
        let answer = match (method, body) {
            ("GET", _) => self.agent.get(address).call(),
            ("DELETE", _) => self.agent.delete(address).call(),
            (_, body) => self
                .agent
                .post(address)
                .header("content-type", "application/json")
                .send(body.cloned().unwrap_or_else(|| json!({})).to_string()),
        };
        let mut answer = answer.map_err(|error| error.to_string())?;
        // A picture of a long page is large.
        let text = answer.body_mut().with_config().limit(256 << 20).read_to_string();
        let text = text.map_err(|error| error.to_string())?;
        let mut answer: Value = serde_json::from_str(&text).map_err(|error| format!("{error} in {text}"))?;
        let value = answer.get_mut("value").map(Value::take).unwrap_or_default();
        match value.get("error") {
            Some(error) => Err(format!(
                "{error}: {}",
                value.get("message").unwrap_or(&Value::Null)
            )),
            None => Ok(value),
        }
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        // Closes the windows; the driver's end alone would leave them.
        self.call("DELETE", "", None).ok();
        if self.driver.kill().is_ok() {
            self.driver.wait().ok();
        }
    }
}

/// RFC 4648, section 4; what is no letter of it is skipped.
fn from_base64(text: &str) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(text.len() / 4 * 3);
    let (mut held, mut bits) = (0_u32, 0);
    for letter in text.bytes() {
        let six = match letter {
            b'A'..=b'Z' => letter - b'A',
            b'a'..=b'z' => letter - b'a' + 26,
            b'0'..=b'9' => letter - b'0' + 52,
            b'+' => 62,
            b'/' => 63,
            _ => continue,
        };
        held = (held << 6) | u32::from(six);
        bits += 6;
        if bits >= 8 {
            bits -= 8;
            bytes.push(u8::try_from((held >> bits) & 0xff).unwrap_or_default());
            held &= (1 << bits) - 1;
        }
    }
    bytes
}
