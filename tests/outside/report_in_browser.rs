//! The report in headless Chromium: it renders, asks nobody for anything, and prints whole.
//!
//! Needs Debian's `chromium` and `poppler-utils`. Without them the tests are reported as
//! ignored, with the reason; with `CI=true` that is a failure.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use sha2::{Digest, Sha256};

use crate::common::paper::{eventful, full, report, report_with_visits};
use crate::common::scene::Scene;
use crate::trials::{Absent, Test};

pub const TESTS: &[(&str, Test)] = &[
    ("it_renders_in_silence", it_renders_in_silence),
    ("it_prints_whole", it_prints_whole),
    ("it_fits_screens", it_fits_screens),
    ("it_names_itself_on_every_page", it_names_itself_on_every_page),
    ("the_picture_of_the_readme_shows_it", the_picture_of_the_readme_shows_it),
];

pub fn program(name: &str, package: &str) -> Result<PathBuf, Absent> {
    let path = std::env::var_os("PATH").unwrap_or_default();
    std::env::split_paths(&path)
        .map(|directory| directory.join(name))
        .find(|file| file.is_file())
        .ok_or_else(|| Absent(format!("{name} is not installed (Debian's package {package})")))
}

/// A page in a directory of its own, opened in Chromium.
struct Browser {
    program: PathBuf,
    directory: tempfile::TempDir,
}

impl Browser {
    fn new() -> Result<Browser, Absent> {
        let program = program("chromium", "chromium")?;
        Ok(Browser { program, directory: tempfile::tempdir().unwrap() })
    }

    fn file(&self, name: &str) -> PathBuf {
        self.directory.path().join(name)
    }

    fn page(&self, html: &str) -> PathBuf {
        let page = self.file("page.html");
        std::fs::write(&page, html).unwrap();
        page
    }

    fn open(&self, page: &Path, arguments: &[String]) -> Output {
        let profile = tempfile::tempdir().unwrap();
        let output = Command::new(&self.program)
            // Tests in a container run as root, which Chromium's sandbox does not allow.
            .args(["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic"])
            .args(["--no-first-run", "--disable-background-networking", "--disable-sync"])
            .args(["--disable-component-update", "--disable-dev-shm-usage"])
            .arg(format!("--user-data-dir={}", profile.path().display()))
            .args(arguments)
            .arg(format!("file://{}", page.display()))
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&output.stderr);
        assert!(output.status.success(), "chromium failed: {said}");
        output
    }

    /// What the page said on its console, and whom it asked for anything over the network.
    fn noise(&self, html: &str) -> (Vec<String>, Vec<String>) {
        let log = self.file("net.json");
        let arguments = [
            "--enable-logging=stderr".to_string(),
            format!("--log-net-log={}", log.display()),
            "--dump-dom".to_string(),
        ];
        let output = self.open(&self.page(html), &arguments);
        let said = String::from_utf8_lossy(&output.stderr);
        let console = said.lines().filter(|line| line.contains(":CONSOLE")).map(String::from);
        let log: serde_json::Value =
            serde_json::from_str(&std::fs::read_to_string(&log).unwrap()).unwrap();
        let requests = log["events"].as_array().unwrap().iter().filter_map(|event| {
            // What the browser itself asks for has no page as its origin.
            let of_a_page = event["params"]["initiator"].as_str()? != "not an origin";
            let url = event["params"]["url"].as_str()?;
            (of_a_page && !url.starts_with("file:")).then(|| url.to_string())
        });
        (console.collect(), requests.collect())
    }

    /// How wide a page comes out in frames of these widths.
    fn widths(&self, html: &str, widths: &[u32]) -> Vec<u32> {
        let quoted = html.replace('&', "&amp;").replace('"', "&quot;");
        let frame = |width: &u32| {
            let size = format!("width=\"{width}\" height=\"900\" style=\"border: 0; margin: 0\"");
            format!("<iframe {size} srcdoc=\"<!DOCTYPE html>{quoted}\"></iframe>")
        };
        let frames: String = widths.iter().map(frame).collect();
        let page = format!(
            "{frames}<output></output><script>onload = () => {{ \
             document.querySelector('output').textContent = \
             Array.from(document.querySelectorAll('iframe'), \
             frame => Math.max(frame.contentDocument.documentElement.scrollWidth, \
             ...Array.from(frame.contentDocument.querySelectorAll('.wide, table'), part => \
             part.scrollWidth > part.clientWidth + 1 ? 9000 : 0))).join(); }}</script>"
        );
        let output = self.open(&self.page(&page), &["--dump-dom".to_string()]);
        let dom = String::from_utf8(output.stdout).unwrap();
        let told = dom.rsplit_once("<output>").unwrap().1.split_once("</output>").unwrap().0;
        told.split(',').map(|width| width.parse().unwrap()).collect()
    }

    /// The page on paper of this size.
    fn print(&self, html: &str, paper: &str) -> Vec<PaperPage> {
        let sized = html.replacen("@page {", &format!("@page {{ size: {paper};"), 1);
        assert_ne!(sized, html);
        let pdf = self.file("page.pdf");
        let arguments =
            ["--no-pdf-header-footer".to_string(), format!("--print-to-pdf={}", pdf.display())];
        self.open(&self.page(&sized), &arguments);
        let words = Command::new("pdftotext").arg("-bbox").arg(&pdf).arg("-").output().unwrap();
        assert!(words.status.success());
        pages(&String::from_utf8(words.stdout).unwrap())
    }
}

