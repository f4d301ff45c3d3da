//! The page in headless Chromium: on a screen and on a telephone, light and dark, by keyboard, without
//! its script, over a restart of the server.
//!
//! Needs Debian's `chromium`. Without it the tests are reported as ignored, with the reason; with
//! `CI=true` that is a failure.

use std::io::{BufRead, BufReader};
use std::net::TcpListener;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::json;

use super::report_in_browser::program;
use crate::common::devtools::Page;
use crate::trials::{Absent, Test};

pub const TESTS: &[(&str, Test)] = &[
    ("page_shows_the_trunk_and_renews_itself", it_shows_the_trunk_and_renews_itself),
    ("page_fits_screens_and_can_be_read", it_fits_screens_and_can_be_read),
    ("page_goes_by_keyboard_and_without_script", it_goes_by_keyboard_and_without_script),
    ("page_over_a_restart_of_the_server", over_a_restart_of_the_server),
];

/// The program, serving a capture.
struct Served {
    child: Child,
    address: String,
}

impl Served {
    fn at(address: &str, capture: &str) -> Served {
        let capture = Path::new(env!("CARGO_MANIFEST_DIR")).join("captures").join(capture);
        let mut child = Command::new(env!("CARGO_BIN_EXE_dropline"))
            .arg("replay")
            .arg(capture)
            .args(["--utc", "--page", address])
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let mut lines = BufReader::new(child.stderr.take().unwrap()).lines();
        let line = lines.next().unwrap().unwrap();
        let (_, address) = line.split_once("the page is at ").expect("an address");
        let address = address.to_owned();
        assert!(lines.next().unwrap().unwrap().contains("all is read"));
        Served { child, address }
    }
}

impl Drop for Served {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

const CURRENT: &str = "document.getElementById('connection').textContent.startsWith('Current')";

fn it_shows_the_trunk_and_renews_itself() -> Result<(), Absent> {
    let chromium = program("chromium", "chromium")?;
    let served = Served::at("127.0.0.1:0", "noise-with-drive.jsonl.zst");
    let mut page = Page::open(&chromium);
    page.go(&served.address);
    page.until("current", CURRENT);
    let text = page.value("document.body.innerText").to_string();
    for wanted in [
        "Verdict: Wants a look",
        "Before any check at a cabinet",
        "infeed conveyor drive",
        "Lay the drive's motor cable apart",
        "a drive was running",
        "What happened",
        "not a safety device",
    ] {
        assert!(text.contains(wanted), "{wanted} in {text}");
    }
    assert_eq!(page.value("document.title"), "Wants a look: noise-with-drive.jsonl.zst");
    assert!(page.value("document.querySelectorAll('svg').length").as_u64() > Some(3));
    // Nothing is kept in the browser, and the policy that forbids all else was never offended.
    assert_eq!(page.value("document.cookie"), "");
    assert_eq!(page.value("localStorage.length"), 0);
    assert_eq!(page.complaints, [""; 0]);
    // A part that was spoilt here comes back only when it changed there; a new look brings all.
    page.value("document.getElementById('verdict-part').innerHTML = 'spoilt'; 0");
    page.call("Page.reload", json!({}));
    page.until("renewed", "document.body && document.body.innerText.includes('Verdict: Wants')");
    Ok(())
}

/// WCAG 2.2, relative luminance and contrast ratio; success criterion 1.4.3 asks for 4.5 of text.
const CONTRAST: &str = r#"(() => {
  const part = (v) => (v /= 255) <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
  const light = ([r, g, b]) => 0.2126 * part(r) + 0.7152 * part(g) + 0.0722 * part(b);
  const colour = (text) => text.match(/[\d.]+/g).map(Number);
  const behind = (element) => {
    for (let e = element; e; e = e.parentElement) {
      const found = colour(getComputedStyle(e).backgroundColor);
      if (found.length < 4 || found[3] > 0) return found;
    }
    return [255, 255, 255];
  };
  const low = [];
  for (const element of document.querySelectorAll('body *:not(svg):not(svg *)')) {
    const own = [...element.childNodes].some((n) => n.nodeType === 3 && n.data.trim());
    if (!own || !element.getClientRects().length) continue;
    const [a, b] = [light(colour(getComputedStyle(element).color)), light(behind(element))];
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    if (ratio < 4.5) low.push(`${element.tagName}.${element.className}: ${ratio.toFixed(2)}`);
  }
  return [...new Set(low)].join('; ');
})()"#;

