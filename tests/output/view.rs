//! The live view, drawn at several sizes, with and without colour.

use crate::common::scene::{Scene, device};
use dropline::internal::health::Context;
use dropline::internal::output::event_log::Narrator;
use dropline::internal::output::view::{
    self, Playback, Screen, Seen, Snapshot, Subject, Theme, Update,
};
use dropline::record::What;
use dropline::summary::{Acceptance, Comparison, Tolerance};
use dropline::{Analysis, MacId, Nanos};
use ratatui::Terminal;
use ratatui::backend::TestBackend;
use ratatui::crossterm::event::{KeyCode, KeyEvent, KeyModifiers};
use ratatui::style::{Color, Modifier, Style};

const COLOURS: Theme = Theme { colour: true, unicode: true };
const PLAIN: Theme = Theme { colour: false, unicode: true };
const ASCII: Theme = Theme { colour: false, unicode: false };

/// A line where node 20 skips polls, node 14 falls silent, node 38's address is claimed twice and
/// something disturbs the wire.
fn troubled() -> Scene {
    let mut scene = Scene::new();
    for (index, node) in [5, 9, 12, 14, 20, 38].into_iter().enumerate() {
        scene.check(
            node,
            dropline::internal::fieldbus::AddressCheckKind::Request,
            device(index as u32),
        );
        scene.wait(Nanos::from_millis(3));
    }
    scene.wait(Nanos::SECOND);
    let nodes = [5, 9, 12, 14, 20, 38];
    scene.scans(200, &nodes, &[]);
    scene.push(What::Mark("conveyor\x1b[2J drive started".into()));
    for _ in 0..40 {
        scene.scans(9, &nodes, &[]);
        scene.scans(1, &nodes, &[20]);
    }
    scene.check(38, dropline::internal::fieldbus::AddressCheckKind::Request, device(77));
    scene.wait(Nanos::from_millis(2));
    scene.check(38, dropline::internal::fieldbus::AddressCheckKind::Response, device(5));
    for _ in 0..7 {
        scene.error(0x088, 0x0000_0400_0000_0000);
    }
    scene.error(0x204, 0x0004_0000_0000_0C60);
    scene.scans(900, &nodes, &[]);
    scene.scans(100, &nodes, &[14]);
    scene
}

fn subject(scene: &Scene, live: bool) -> Subject {
    let name = if live { "can0" } else { "line3\x1b.jsonl" };
    Subject { name: name.into(), header: scene.header(), live, zone: jiff::tz::TimeZone::UTC }
}

/// The screen after the whole scene.
fn screen(scene: &Scene, theme: Theme, live: bool, keys: &str) -> Screen {
    let mut analysis = Analysis::new(&scene.header());
    let mut narrator = Narrator::default();
    for record in &scene.records {
        analysis.take(record, &mut |t, event| narrator.event(t, event));
        narrator.record(record);
    }
    let mut screen = Screen::new(subject(scene, live), theme);
    let context = Context::new(&scene.header(), 0);
    let mut lines = Vec::from(narrator.take());
    for c in format!(" {keys}").chars() {
        let page = screen.wants_detail();
        let playback = (!live).then(|| Playback {
            paused: true,
            speed: 2.0,
            seeking: false,
            ended: false,
            at: analysis.trunk().now(),
            end: None,
        });
        let snapshot = Snapshot::of(Seen::from(&analysis), &context, false, page);
        screen.update(Update {
            snapshot,
            lines: std::mem::take(&mut lines),
            playback,
            ..Update::default()
        });
        let code = match c {
            '\n' => KeyCode::Enter,
            'v' => KeyCode::Down,
            c => KeyCode::Char(c),
        };
        screen.key(KeyEvent::new(code, KeyModifiers::NONE));
    }
    let snapshot = Snapshot::of(Seen::from(&analysis), &context, false, screen.wants_detail());
    let playback = (!live).then(|| Playback {
        paused: true,
        speed: 2.0,
        seeking: false,
        ended: false,
        at: analysis.trunk().now(),
        end: Some(Nanos::from_millis(61_250)),
    });
    screen.update(Update { snapshot, playback, newcomers: newcomers(scene), ..Update::default() });
    screen
}

/// How node 21 stands against a baseline of 5 and 9 alone, in a scene of these three.
fn newcomers(scene: &Scene) -> Vec<Acceptance> {
    let newcomer = MacId::new(21).unwrap();
    let mut then = Scene::new();
    then.scans(600, &[5, 9], &[]);
    let expected = [newcomer];
    let comparison =
        Comparison::expecting(&then.summary(), &scene.summary(), &Tolerance::default(), &expected);
    let nodes: Vec<MacId> = scene.summary().nodes.iter().map(|node| node.mac_id).collect();
    if nodes == [5, 9, 21].map(|mac| MacId::new(mac).unwrap()) {
        comparison.newcomers
    } else {
        Vec::new()
    }
}