/// A printed page: its size and the place of each word, in points.
struct PaperPage {
    width: f64,
    height: f64,
    words: Vec<(String, [f64; 4])>,
}

fn number(tag: &str, key: &str) -> f64 {
    let value = tag.split(&format!("{key}=\"")).nth(1).unwrap().split('"').next().unwrap();
    value.parse().unwrap()
}

fn pages(bbox: &str) -> Vec<PaperPage> {
    bbox.split("<page ")
        .skip(1)
        .map(|page| PaperPage {
            width: number(page, "width"),
            height: number(page, "height"),
            words: page
                .split("<word ")
                .skip(1)
                .map(|word| {
                    let (tag, rest) = word.split_once('>').unwrap();
                    let text = rest.split_once("</word>").unwrap().0;
                    let place = ["xMin", "yMin", "xMax", "yMax"].map(|key| number(tag, key));
                    (unescaped(text), place)
                })
                .collect(),
        })
        .collect()
}

fn unescaped(text: &str) -> String {
    [("&lt;", "<"), ("&gt;", ">"), ("&quot;", "\""), ("&apos;", "'"), ("&#39;", "'")]
        .iter()
        .fold(text.to_string(), |text, (from, to)| text.replace(from, to))
        .replace("&amp;", "&")
}

/// Words without what a line break may come between.
fn bare(text: &str) -> impl Iterator<Item = String> {
    text.split(|c: char| !c.is_alphanumeric()).filter(|w| !w.is_empty()).map(str::to_lowercase)
}

/// The words of a page that are to be seen.
fn visible(html: &str) -> BTreeSet<String> {
    let body = html.split_once("<body>").unwrap().1;
    let mut words = BTreeSet::new();
    for part in body.split('<') {
        let Some((tag, text)) = part.split_once('>') else { continue };
        // Read out, not seen.
        if !tag.starts_with("title") && !tag.starts_with("desc") {
            words.extend(bare(&unescaped(text)));
        }
    }
    words
}

/// Pages of very different kinds.
fn pages_to_see() -> [String; 3] {
    let site = Some("Orchard Lane, cider bottling line, hall 2, from the rinser to the palletiser");
    [
        report(&eventful(), "scene.jsonl", site, None),
        report(&full(), &"long-name".repeat(20), None, Some("A. Fitter")),
        with_visits(),
    ]
}

