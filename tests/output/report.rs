//! The report: its structure, what it escapes, and that it can be read without seeing it.

use std::collections::BTreeSet;

use crate::common::paper::{eventful, full, report, report_against, report_with_visits};
use crate::common::scene::{Scene, device};
use dropline::Nanos;
use dropline::record::What;

/// Elements that the page may hold; the shapes are those of plots.
const ALLOWED: &str = "html head meta title style body header main section article h1 h2 h3 p div \
    span strong a ul ol li dl dt dd br label input table caption thead tbody tr th td figure \
    figcaption svg desc circle line polygon polyline rect text";

/// The elements of a page, each with its attributes, without those that close.
fn elements(html: &str) -> impl Iterator<Item = (&str, &str)> {
    html.split('<').skip(1).filter_map(|rest| {
        let inside = rest.split_once('>').map_or(rest, |(inside, _)| inside);
        let opens = inside.starts_with(|c: char| c.is_ascii_alphabetic());
        let (name, attributes) = inside.split_once([' ', '\n']).unwrap_or((inside, ""));
        opens.then_some((name, attributes))
    })
}

/// What stands between tags, with our own words for what is escaped.
fn text_after<'a>(html: &'a str, open: &str) -> Vec<&'a str> {
    html.split(open)
        .skip(1)
        .filter_map(|rest| Some(rest.split_once('>')?.1.split_once('<')?.0.trim()))
        .collect()
}

/// Headings, tables with their columns, and plots, in order, a line each.
fn outline(html: &str) -> String {
    let mut out = String::new();
    for (at, _) in html.match_indices('<') {
        let rest = &html[at + 1..];
        let Some((tag, inside)) = rest.split_once('>') else { continue };
        let name = tag.split(' ').next().unwrap_or_default();
        let indent = match name {
            "h1" => "",
            "h2" => "  ",
            "h3" | "caption" | "title" => "    ",
            "th" if tag.contains("scope=\"col") => "      | ",
            _ => continue,
        };
        let inside = inside.split_once(&format!("</{name}>")).map_or("", |(inside, _)| inside);
        let words: String = inside
            .split('<')
            .map(|part| part.split_once('>').map_or(part, |(_, words)| words))
            .collect();
        out += &format!("{indent}{}\n", words.trim());
    }
    out
}

#[test]
fn the_structure() {
    let site = Some("Orchard Lane, cider bottling line");
    insta::assert_snapshot!(outline(&report(&eventful(), "scene.jsonl", site, None)));
}

/// The baseline against now and the trend, on a page that is accessible, too.
#[test]
fn earlier_visits_stand_beside_it() {
    let mut well = Scene::new();
    for node in [5, 12, 13] {
        well.claim(node, device(node.into()));
    }
    well.scans(600, &[5, 12, 13], &[]);
    well.end();
    let empty = Scene::new();
    let html = report_with_visits(
        &[("signed-off", &well), ("<b>spring\u{1B}", &empty), ("summer", &well)],
        &eventful(),
        "scene.jsonl",
    );
    check_accessible(&html);
    let outline = outline(&html);
    let from = outline.find("The baseline against now").expect("the comparison");
    let to = outline.find("Who was on line").expect("the plots");
    insta::assert_snapshot!("earlier-visits", &outline[from..to]);
    assert!(html.contains("Worse than the baseline"));
    assert!(html.contains("4 visits from 2 March 2020 to 2 March 2026"));
    assert!(html.contains("&lt;b&gt;spring?") && !html.contains('\u{1B}'));
    let plain = report(&eventful(), "scene.jsonl", None, None);
    assert!(!plain.contains("baseline") && !plain.contains("visits-plot"));
}

