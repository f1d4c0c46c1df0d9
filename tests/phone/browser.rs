//! A browser that is told what to do over two pipes (the DevTools protocol, one JSON text after
//! another with a zero byte between them).

use std::fs::File;
use std::io::{BufRead, BufReader, Write};
use std::process::{Child, Command, Stdio};

use serde_json::{Value, json};

pub struct Browser {
    child: Child,
    to: File,
    from: BufReader<File>,
    session: String,
    asked: u64,
    /// What the console said.
    pub console: Vec<String>,
    _folder: tempfile::TempDir,
}

impl Browser {
    /// Chromium, or a printed line that the test is skipped.
    pub fn start() -> Option<Browser> {
        let name = std::env::var("LOSTNODE_CHROMIUM").unwrap_or_else(|_| "chromium".to_owned());
        let quiet = |command: &mut Command| {
            command.stdout(Stdio::null()).stderr(Stdio::null()).status().is_ok_and(|s| s.success())
        };
        if !quiet(Command::new(&name).arg("--version")) {
            crate::common::skip("browser", &format!("there is no {name}"));
            return None;
        }
        let folder = tempfile::tempdir().unwrap();
        let [to, from] = ["to", "from"].map(|name| folder.path().join(name));
        if !quiet(Command::new("mkfifo").args([&to, &from])) {
            println!("skipped: there is no mkfifo");
            return None;
        }
        let child = Command::new("sh")
            .args(["-c", "exec 3<\"$0\" 4>\"$1\"; shift; exec \"$@\""])
            .args([&to, &from])
            .arg(&name)
            .args([
                "--headless",
                "--no-sandbox",
                "--disable-gpu",
                "--disable-quic",
                "--no-first-run",
                "--disable-background-networking",
                "--disable-component-update",
                "--disable-sync",
                "--hide-scrollbars",
                "--remote-debugging-pipe",
            ])
            .arg(format!("--user-data-dir={}", folder.path().join("profile").display()))
            .arg("about:blank")
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        // Opening a pipe waits for the other side, in this order.
        let to = File::options().write(true).open(to).unwrap();
        let from = BufReader::new(File::open(from).unwrap());
        let mut browser = Browser {
            child,
            to,
            from,
            session: String::new(),
            asked: 0,
            console: Vec::new(),
            _folder: folder,
        };
        let targets = browser.ask("Target.getTargets", json!({}));
        let mut targets = targets["targetInfos"].as_array().unwrap().iter();
        let page = targets.find(|target| target["type"] == "page").unwrap()["targetId"].clone();
        let attach = json!({"targetId": page, "flatten": true});
        let attached = browser.ask("Target.attachToTarget", attach);
        browser.session = attached["sessionId"].as_str().unwrap().to_owned();
        for room in ["Page", "Runtime", "Network", "Log"] {
            browser.ask(&format!("{room}.enable"), json!({}));
        }
        Some(browser)
    }

    #[track_caller]
    fn ask(&mut self, method: &str, parameters: Value) -> Value {
        self.asked += 1;
        let mut message = json!({"id": self.asked, "method": method, "params": parameters});
        if !self.session.is_empty() {
            message["sessionId"] = json!(self.session);
        }
        self.to.write_all(format!("{message}\0").as_bytes()).unwrap();
        loop {
            let mut text = Vec::new();
            let count = self.from.read_until(0, &mut text).unwrap();
            assert!(count > 0, "the browser has gone");
            let message: Value = serde_json::from_slice(&text[..count - 1]).unwrap();
            if message["id"] == self.asked {
                assert!(message["error"].is_null(), "{method}: {message}");
                return message["result"].clone();
            }
            let said = ["Runtime.consoleAPICalled", "Log.entryAdded", "Runtime.exceptionThrown"];
            if said.iter().any(|own| message["method"] == *own) {
                self.console.push(message["params"].to_string());
            }
        }
    }

    /// As on a phone, `width` wide.
    pub fn as_phone(&mut self, width: u32, dark: bool) {
        self.ask(
            "Emulation.setDeviceMetricsOverride",
            json!({"width": width, "height": 844, "deviceScaleFactor": 2, "mobile": true}),
        );
        let scheme = if dark { "dark" } else { "light" };
        let features = json!([{"name": "prefers-color-scheme", "value": scheme}]);
        self.ask("Emulation.setEmulatedMedia", json!({"features": features}));
    }

    pub fn motion(&mut self, reduced: bool) {
        let value = if reduced { "reduce" } else { "no-preference" };
        let features = json!([{"name": "prefers-reduced-motion", "value": value}]);
        self.ask("Emulation.setEmulatedMedia", json!({"features": features}));
    }

    pub fn open(&mut self, link: &str) {
        self.ask("Page.navigate", json!({"url": link}));
    }

    pub fn offline(&mut self, offline: bool) {
        self.ask(
            "Network.emulateNetworkConditions",
            json!({
                "offline": offline, "latency": 0, "downloadThroughput": -1, "uploadThroughput": -1
            }),
        );
    }

    /// What a script in the page comes to, as if a finger had caused it.
    #[track_caller]
    pub fn script(&mut self, script: &str) -> Value {
        let answer = self.ask(
            "Runtime.evaluate",
            json!({
                "expression": script, "returnByValue": true, "awaitPromise": true,
                "userGesture": true
            }),
        );
        assert!(answer["exceptionDetails"].is_null(), "{script}: {answer}");
        answer["result"]["value"].clone()
    }

    /// The text of an element.
    pub fn text(&mut self, id: &str) -> String {
        let text = self.script(&format!("document.getElementById('{id}')?.textContent ?? ''"));
        text.as_str().unwrap().to_owned()
    }

    /// Whether what the script says is so.
    pub fn is(&mut self, script: &str) -> bool {
        self.script(script) == json!(true)
    }

    /// Ends it at once, as a phone that is switched off.
    pub fn kill(self) {}
}

impl Drop for Browser {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
