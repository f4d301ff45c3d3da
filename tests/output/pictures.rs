//! The pictures in the README: the live view as it comes out of the demo, and of a noisy drive.
//!
//! After a change of the view: `DROPLINE_WRITE_PICTURES=1 cargo test --test output pictures`.

use std::fmt::Write;
use std::path::Path;

use dropline::internal::health::Context;
use dropline::internal::output::event_log::Narrator;
use dropline::internal::output::view::{
    self, Playback, Screen, Seen, Snapshot, Subject, Theme, Update,
};
use dropline::simulation::{Scenario, SimSource};
use dropline::{Analysis, Nanos};
use ratatui::Terminal;
use ratatui::backend::TestBackend;
use ratatui::style::{Color, Modifier};

const COLUMNS: u16 = 112;
const ROWS: u16 = 34;

/// A replay of a simulated trunk, paused at this second, as the terminal shows it.
fn drawn(scenario: &str, name: &str, second: i64) -> TestBackend {
    let mut source = SimSource::new(Scenario::parse(scenario).unwrap(), None);
    let header = source.header().clone();
    let mut analysis = Analysis::new(&header);
    let mut narrator = Narrator::default();
    let until = Nanos(second * Nanos::SECOND.0);
    let mut batch = Vec::new();
    while analysis.trunk().now() < until {
        let more = source.next_records(&mut batch);
        for record in batch.drain(..).filter(|record| record.t <= until) {
            analysis.take(&record, &mut |t, event| narrator.event(t, event));
            narrator.record(&record);
        }
        if !more {
            break;
        }
    }
    let theme = Theme { colour: true, unicode: true };
    let zone = jiff::tz::TimeZone::UTC;
    let context = Context::new(&header, 0);
    let subject = Subject { name: name.into(), header, live: false, zone };
    let mut screen = Screen::new(subject, theme);
    let at = analysis.trunk().now();
    let playback =
        Playback { paused: true, speed: 1.0, seeking: false, ended: false, at, end: None };
    screen.update(Update {
        snapshot: Snapshot::of(Seen::from(&analysis), &context, false, None),
        lines: Vec::from(narrator.take()),
        playback: Some(playback),
        ..Update::default()
    });
    let mut terminal = Terminal::new(TestBackend::new(COLUMNS, ROWS)).unwrap();
    terminal.draw(|frame| view::draw(&screen, frame)).unwrap();
    terminal.backend().clone()
}

fn colour(colour: Option<Color>, usual: &'static str) -> &'static str {
    match colour {
        None | Some(Color::Reset) => usual,
        Some(Color::Black) => "#14181d",
        Some(Color::Red | Color::LightRed) => "#c8402c",
        Some(Color::Green | Color::LightGreen) => "#4f9d5d",
        Some(Color::Yellow | Color::LightYellow) => "#d9a425",
        Some(Color::Blue | Color::LightBlue) => "#5c8fd6",
        Some(Color::Cyan | Color::LightCyan) => "#4aa8a8",
        Some(Color::DarkGray) => "#7d8791",
        _ => "#e4e7ea",
    }
}

/// The screen as a picture, a run of one style at a time.
fn svg(backend: &TestBackend, title: &str) -> String {
    const WIDE: usize = 8;
    const HIGH: usize = 17;
    const INK: &str = "#e4e7ea";
    const PAPER: &str = "#14181d";
    let (width, height) = (usize::from(COLUMNS) * WIDE + 16, usize::from(ROWS) * HIGH + 16);
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" role=\"img\">\n\
         <title>{title}</title>\n<rect width=\"{width}\" height=\"{height}\" rx=\"6\" \
         fill=\"{PAPER}\"/>\n<g font-family=\"monospace\" font-size=\"13.3\">\n"
    );
    for (y, row) in backend.buffer().content.chunks(usize::from(COLUMNS)).enumerate() {
        let mut x = 0;
        for run in row.chunk_by(|a, b| a.style() == b.style()) {
            let style = run[0].style();
            let text: String = run.iter().map(|cell| cell.symbol()).collect();
            let (mut ink, mut paper) = (colour(style.fg, INK), colour(style.bg, PAPER));
            if style.add_modifier.contains(Modifier::REVERSED) {
                (ink, paper) = (paper, ink);
            }
            let (left, top, long) = (x * WIDE + 8, y * HIGH + 8, run.len() * WIDE);
            x += run.len();
            if paper != PAPER {
                let _ = writeln!(
                    out,
                    "<rect x=\"{left}\" y=\"{top}\" width=\"{long}\" height=\"{HIGH}\" fill=\"{paper}\"/>"
                );
            }
            if text.trim().is_empty() {
                continue;
            }
            let bold = style.add_modifier.contains(Modifier::BOLD);
            let dim = style.add_modifier.contains(Modifier::DIM);
            let weight = if bold { " font-weight=\"bold\"" } else { "" };
            let faint = if dim { " opacity=\"0.65\"" } else { "" };
            // Ordinary spaces would run together.
            let text = text.replace('&', "&amp;").replace('<', "&lt;").replace(' ', "\u{A0}");
            let _ = writeln!(
                out,
                "<text x=\"{left}\" y=\"{}\" textLength=\"{long}\" fill=\"{ink}\"{weight}{faint}>{text}</text>",
                top + 13
            );
        }
    }
    out + "</g>\n</svg>\n"
}

#[test]
fn the_pictures_of_the_readme_are_those_of_the_view() {
    let project = Path::new(env!("CARGO_MANIFEST_DIR"));
    let noisy = include_str!("../../captures/noise-with-drive.toml");
    for (file, scenario, title, second) in [
        ("live-view", include_str!("../../src/sim/demo.toml"), "The live view of the demo", 47),
        ("noisy-drive", noisy, "The live view of a trunk with a noisy drive", 50),
    ] {
        let picture = svg(&drawn(scenario, "orchard-lane.jsonl", second), title);
        let path = project.join(format!("shared/pictures/{file}.svg"));
        if std::env::var_os("DROPLINE_WRITE_PICTURES").is_some() {
            std::fs::create_dir_all(path.parent().unwrap()).unwrap();
            std::fs::write(&path, &picture).unwrap();
        }
        let committed = std::fs::read_to_string(&path).unwrap_or_default();
        assert!(committed == picture, "{file}: differs; the top of this file says how to write it");
        assert!(picture.len() < 60_000, "{} bytes", picture.len());
    }
}
