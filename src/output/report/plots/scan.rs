//! A measured scan, drawn as the predicted one is, with the same length of a millisecond.

use super::PlotError;
use super::canvas::{Picture, adopt};
use crate::fieldbus::MacId;
use crate::health::Expectation;
use crate::health::Summary;
use crate::plan::{STROBE_ROW, ScanBar, ScanBarKind, ScanPicture};
use crate::trunk::{MeasuredScan, ScanRecorder, ScanSender};
use crate::words::called;
use crate::words::numbers::{at, number};

/// The pictures of one scan: what each is called and how it came about.
pub(in super::super) struct ScanPictures {
    /// As the plan predicts it.
    pub(in super::super) predicted: Option<Picture>,
    /// One of typical length.
    pub(in super::super) typical: Option<Picture>,
    /// The longest; not drawn where it hardly differs.
    pub(in super::super) longest: Option<Picture>,
}

/// A scan is worth a picture of its own if it took so much longer than a typical one.
const LONGER: f64 = 1.2;

/// Draws them.
pub(in super::super) fn scans(
    summary: &Summary,
    expected: Option<&Expectation>,
    scans: Option<&ScanRecorder>,
) -> Result<ScanPictures, PlotError> {
    let typical = scans.and_then(ScanRecorder::typical);
    let longest = scans.and_then(ScanRecorder::longest).filter(|longest| {
        typical.is_none_or(|typical| longest.busy.as_secs() > LONGER * typical.busy.as_secs())
    });
    let count = scans.map_or(0, ScanRecorder::count);
    let mut pictures = [
        expected.map(|expected| ScanPicture::predicted(expected.plan(), expected.traffic())),
        typical.map(|scan| {
            measured(scan, "typical", &format!("of {}", number(count, "scan")), summary)
        }),
        longest.map(|scan| {
            measured(scan, "longest", &format!("of {}", number(count, "scan")), summary)
        }),
    ];
    // One length of a millisecond in all, so that they can be held one below the other.
    let shown = pictures.iter().flatten().map(|picture| picture.shown_ms).fold(0.0, f64::max);
    pictures.iter_mut().flatten().for_each(|picture| picture.shown_ms = shown);
    let [predicted, typical, longest] = pictures;
    let drawn = |picture: Option<ScanPicture>, title: &str| {
        let adopted = |picture: ScanPicture| {
            adopt(&picture.to_svg()?, title.to_string(), description(&picture))
        };
        picture.map(adopted).transpose()
    };
    Ok(ScanPictures {
        predicted: drawn(predicted, "The predicted scan")?,
        typical: drawn(typical, "A typical scan, measured")?,
        longest: drawn(longest, "The longest scan, measured")?,
    })
}

fn description(picture: &ScanPicture) -> String {
    format!(
        "{}. {} in {}.",
        picture.heading,
        number(picture.bars.len() as u64, "frame"),
        number(picture.rows.len() as u64, "row")
    )
}

fn measured(scan: &MeasuredScan, which: &str, of: &str, summary: &Summary) -> ScanPicture {
    let mut rows: Vec<Option<MacId>> = scan.frames.iter().map(|frame| frame.node).collect();
    rows.sort();
    rows.dedup();
    let label = |row: Option<MacId>| match row {
        Some(mac_id) => called(mac_id, summary.name(mac_id)),
        None => STROBE_ROW.to_string(),
    };
    let bars = scan.frames.iter().map(|frame| ScanBar {
        node: frame.node,
        begin_ms: frame.begin.as_secs() * 1e3,
        end_ms: frame.end.as_secs() * 1e3,
        kind: match frame.sender {
            ScanSender::Master => ScanBarKind::Command,
            ScanSender::Node => ScanBarKind::Response,
            ScanSender::Other => ScanBarKind::Other,
        },
    });
    let (busy_ms, interval_ms) = (scan.busy.as_secs() * 1e3, scan.period.as_secs() * 1e3);
    let left_out = match scan.frames_left_out {
        0 => String::new(),
        count => format!("; {} not drawn", number(count, "later frame")),
    };
    ScanPicture {
        heading: format!(
            "the {which} scan {of}, at {}: over after {busy_ms:.2} ms of {interval_ms:.2} ms",
            at(scan.start.as_secs())
        ),
        remark: format!("measured; a frame's begin by its bits{left_out}"),
        rows: rows.into_iter().map(|row| (row, label(row))).collect(),
        bars: bars.collect(),
        errors_ms: scan.errors.iter().map(|error| error.as_secs() * 1e3).collect(),
        interval_ms,
        shown_ms: ScanPicture::room(busy_ms, interval_ms),
    }
}