fn drawn(screen: &Screen, width: u16, height: u16) -> TestBackend {
    let mut terminal = Terminal::new(TestBackend::new(width, height)).unwrap();
    terminal.draw(|frame| view::draw(screen, frame)).unwrap();
    terminal.backend().clone()
}

fn text(backend: &TestBackend) -> String {
    let buffer = backend.buffer();
    let width = usize::from(buffer.area.width);
    let rows = buffer.content.chunks(width);
    let line = |row: &[ratatui::buffer::Cell]| {
        row.iter().map(|cell| cell.symbol()).collect::<String>().trim_end().to_string()
    };
    rows.map(line).collect::<Vec<_>>().join("\n")
}

/// Each stretch of one style that is not the terminal's own: what it says and how it looks.
fn styles(backend: &TestBackend) -> String {
    let buffer = backend.buffer();
    let width = usize::from(buffer.area.width);
    let mut out = Vec::new();
    for (y, row) in buffer.content.chunks(width).enumerate() {
        for stretch in row.chunk_by(|a, b| a.style() == b.style()) {
            let style = stretch[0].style();
            let words: String = stretch.iter().map(|cell| cell.symbol()).collect();
            if look(style) != look(Style::new())
                && !words.trim().is_empty()
                && style.add_modifier != Modifier::DIM
            {
                out.push(format!("{y:>2} {:<40} {}", words.trim(), look(style)));
            }
        }
    }
    out.join("\n")
}

fn look(style: Style) -> String {
    format!(
        "{:?} on {:?} {:?}",
        style.fg.unwrap_or_default(),
        style.bg.unwrap_or_default(),
        style.add_modifier
    )
}

#[test]
fn the_overview_at_every_size() {
    let scene = troubled();
    for (width, height) in [(80, 24), (120, 40), (200, 60)] {
        let name = format!("overview-{width}x{height}");
        let plain = drawn(&screen(&scene, PLAIN, true, "v"), width, height);
        insta::assert_snapshot!(name.clone(), text(&plain));
        let coloured = drawn(&screen(&scene, COLOURS, true, "v"), width, height);
        assert_eq!(text(&plain), text(&coloured), "colour is never the only sign");
        insta::assert_snapshot!(format!("{name}-colours"), styles(&coloured));
        insta::assert_snapshot!(format!("{name}-without-colours"), styles(&plain));
        assert!(!styles(&plain).contains("Red"), "no colour where none is wanted");
    }
}

#[test]
fn every_page_in_a_small_terminal() {
    let scene = troubled();
    let page = |name: &str, keys: &str| {
        let screen = screen(&scene, PLAIN, false, keys);
        insta::assert_snapshot!(name, text(&drawn(&screen, 80, 40)));
    };
    page("node-page", "v\n");
    page("findings-page", "f");
    page("log-page", "l");
    page("help-page", "?");
    page("going-to-a-time", "g1:3");
}

#[test]
fn a_trunk_that_is_well_and_one_that_says_nothing() {
    let mut scene = Scene::new();
    scene.scans(300, &[5, 9], &[]);
    let well = text(&drawn(&screen(&scene, PLAIN, true, ""), 80, 24));
    assert!(well.starts_with(" WELL   all 2 nodes that are asked answer"), "{well}");
    let silent = text(&drawn(&screen(&Scene::new(), PLAIN, true, ""), 80, 24));
    assert!(silent.starts_with(" CANNOT TELL   nothing is heard"), "{silent}");
    assert!(silent.contains("nobody was heard yet"), "{silent}");
}

#[test]
fn a_newcomer_is_accepted_point_by_point() {
    let mut scene = Scene::new();
    scene.scans(100, &[5, 9, 21], &[]);
    let early = screen(&scene, PLAIN, true, "");
    insta::assert_snapshot!("newcomer-early", text(&drawn(&early, 80, 24)));
    scene.scans(400, &[5, 9, 21], &[]);
    let accepted = screen(&scene, PLAIN, true, "a");
    insta::assert_snapshot!("newcomer-accepted", text(&drawn(&accepted, 80, 24)));
}