/// Names, notes and what the command line says, all hostile.
#[test]
fn nothing_from_outside_becomes_an_element() {
    const SCRIPT: &str = "<script>alert(1)</script>";
    const IMAGE: &str = "\"><img src=x onerror=alert(1)>";
    let mut scene = eventful();
    scene.push(What::Mark(format!("{SCRIPT}{IMAGE}\u{1B}[31m").into()));
    scene.push(What::LinkDown(Some("</table><iframe>".into())));
    let html = report(&scene, SCRIPT, Some(&format!("{SCRIPT}{IMAGE}")), Some("' onload='x"));
    let allowed: BTreeSet<&str> = ALLOWED.split_whitespace().collect();
    let strange: Vec<_> = elements(&html).filter(|(name, _)| !allowed.contains(name)).collect();
    assert!(strange.is_empty(), "{strange:?}");
    assert!(html.contains("&lt;script&gt;alert(1)&lt;/script&gt;&quot;&gt;&lt;img"));
    assert!(!html.contains('\u{1B}'));
    let handler = |attributes: &str| attributes.split_whitespace().any(|a| a.starts_with("on"));
    assert!(elements(&html).all(|(_, attributes)| !handler(attributes)));
}

/// The plan beside what was measured; its names are escaped, in the picture of the scan, too.
#[test]
fn a_plan_is_held_against_the_wire() {
    const PLAN: &str = r#"
        [trunk]
        name = "<b>Orchard\u202E Lane</b>"
        bitrate = 125000
        scan_interval_ms = 20.0
        terminators_at_m = [0, 40]
        [[trunk.section]]
        cable = "thick"
        length_m = 40.0
        [[trunk.supply]]
        name = "<i>supply\u2066"
        position_m = 2.0
        voltage_v = 24.0
        current_a = 4.0
        [[node]]
        mac_id = 12
        position_m = 10.0
        drop_m = 1.0
        current_a = 0.1
        name = "<script>infeed"
        connection = "poll"
        command_bytes = 4
        response_bytes = 6
        [[node]]
        mac_id = 50
        connection = "poll"
        command_bytes = 2
        response_bytes = 2
    "#;
    let site = Some("Orchard\u{202E} Lane\u{7}");
    let html = report_against(Some(PLAN), &eventful(), "scene.jsonl", site, None);
    let turns = |c: char| {
        let invisible = matches!(c, '\u{200B}'..='\u{200F}' | '\u{2028}'..='\u{202E}' | '\u{2066}'..='\u{2069}');
        invisible || c.is_control() && c != '\n'
    };
    assert!(!html.contains(turns));
    check_accessible(&html);
    let allowed: BTreeSet<&str> = ALLOWED.split_whitespace().collect();
    assert!(elements(&html).all(|(name, _)| allowed.contains(name)));
    let plan = html.split_once("id=\"plan\"").unwrap().1.split_once("</section>").unwrap().0;
    assert_eq!(plan.matches("&lt;script&gt;infeed").count(), 1);
    assert!(plan.contains("id=\"trunk-map-title\"") && plan.contains("&lt;i&gt;supply?, 24 V"));
    let scan = html.split_once("id=\"scan\"").unwrap().1.split_once("</section>").unwrap().0;
    assert_eq!(scan.matches("&lt;script&gt;infeed").count(), 2);
    assert!(scan.contains("scan-predicted") && scan.contains("scan-typical"));
    let rows = text_after(plan, "<td class=\"n\"");
    assert!(rows.windows(2).any(|pair| pair == ["4 / 6", "4 / 4"]), "{rows:?}");
    assert!(plan.contains("never heard") && plan.contains("not in the plan"));
    assert!(!report(&eventful(), "scene.jsonl", None, None).contains("id=\"plan\""));
}

#[test]
fn nothing_is_loaded_and_no_script_may_run() {
    let html = report(&eventful(), "scene.jsonl", None, None);
    assert!(html.contains("content=\"default-src 'none'; style-src 'unsafe-inline'\""));
    for (name, attributes) in elements(&html) {
        for attribute in ["src=", "srcset=", "action=", "data=", "href=\"http", "href=\"//"] {
            assert!(!attributes.contains(attribute), "{name} {attributes}");
        }
    }
    let style = html.split_once("<style>").unwrap().1.split_once("</style>").unwrap().0;
    assert!(!style.contains("url(") && !style.contains("@import"));
}

