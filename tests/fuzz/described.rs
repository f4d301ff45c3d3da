//! What must hold for files that describe something: data sheets, plans, scenarios, summaries.

use std::fmt::Write;

use dropline::internal::fieldbus::{DataSheet, SheetIndex, SheetMatch, decode_text};
use dropline::planning::{Plan, PlanReport, Size, Traffic};
use dropline::planning::{scan_svg, text};
use dropline::record::{Tally, What};
use dropline::simulation::scenario::Seconds;
use dropline::simulation::{Scenario, SimSource};
use dropline::state::Trunk;
use dropline::state::{ConnectionKind, IdentityObject};
use dropline::summary::{Comparison, Judgement, Tolerance};
use dropline::{Expectation, Record, Summary};

/// A data sheet finds the device that it describes, offers the sizes that it offers, has its
/// problems at lines that are there, and says the same when it is written out cleanly.
pub fn data_sheet(bytes: &[u8]) {
    let text = decode_text(bytes);
    let sheet = DataSheet::parse("any.eds", &text);
    let lines = text.split(['\n', '\r']).count();
    assert!(sheet.problems.iter().all(|problem| (1..=lines).contains(&problem.line)));
    assert!(sheet.problems.len() <= 101 && sheet.problems.is_sorted_by_key(|p| p.line));
    for kind in [ConnectionKind::Poll, ConnectionKind::Strobe, ConnectionKind::ChangeOfState] {
        for input in sheet.inputs.iter().filter(|input| input.is_for(kind)) {
            assert_eq!(sheet.produced_not_offered(kind, input.bytes), None);
        }
        for output in sheet.outputs.iter().filter(|output| output.is_for(kind)) {
            assert_eq!(sheet.consumed_not_offered(kind, output.bytes), None);
        }
    }
    let again = DataSheet::parse("any.eds", &written(&sheet));
    let said = |sheet: &DataSheet| {
        let numbers = [sheet.vendor_id, sheet.device_type, sheet.product_code];
        (numbers, sheet.major_revision, sheet.minor_revision, sheet.product_name.clone())
    };
    assert_eq!(said(&again), said(&sheet));

    let device = IdentityObject {
        vendor_id: sheet.vendor_id,
        device_type: sheet.device_type,
        product_code: sheet.product_code,
        revision: sheet.major_revision.zip(sheet.minor_revision),
        ..IdentityObject::default()
    };
    let mut index = SheetIndex::default();
    index.add(sheet.clone());
    let found = index.find(&device);
    match (device.vendor_id.and(device.product_code), device.revision) {
        (None, _) => assert_eq!(found, SheetMatch::IdentityUnknown),
        (_, None) => assert_eq!(found, SheetMatch::RevisionUnknown(&sheet)),
        _ => assert_eq!(found, SheetMatch::Right(&sheet)),
    }
}

/// Who the device is, as a careful author would write it.
fn written(sheet: &DataSheet) -> String {
    let mut text = String::from("[Device]\n");
    let numbers = [
        ("VendCode", sheet.vendor_id),
        ("ProdType", sheet.device_type),
        ("ProdCode", sheet.product_code),
        ("MajRev", sheet.major_revision.map(u16::from)),
        ("MinRev", sheet.minor_revision.map(u16::from)),
    ];
    for (name, number) in numbers {
        if let Some(number) = number {
            writeln!(text, "{name} = {number};").unwrap();
        }
    }
    if let Some(name) = &sheet.product_name {
        let name = name.replace('\\', "\\\\").replace('"', "\\\"");
        writeln!(text, "ProdName = \"{name}\";").unwrap();
    }
    text
}

