//! A scene as the page to hand over.

use dropline::internal::output::event_log::EventDigest;
use dropline::internal::output::report::{HashedFile, Report};
use dropline::planning::Plan;
use dropline::record::What;
use dropline::state::ScanRecorder;
use dropline::summary::{Comparison, Tolerance, Trend};
use dropline::{Analysis, Expectation, SourceKind, Summary};

use super::scene::{Scene, device, mac};

/// The report of a scene, with what the command line would say of site and person.
pub fn report(scene: &Scene, name: &str, site: Option<&str>, by: Option<&str>) -> String {
    report_against(None, scene, name, site, by)
}

/// The same, with a plan.
pub fn report_against(
    plan: Option<&str>,
    scene: &Scene,
    name: &str,
    site: Option<&str>,
    by: Option<&str>,
) -> String {
    write(plan, &[], scene, name, site, by)
}

/// The same, with earlier visits: the first is the baseline, all make the trend.
pub fn report_with_visits(earlier: &[(&str, &Scene)], scene: &Scene, name: &str) -> String {
    write(None, earlier, scene, name, Some("Orchard Lane"), None)
}

fn write(
    plan: Option<&str>,
    earlier: &[(&str, &Scene)],
    scene: &Scene,
    name: &str,
    site: Option<&str>,
    by: Option<&str>,
) -> String {
    let plan = plan.map(|text| Expectation::new(Plan::parse(text).unwrap()));
    let mut analysis = Analysis::new(&scene.header()).with_plan(plan);
    let mut log = EventDigest::default();
    let mut scans = scene.header().bitrate.map(ScanRecorder::new);
    for record in &scene.records {
        if let What::Mark(text) = &record.what {
            log.mark(record.t, text);
        }
        analysis.take(record, &mut |t, event| log.event(t, &event));
        if let Some(scans) = &mut scans {
            scans.take(record);
        }
    }
    let mut events = |t, event| log.event(t, &event);
    let finished = analysis.finish_with_state(SourceKind::Capture, name, 0, &mut events);
    let mut visits: Vec<(String, Summary)> = Vec::new();
    for (number, (name, scene)) in earlier.iter().enumerate() {
        let mut summary = scene.summary();
        summary.source.name = name.to_string();
        summary.source.started = format!("202{number}-03-02T06:30:00Z").parse().unwrap();
        visits.push((format!("{name}.summary.json"), summary));
    }
    let now = &finished.summary;
    let baseline =
        visits.first().map(|(_, then)| Comparison::new(then, now, &Tolerance::default()));
    let all = visits.iter().map(|(file, visit)| (file.clone(), visit));
    let trend = Trend::new(all.chain([(name.to_string(), now)]));
    let trend = (!visits.is_empty()).then_some(&trend);
    let baseline = baseline.as_ref();
    let zone = &jiff::tz::TimeZone::UTC;
    let (log, scans, files) = (&log, scans.as_ref(), &files());
    let finished = &finished;
    let report = Report { finished, log, scans, baseline, trend, site, by, zone, files };
    report.to_html().unwrap()
}

/// A trunk with a bit of everything: an absence, a clash, a restart, errors, notes, loss.
pub fn eventful() -> Scene {
    use dropline::internal::fieldbus::AddressCheckKind::{Request, Response};
    let nodes = [5, 12, 13];
    let mut scene = Scene::new();
    for node in nodes {
        scene.claim(node, device(node.into()));
    }
    scene.scans(300, &nodes, &[]);
    scene.push(What::Mark("conveyor drive started".into()));
    scene.scans(50, &nodes, &[12]);
    scene.scans(100, &nodes, &[]);
    scene.check(5, Request, device(77));
    scene.check(5, Response, device(5));
    for _ in 0..7 {
        scene.error(0x088, 0x0000_0400_0000_0000);
    }
    scene.error(0x204, 0x0004_0000_0000_0060);
    scene.scans(100, &[5, 12, 13, 40], &[40]);
    scene.error(0x204, 0x0020_0000_0000_0080);
    scene.error(0x040, 0);
    scene.push(What::Lost(17));
    scene.claim(13, device(13));
    scene.scans(100, &nodes, &[]);
    scene.end();
    scene
}

/// Every address taken, polled and answering.
pub fn full() -> Scene {
    let mut scene = Scene::new();
    scene.bitrate = Some(500_000);
    let nodes: Vec<u8> = (1..64).collect();
    for &node in &nodes {
        scene.check(
            node,
            dropline::internal::fieldbus::AddressCheckKind::Request,
            device(node.into()),
        );
    }
    assert_eq!(mac(63).get(), 63);
    for round in 0..40 {
        scene.scans(3, &nodes, &[]);
        scene.scans(5, &nodes, &[nodes[round]]);
    }
    scene.end();
    scene
}

fn files() -> Vec<HashedFile> {
    // SHA-256 of the empty message: FIPS 180-4, as in its examples.
    let sha256 = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855".into();
    vec![HashedFile { name: "scene.jsonl".into(), sha256 }]
}