/// With a baseline and ten years of visits.
fn with_visits() -> String {
    let mut well = Scene::new();
    well.scans(600, &[5, 12, 13], &[]);
    well.end();
    let mut poor = Scene::new();
    poor.scans(40, &[5, 12, 13], &[12]);
    let visits: Vec<(String, &Scene)> = (0..10)
        .map(|n| {
            (format!("visit-{n}-{}", "x".repeat(9 * n)), if n % 4 == 3 { &poor } else { &well })
        })
        .collect();
    let visits: Vec<(&str, &Scene)> = visits.iter().map(|(name, s)| (&**name, *s)).collect();
    report_with_visits(&visits, &eventful(), "scene.jsonl")
}

fn it_renders_in_silence() -> Result<(), Absent> {
    let browser = Browser::new()?;
    // Seen to notice both, before its silence means anything.
    let (console, requests) = browser.noise(
        "<img src=\"http://dropline.invalid/a.png\"><script>console.error('heard')</script>",
    );
    assert!(console.iter().any(|line| line.contains("heard")), "{console:?}");
    assert_eq!(requests, ["http://dropline.invalid/a.png"]);
    for html in pages_to_see() {
        let (console, requests) = browser.noise(&html);
        assert!(console.is_empty(), "{console:?}");
        assert!(requests.is_empty(), "{requests:?}");
    }
    Ok(())
}

fn it_prints_whole() -> Result<(), Absent> {
    let browser = Browser::new()?;
    program("pdftotext", "poppler-utils")?;
    // ISO 216 and ANSI/ASME Y14.1, in points of 1/72 inch.
    for (paper, size) in [("A4", (595.0, 842.0)), ("letter", (612.0, 792.0))] {
        for html in pages_to_see() {
            let pages = browser.print(&html, paper);
            let mut printed = BTreeSet::new();
            for page in &pages {
                let (width, height) = (page.width, page.height);
                assert!((width - size.0).abs() < 1.5 && (height - size.1).abs() < 1.5);
                // Printers leave some 6 mm at the edges; the page leaves 10 at least.
                const EDGE: f64 = 28.0;
                for (word, [left, top, right, foot]) in &page.words {
                    let inside = *left >= EDGE
                        && *top >= EDGE
                        && *right <= width - EDGE
                        && *foot <= height - EDGE;
                    assert!(inside, "{word} at {left} {top} to {right} {foot} on {paper}");
                    printed.extend(bare(word));
                }
            }
            let all: String = pages.iter().flat_map(|page| &page.words).map(|w| &*w.0).collect();
            let all: String = bare(&all).collect();
            // A long name may break anywhere, so a word is looked for across the breaks, too.
            let missing: Vec<String> = visible(&html)
                .into_iter()
                .filter(|word| !printed.contains(word) && !all.contains(word))
                .collect();
            assert!(missing.is_empty(), "not on {paper}: {missing:?}");
        }
    }
    Ok(())
}

/// Nothing sticks out at the side or is cut, from a telephone to a wide screen.
fn it_fits_screens() -> Result<(), Absent> {
    const WIDTHS: [u32; 5] = [360, 390, 800, 1280, 1600];
    let browser = Browser::new()?;
    // Seen to notice what sticks out, and what is cut at the edge of its box.
    let cut = "<div class=wide style=\"overflow-x: auto\"><p style=\"width: 2000px\">x</div>";
    assert_eq!(browser.widths(cut, &WIDTHS), [9000; 5]);
    let wide = "<p style=\"position: absolute; left: 0; width: 2000px\">sticks out</p>".to_string();
    assert_eq!(browser.widths(&wide, &WIDTHS), [2000; 5]);
    for html in pages_to_see() {
        // What it says is without the scroll bar, so it may be a little less.
        let wide = browser.widths(&html, &WIDTHS);
        assert!(wide.iter().zip(WIDTHS).all(|(wide, frame)| *wide <= frame), "{wide:?}");
    }
    Ok(())
}

