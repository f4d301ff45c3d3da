//! Chromium, driven as its own developer tools drive it: by messages over two pipes.
//!
//! Source: Chrome DevTools Protocol, domains Target, Page, Runtime, Emulation, Input, Log.

use std::fs::{File, OpenOptions};
use std::io::{BufRead, BufReader, Write};
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::{Value, json};

/// A page in a browser.
pub struct Page {
    child: Child,
    to: File,
    from: BufReader<File>,
    session: String,
    next: u64,
    /// What the page said on its console, and what it was not allowed to do.
    pub complaints: Vec<String>,
    _directory: tempfile::TempDir,
}

impl Page {
    /// Opens an empty page in the browser of this path.
    pub fn open(program: &PathBuf) -> Page {
        let directory = tempfile::tempdir().unwrap();
        let pipes = ["to", "from"].map(|name| directory.path().join(name));
        for pipe in &pipes {
            nix::unistd::mkfifo(pipe, nix::sys::stat::Mode::S_IRWXU).unwrap();
        }
        let arguments = [
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-sync",
            "--disable-component-update",
            "--disable-dev-shm-usage",
            "--remote-debugging-pipe",
        ];
        // The numbers of the pipes are 3 and 4; it ends by itself, whatever becomes of the test.
        let script = "exec 3<\"$1\" 4>\"$2\"; shift 2; exec timeout 120 \"$@\"";
        let child = Command::new("bash")
            .args(["-c", script, "bash"])
            .args(&pipes)
            .arg(program)
            .args(arguments)
            .arg(format!("--user-data-dir={}", directory.path().join("profile").display()))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let to = OpenOptions::new().write(true).open(&pipes[0]).unwrap();
        let from = BufReader::new(File::open(&pipes[1]).unwrap());
        let mut page = Page {
            child,
            to,
            from,
            session: String::new(),
            next: 0,
            complaints: Vec::new(),
            _directory: directory,
        };
        let target = page.call("Target.createTarget", json!({"url": "about:blank"}));
        let attach = json!({"targetId": target["targetId"], "flatten": true});
        let session = page.call("Target.attachToTarget", attach);
        page.session = session["sessionId"].as_str().unwrap().to_owned();
        for domain in ["Page", "Runtime", "Log"] {
            page.call(&format!("{domain}.enable"), json!({}));
        }
        page
    }

    /// Calls a method; its result.
    pub fn call(&mut self, method: &str, parameters: Value) -> Value {
        self.next += 1;
        let mut message = json!({"id": self.next, "method": method, "params": parameters});
        if !self.session.is_empty() {
            message["sessionId"] = json!(self.session);
        }
        self.to.write_all(format!("{message}\0").as_bytes()).unwrap();
        loop {
            let mut bytes = Vec::new();
            self.from.read_until(0, &mut bytes).unwrap();
            assert_eq!(bytes.pop(), Some(0), "the browser ended");
            let mut answer: Value = serde_json::from_slice(&bytes).unwrap();
            if answer["id"] == self.next {
                assert_eq!(answer["error"], Value::Null, "{method}");
                return answer["result"].take();
            }
            let event = answer["method"].as_str().unwrap_or_default();
            if matches!(
                event,
                "Log.entryAdded" | "Runtime.consoleAPICalled" | "Runtime.exceptionThrown"
            ) {
                self.complaints.push(answer["params"].to_string());
            }
        }
    }

    pub fn go(&mut self, url: &str) {
        let gone = self.call("Page.navigate", json!({"url": url}));
        assert_eq!(gone["errorText"], Value::Null, "{url}");
        self.until("loaded", "document.readyState === 'complete'");
    }

    /// What an expression comes to in the page.
    pub fn value(&mut self, expression: &str) -> Value {
        let parameters = json!({"expression": expression, "returnByValue": true});
        let mut result = self.call("Runtime.evaluate", parameters);
        assert_eq!(result["exceptionDetails"], Value::Null, "{expression}");
        result["result"]["value"].take()
    }

    /// Waits until an expression is true in the page.
    pub fn until(&mut self, what: &str, expression: &str) {
        let deadline = Instant::now() + Duration::from_secs(40);
        while self.value(expression) != true {
            if Instant::now() > deadline {
                let text = self.value("document.body.innerText");
                panic!("not in time: {what}; the page says {text}");
            }
            std::thread::sleep(Duration::from_millis(100));
        }
    }

    /// A key, as a person presses it.
    pub fn press(&mut self, key: &str, code: u32) {
        for kind in ["keyDown", "keyUp"] {
            let mut event = json!({"type": kind, "key": key, "windowsVirtualKeyCode": code});
            if key == "Enter" {
                event["text"] = json!("\r");
            }
            self.call("Input.dispatchKeyEvent", event);
        }
    }
}

impl Drop for Page {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