fn check_accessible(html: &str) {
    let levels = elements(html)
        .filter_map(|(name, _)| name.strip_prefix('h').and_then(|level| level.parse::<u8>().ok()));
    let mut before = 0;
    for level in levels {
        assert!(level <= before + 1, "a heading of level {level} after one of {before}");
        before = level;
    }
    assert!(before > 0);
    let mut ids = BTreeSet::new();
    let ids_of = |attributes: &str, key: &str| -> Vec<String> {
        let value = attributes.split(&format!("{key}=\"")).nth(1);
        let value = value.and_then(|rest| rest.split('"').next()).unwrap_or_default();
        value.split_whitespace().map(String::from).collect()
    };
    for (name, attributes) in elements(html) {
        let attributes = &format!(" {attributes}");
        for id in ids_of(attributes, " id") {
            assert!(ids.insert(id.clone()), "{id} twice");
        }
        match name {
            "th" => assert!(attributes.contains("scope="), "a table header without its scope"),
            "svg" => assert!(attributes.contains("role=\"img\"")),
            "html" => assert!(attributes.contains("lang=")),
            _ => {}
        }
    }
    for (_, attributes) in elements(html) {
        for key in ["aria-labelledby", "aria-describedby", "for"] {
            for id in ids_of(attributes, key) {
                assert!(ids.contains(&id), "{key} {id} names nothing");
            }
        }
    }
    assert_eq!(html.matches("<svg").count(), html.matches("<desc").count());
    assert_eq!(html.matches("<table").count(), html.matches("<caption").count());
    assert!(text_after(html, "<desc").iter().all(|words| words.len() > 20));
}

#[test]
fn it_can_be_read_without_seeing_it() {
    check_accessible(&report(&eventful(), "scene.jsonl", None, None));
    check_accessible(&report(&full(), "full.jsonl", Some("Orchard Lane"), Some("A. Fitter")));
}

/// Contrast by the formula of WCAG 2.1 (4.5:1 for text): every colour that carries words,
/// on the paper and on what else it stands on.
#[test]
fn words_stand_out() {
    let luminance = |colour: &str| {
        let part = |at: usize| {
            let value = f64::from(u8::from_str_radix(&colour[at..at + 2], 16).unwrap()) / 255.0;
            if value <= 0.03928 { value / 12.92 } else { ((value + 0.055) / 1.055).powf(2.4) }
        };
        0.2126 * part(1) + 0.7152 * part(3) + 0.0722 * part(5)
    };
    let contrast = |a: &str, b: &str| {
        let (a, b) = (luminance(a), luminance(b));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    };
    assert!((contrast("#000000", "#ffffff") - 21.0).abs() < 1e-9);
    let html = report(&eventful(), "scene.jsonl", None, None);
    let texts: BTreeSet<&str> = elements(&html)
        .filter(|(name, _)| *name == "text")
        .filter_map(|(_, attributes)| attributes.split("fill=\"").nth(1)?.split('"').next())
        .collect();
    assert!(texts.len() > 1);
    for colour in texts.iter().filter(|colour| **colour != "#FFFFFF") {
        assert!(contrast(colour, "#ffffff") >= 4.5, "{colour} on paper");
    }
    let style = html.split_once("<style>").unwrap().1.split_once("</style>").unwrap().0;
    for words in ["--ink: ", "--soft: ", "--teal: ", "ill { color: ", "look { color: "] {
        let colour = &style[style.find(words).unwrap() + words.len()..][..7];
        assert!(contrast(colour, "#ffffff") >= 4.5, "{words}{colour} on paper");
    }
}

#[test]
fn poor_captures_make_a_page_too() {
    let empty = report(&Scene::new(), "empty.jsonl", None, None);
    check_accessible(&empty);
    assert!(empty.contains("Cannot tell"));
    let mut lone = Scene::new();
    lone.bitrate = None;
    lone.now = Nanos(i64::MAX);
    lone.poll(12);
    lone.now = Nanos(i64::MIN);
    lone.error(0x088, 0);
    check_accessible(&report(&lone, "lone.jsonl", None, None));
}