/// A healthy line prints on three pages, with the signatures beside the verdict, and every page says
/// which report it belongs to.
fn it_names_itself_on_every_page() -> Result<(), Absent> {
    let browser = Browser::new()?;
    program("pdftotext", "poppler-utils")?;
    let mut scene = Scene::new();
    scene.scans(900, &[5, 9, 12, 14, 20, 23, 31, 38], &[]);
    scene.end();
    let html = report(&scene, "line3.jsonl", Some("Orchard Lane"), Some("A. Fitter"));
    assert!(!html.contains("class=\"n bad\""), "red figures under a good verdict");
    let pages = browser.print(&html, "A4");
    assert!(pages.len() <= 3, "{} pages", pages.len());
    for page in &pages {
        let words: Vec<&str> = page.words.iter().map(|word| &*word.0).collect();
        let has = |text: &str| words.iter().any(|word| word.contains(text));
        assert!(has("Orchard") && has("e3b0c44298fc1c14") && has("line3.jsonl"), "{words:?}");
    }
    let first: Vec<&str> = pages[0].words.iter().map(|word| &*word.0).collect();
    assert!(first.contains(&"Verdict:") && first.contains(&"Signatures"), "{first:?}");
    Ok(())
}

/// The picture in the README is of the page as it is now. Another Chromium draws other pixels, so
/// the picture carries a digest of what it shows: the page down to its nodes.
///
/// After a change of the page: `DROPLINE_WRITE_PICTURES=1 cargo test --test outside picture`.
fn the_picture_of_the_readme_shows_it() -> Result<(), Absent> {
    let browser = Browser::new()?;
    let page = browser.file("orchard-lane.html");
    let written = Command::new(env!("CARGO_BIN_EXE_dropline"))
        .args(["report", "captures/noise-with-drive.jsonl.zst", "--utc"])
        .args(["--site", "Orchard Lane, cider bottling line", "-o"])
        .arg(&page)
        .output()
        .unwrap();
    assert!(written.status.success(), "{}", String::from_utf8_lossy(&written.stderr));
    let html = std::fs::read_to_string(&page).unwrap();
    let shown = html.split_once("<main").unwrap().1.split_once("id=\"nodes\"").unwrap().0;
    // The version of the program is shown, too; it alone wants no new picture.
    let shown = shown.replace(env!("CARGO_PKG_VERSION"), "");
    let digest: String = Sha256::digest(&shown).iter().map(|byte| format!("{byte:02x}")).collect();
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("shared/pictures/report.png");
    if std::env::var_os("DROPLINE_WRITE_PICTURES").is_some() {
        let drawn = browser.file("drawn.png");
        let size = ["--window-size=1040,1500", "--force-device-scale-factor=0.7"];
        let to = format!("--screenshot={}", drawn.display());
        browser.open(&page, &[size[0].into(), size[1].into(), "--hide-scrollbars".into(), to]);
        std::fs::write(&path, with_comment(&std::fs::read(drawn).unwrap(), &digest)).unwrap();
    }
    let picture = std::fs::read(&path).unwrap_or_default();
    assert!(picture.starts_with(b"\x89PNG\r\n\x1a\n"), "{}", path.display());
    assert!(picture.len() < 200_000, "{} bytes", picture.len());
    let comment = [b"tEXtComment\0", digest.as_bytes()].concat();
    assert!(
        picture.windows(comment.len()).any(|part| part == comment),
        "the picture is of an earlier page; above stands how to draw it anew"
    );
    Ok(())
}

/// A PNG with a comment after its first chunk. The chunks are as in the PNG specification
/// (ISO/IEC 15948): length, kind, data, CRC-32.
fn with_comment(png: &[u8], comment: &str) -> Vec<u8> {
    const SIGNATURE_AND_HEADER: usize = 8 + 12 + 13;
    let chunk = [b"tEXtComment\0", comment.as_bytes()].concat();
    let crc = crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC).checksum(&chunk);
    let (before, after) = png.split_at(SIGNATURE_AND_HEADER);
    let length = (chunk.len() as u32 - 4).to_be_bytes();
    [before, &length, &chunk, &crc.to_be_bytes(), after].concat()
}