/// A plan is refused with all its problems, at lines that are there; or its prediction and its
/// drawing hold numbers only.
pub fn plan(bytes: &[u8]) {
    let Ok(source) = str::from_utf8(bytes) else { return };
    let plan = match Plan::parse(source) {
        Ok(plan) => plan,
        Err(error) => {
            let lines = source.split('\n').count();
            assert!(error.iter().len() > 0 && error.iter().is_sorted_by_key(|p| p.line));
            assert!(error.iter().all(|problem| (1..=lines).contains(&problem.line)));
            return;
        }
    };
    assert!(plan.nodes().is_sorted_by(|a, b| a.mac_id < b.mac_id));
    assert!(plan.nodes().iter().all(|node| plan.node(node.mac_id) == Some(node)));
    let traffic = Traffic::of(&plan);
    let size = Size { command_bytes: 4, response_bytes: 4 };
    let page = text(&PlanReport::of(&plan, &traffic, size));
    let svg = scan_svg(&plan, &traffic).unwrap_or_default();
    // Unless a name in it is that.
    if ["nan", "inf"].iter().all(|word| !source.to_lowercase().contains(word)) {
        assert!(!page.contains("NaN") && !svg.contains("NaN"), "{page}");
        assert!(!page.contains("inf ") && !svg.contains("\"inf"), "{page}");
    }
    Expectation::new(plan).apply_to(&mut Trunk::default());
}

/// A scenario is refused at a line that is there; or it runs, in the order of time, the same
/// each time, and its end counts its records.
pub fn scenario(bytes: &[u8]) {
    let Ok(source) = str::from_utf8(bytes) else { return };
    let mut scenario = match Scenario::parse(source) {
        Ok(scenario) => scenario,
        Err(error) => {
            let lines = source.split('\n').count();
            assert!(error.iter().all(|problem| (1..=lines).contains(&problem.line)));
            return;
        }
    };
    // The address checks take two seconds, then the scan begins.
    let moment = scenario.trunk.duration_s.0.min(2.3);
    scenario.trunk.duration_s = Seconds::try_from(moment).unwrap();
    let records = simulated(scenario.clone());
    assert_eq!(simulated(scenario), records);
    assert!(records.is_sorted_by_key(|record| record.t));
    let Some((last, before)) = records.split_last() else { return };
    if let What::End(end) = &last.what {
        let mut tally = Tally::default();
        before.iter().for_each(|record| tally.add(&record.what));
        assert_eq!(**end, tally);
    }
}

fn simulated(scenario: Scenario) -> Vec<Record> {
    // At the fastest bit rate there are some 50,000 frames in that time.
    const STEPS: usize = 1_000_000;
    let mut source = SimSource::new(scenario, None);
    let (mut records, mut some) = (Vec::new(), Vec::new());
    for _ in 0..STEPS {
        let more = source.next_records(&mut some);
        records.append(&mut some);
        if !more {
            return records;
        }
    }
    panic!("the simulation does not end");
}

/// A summary that can be read is written and read back as the same, has a page, and compared
/// with itself it is not worse; tolerances that can be read do not change that.
pub fn summary(bytes: &[u8]) {
    let (first, second) = bytes.split_at(bytes.iter().position(|&b| b == 0).unwrap_or(bytes.len()));
    let tolerance = match Tolerance::parse(&String::from_utf8_lossy(second).replace('\0', "")) {
        Ok(tolerance) => tolerance,
        Err(error) => {
            assert!(error.iter().all(|p| p.line >= 1 && !p.what.is_empty()));
            Tolerance::default()
        }
    };
    let summary = match Summary::from_json(first) {
        Ok(summary) => summary,
        Err(error) => return assert!(!error.to_string().contains('\n')),
    };
    assert_eq!(Summary::from_json(summary.to_json().as_bytes()).unwrap(), summary);
    assert!(!dropline::internal::output::page(&summary, &jiff::tz::TimeZone::UTC, true).is_empty());
    let comparison = Comparison::new(&summary, &summary, &tolerance);
    assert_ne!(comparison.judgement, Judgement::Worse);
    assert!(serde_json::from_str::<serde_json::Value>(&comparison.to_json()).is_ok());
}