#[test]
fn what_is_over_is_over() {
    let mut scene = Scene::new();
    scene.scans(100, &[5, 9], &[]);
    scene.scans(50, &[5, 9], &[9]);
    let gone = text(&drawn(&screen(&scene, PLAIN, true, ""), 80, 24));
    assert!(gone.starts_with(" NOT WELL   node 9 gone"), "{gone}");
    scene.scans(600, &[5, 9], &[]);
    let back = text(&drawn(&screen(&scene, PLAIN, true, ""), 80, 24));
    assert!(back.starts_with(" WELL NOW   all 2 nodes that are asked answer; earlier"), "{back}");
    assert!(back.contains("was gone"), "{back}");
}

/// Sizes that nobody asked for: nothing panics, and nothing that a terminal obeys comes out.
#[test]
fn any_size_and_every_page() {
    let scene = troubled();
    for theme in [COLOURS, ASCII] {
        for keys in ["", "v\n", "f", "l", "?", "gxx", "t"] {
            let screen = screen(&scene, theme, false, keys);
            for (width, height) in
                [(1, 1), (3, 50), (59, 11), (60, 12), (61, 13), (90, 17), (170, 12), (400, 120)]
            {
                let shown = text(&drawn(&screen, width, height));
                assert!(!shown.contains('\x1b'), "{shown}");
                assert!(theme.unicode || shown.is_ascii(), "{shown}");
            }
        }
    }
}

/// The red, green, yellow and white of terminals: as on a text console, and as brighter ones have
/// them (from memory). Black is black.
const PALETTES: [[(Color, [u8; 3]); 5]; 2] = [
    [
        (Color::Black, [0, 0, 0]),
        (Color::Red, [170, 0, 0]),
        (Color::Green, [0, 170, 0]),
        (Color::Yellow, [170, 85, 0]),
        (Color::White, [255, 255, 255]),
    ],
    [
        (Color::Black, [0, 0, 0]),
        (Color::Red, [205, 0, 0]),
        (Color::Green, [0, 205, 0]),
        (Color::Yellow, [205, 205, 0]),
        (Color::White, [255, 255, 255]),
    ],
];

/// Relative luminance and contrast ratio: W3C, Web Content Accessibility Guidelines 2.2.
fn contrast(a: [u8; 3], b: [u8; 3]) -> f64 {
    let luminance = |colour: [u8; 3]| -> f64 {
        let linear = colour.map(|part| match f64::from(part) / 255.0 {
            low if low <= 0.04045 => low / 12.92,
            part => ((part + 0.055) / 1.055).powf(2.4),
        });
        linear.iter().zip([0.2126, 0.7152, 0.0722]).map(|(part, weight)| part * weight).sum()
    };
    let (a, b) = (luminance(a), luminance(b));
    (a.max(b) + 0.05) / (a.min(b) + 0.05)
}

/// Whatever the terminal's background is: a colour stands only in a block of its own, on which it
/// can be read (3:1 for words that stand out, same source), and black is never bold.
#[test]
fn what_is_coloured_can_be_read_on_dark_and_light() {
    let scene = troubled();
    let mut blocks = 0;
    for keys in ["", "v", "v\n", "f", "l", "?", "gxx", "t"] {
        for (width, height) in [(80, 24), (120, 40), (200, 60)] {
            let drawn = drawn(&screen(&scene, COLOURS, false, keys), width, height);
            for cell in &drawn.buffer().content {
                let (fg, bg) = (cell.fg, cell.bg);
                if (fg, bg) == (Color::Reset, Color::Reset) {
                    continue;
                }
                blocks += 1;
                assert!(!(fg == Color::Black && cell.modifier.contains(Modifier::BOLD)));
                for palette in PALETTES {
                    let known = |colour| palette.iter().find(|known| known.0 == colour);
                    let (Some(fg), Some(bg)) = (known(fg), known(bg)) else {
                        panic!("{fg} on {bg} in {:?}", cell.symbol());
                    };
                    assert!(contrast(fg.1, bg.1) >= 3.0, "{} on {}", fg.0, bg.0);
                }
            }
        }
    }
    assert!(blocks > 100, "{blocks}");
}

/// A full trunk: 63 nodes on 24 rows, those in trouble named even where they are not shown.
#[test]
fn more_nodes_than_rows() {
    let mut scene = Scene::new();
    let nodes: Vec<u8> = (1..=63).collect();
    for _ in 0..20 {
        scene.scans(1, &nodes, &[]);
    }
    scene.scans(8, &nodes, &[60]);
    let shown = text(&drawn(&screen(&scene, PLAIN, true, ""), 80, 24));
    assert!(shown.contains("look at 60"), "{shown}");
    // The first choice is the node in trouble.
    let shown = text(&drawn(&screen(&scene, PLAIN, true, "v"), 80, 24));
    assert!(shown.contains("60  GONE"), "{shown}");
}