fn it_fits_screens_and_can_be_read() -> Result<(), Absent> {
    let chromium = program("chromium", "chromium")?;
    for capture in ["noise-with-drive.jsonl.zst", "address-contested.jsonl.zst"] {
        let served = Served::at("127.0.0.1:0", capture);
        let mut page = Page::open(&chromium);
        for (width, scheme) in [(1280_u64, "light"), (390, "light"), (390, "dark"), (1280, "dark")]
        {
            let size = json!({"width": width, "height": 844, "deviceScaleFactor": 1,
                "mobile": width < 500});
            page.call("Emulation.setDeviceMetricsOverride", size);
            let media = json!({"features": [{"name": "prefers-color-scheme", "value": scheme}]});
            page.call("Emulation.setEmulatedMedia", media);
            page.go(&served.address);
            page.until("current", CURRENT);
            // Nothing reaches over the side; a bar for scrolling takes some of the width.
            let wide = page.value("document.documentElement.scrollWidth").as_u64();
            assert!(wide <= Some(width), "{capture}, {scheme}: {wide:?} of {width}");
            assert_eq!(page.value(CONTRAST), "", "{capture}, {width}, {scheme}");
            let paper = page.value("getComputedStyle(document.body).backgroundColor");
            assert_eq!(paper == "rgb(255, 255, 255)", scheme == "light", "{paper}");
        }
    }
    Ok(())
}

fn it_goes_by_keyboard_and_without_script() -> Result<(), Absent> {
    let chromium = program("chromium", "chromium")?;
    let served = Served::at("127.0.0.1:0", "noise-with-drive.jsonl.zst");
    let mut page = Page::open(&chromium);
    page.go(&served.address);
    page.until("current", CURRENT);
    let focused = "document.activeElement.getAttribute('href')";
    page.press("Tab", 9);
    assert_eq!(page.value(focused), "#finding-1", "the first thing reached is the first finding");
    let outline = page.value("getComputedStyle(document.activeElement).outlineStyle");
    assert_eq!(outline, "solid", "the focus is seen");
    page.press("Enter", 13);
    page.until("at the finding", "location.hash === '#finding-1'");
    for _ in 0..6 {
        page.press("Tab", 9);
        if page.value(focused) == "report.html" {
            break;
        }
    }
    assert_eq!(page.value(focused), "report.html", "and the last is the report");

    page.call("Emulation.setScriptExecutionDisabled", json!({"value": true}));
    page.call("Page.navigate", json!({"url": served.address}));
    let without_script =
        "<noscript>Without its script this page is read again every ten seconds.</noscript>";
    let read = |page: &mut Page, other_than: Option<u64>| {
        let deadline = Instant::now() + Duration::from_secs(40);
        loop {
            let root = page.call("DOM.getDocument", json!({}))["root"].take();
            let document = json!({"backendNodeId": root["backendNodeId"]});
            let html = page.call("DOM.getOuterHTML", document)["outerHTML"].take();
            let number = root["backendNodeId"].as_u64();
            if number != other_than && html.as_str().unwrap().contains(without_script) {
                assert!(html.as_str().unwrap().contains("Verdict: Wants a look"), "{html}");
                return number;
            }
            assert!(Instant::now() < deadline, "{html}");
            std::thread::sleep(Duration::from_millis(200));
        }
    };
    let first = read(&mut page, None);
    read(&mut page, first);
    Ok(())
}

fn over_a_restart_of_the_server() -> Result<(), Absent> {
    let chromium = program("chromium", "chromium")?;
    let free = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().to_string();
    let served = Served::at(&free, "noise-with-drive.jsonl.zst");
    let mut page = Page::open(&chromium);
    page.go(&served.address);
    page.until("current", CURRENT);
    drop(served);
    page.until(
        "told as stale",
        "document.getElementById('connection').textContent.startsWith('NOT CURRENT')",
    );
    assert_eq!(page.value("document.getElementById('connection').className"), "connection stale");
    // Another trunk at the same place: the page becomes that of it.
    let _served = Served::at(&free, "healthy.jsonl.zst");
    page.until("current again", CURRENT);
    page.until("the other", "document.body.innerText.includes('Verdict: Well')");
    page.until("its title", "document.title.startsWith('Well')");
    Ok(())
}
