//! dropline: a passive bus-health monitor for DeviceNet trunks (IEC 62026-3, on CAN).
//!
//! One data path, in one direction; each stage knows only those to its left:
//!
//! ```text
//!  source            wire             fieldbus            trunk              health            output
//!  socket  ─┐      ┌ bits: length,  ┌ identifier group,  ┌ nodes, polls,   ┌ findings,      ┌ pages
//!  capture ─┼─►    │ stuffing, CRC  │ explicit message,  │ load, errors,   │ summary,       │ capture
//!  pcapng  ─┤Record│ error classes  │ address check,     │ clashes,        │ comparison,    │ report
//!  sim     ─┘      └ timestamps     └ drive I/O          └ connections     └ prediction     └ view
//! ```
//!
//! From a [`Record`] to the [`Summary`] everything is plain synchronous code without clocks, files
//! or sockets: a record goes in, events come out. So a live watch and a replay are the same
//! analysis by construction.
//!
//! A capture, read and analysed:
//!
//! ```
//! use dropline::capture::{self, ReadOptions, Reader};
//! use dropline::{Analysis, SourceKind};
//!
//! let path = "captures/loose-connector.jsonl.zst";
//! let mut capture = capture::open(path.as_ref(), &ReadOptions::default())?;
//! let mut analysis = Analysis::new(capture.header());
//! let mut events = Vec::new();
//! let mut batch = Vec::new();
//! while capture.read(&mut batch)? {
//!     for record in batch.drain(..) {
//!         analysis.take(&record, &mut |time, event| events.push((time, event)));
//!     }
//! }
//! // Each cause stands before what follows from it.
//! let cause = analysis.findings().into_iter().next().expect("a loose connector is found");
//! assert_eq!((cause.code.name(), cause.explained_by), ("node-left", None));
//!
//! let unreadable = capture.unreadable();
//! let summary = analysis.finish(SourceKind::Capture, path, unreadable, &mut |_, _| {});
//! assert_eq!(summary.findings[0].code, cause.code);
//! assert!(!events.is_empty());
//! # Ok::<(), dropline::capture::SourceError>(())
//! ```

// What only a live watch uses is not used where there is none.
#![cfg_attr(not(target_os = "linux"), allow(dead_code, unused_imports))]

mod analysis;
mod cli;
mod fieldbus;
mod health;
#[doc(hidden)]
pub mod internal;
mod output;
mod plan;
mod sim;
mod source;
mod toml_reader;
mod trunk;
mod wire;
mod words;

pub use analysis::{Analysis, Finished, Given};
pub use fieldbus::{DeviceId, MacId};
pub use health::summary::SourceKind;
pub use health::{CatalogueEntry, Code, Evidence, Expectation, Finding, Rank, Severity, Summary};
pub use toml_reader::TomlProblems;
pub use trunk::Event;
pub use wire::{BitTime, Bitrate, Nanos, Record};

/// Records: what an adapter or a capture says, one after the other, and the frames in them.
///
/// The bits of a frame on the wire are counted, stuff bits included:
///
/// ```
/// use dropline::record::{Frame, StandardId};
/// use dropline::{BitTime, Bitrate, Nanos};
///
/// // ISO 11898-1: 44 bits and 3 of intermission, and a stuff bit after five alike: from the RTR
/// // bit to the data length code all seven are zero.
/// let id = StandardId::new(0x555).expect("an 11-bit identifier");
/// let frame = Frame::data(id, &[]).expect("at most eight bytes");
/// assert_eq!(frame.wire_bits(), BitTime(48));
/// let bitrate = Bitrate::new(500_000).expect("a bit rate");
/// assert_eq!(bitrate.duration(frame.wire_bits()), Nanos(96_000));
/// ```
pub mod record {
    pub use crate::wire::{
        BitrateError, Cause, CauseSet, Clock, ControllerState, Data, ErrorFrame, ErrorKind,
        ExtendedId, Frame, Header, Id, Payload, RemoteLength, StandardId, Tally, What, wire_bits,
    };
}

/// Where records come from: a saved capture of any format, several as one, a live interface.
///
/// ```
/// use dropline::capture::{self, ReadOptions, Reader};
///
/// let mut capture = capture::open("captures/healthy.jsonl.zst".as_ref(), &ReadOptions::default())?;
/// assert_eq!(capture.header().bitrate.map(u32::from), Some(125_000));
/// let mut batch = Vec::new();
/// let mut count = 0;
/// while capture.read(&mut batch)? {
///     count += batch.drain(..).count();
/// }
/// assert!(count > 1000);
/// # Ok::<(), dropline::capture::SourceError>(())
/// ```
///
/// Live, on a controller in listen-only mode:
///
/// ```no_run
/// use dropline::capture::{LiveOptions, LiveSource, open_live};
///
/// # async fn listen(options: LiveOptions) -> Result<(), dropline::capture::SourceError> {
/// let mut live = open_live(options)?;
/// let mut batch = Vec::new();
/// live.receive(&mut batch).await?;
/// # Ok(())
/// # }
/// ```
pub mod capture {
    #[cfg(target_os = "linux")]
    pub use crate::source::Safety;
    pub use crate::source::{
        CaptureFormat, Carried, LiveOptions, LiveSource, Progress, ReadAhead, ReadOptions, Reader,
        RecordWriter, SourceError, open, open_all, open_live, open_reader,
    };
}

/// The state of the trunk and of each node, as far as the records tell.
///
/// ```
/// use dropline::simulation::{Scenario, SimSource};
/// use dropline::{Analysis, MacId};
///
/// let mut trunk = SimSource::demo();
/// let mut analysis = Analysis::new(trunk.header());
/// let mut batch = Vec::new();
/// while trunk.next_records(&mut batch) {
///     batch.drain(..).for_each(|record| analysis.take(&record, &mut |_, _| {}));
/// }
/// let polled = analysis.trunk().nodes().filter(|(_, node)| node.has_io()).count();
/// assert!(polled > 1);
/// ```
pub mod state {
    pub use crate::fieldbus::{
        Assembly, AssemblyDirection, ConnectionKind, ConnectionState, DeviceStatus, DriveCommand,
        DriveState, DriveStatus, GeneralStatus, IdentityObject, InputAssembly, Light,
        OutputAssembly, Profile, Signal, WatchdogAction,
    };
    pub use crate::trunk::*;
}

/// What the summary holds, and two of them compared.
///
/// ```
/// # use dropline::{Analysis, SourceKind, Summary};
/// # use dropline::simulation::SimSource;
/// use dropline::summary::{Comparison, Judgement, Tolerance};
///
/// # let mut trunk = SimSource::demo();
/// # let mut analysis = Analysis::new(trunk.header());
/// # let mut batch = Vec::new();
/// # while trunk.next_records(&mut batch) {
/// #     batch.drain(..).for_each(|record| analysis.take(&record, &mut |_, _| {}));
/// # }
/// let summary = analysis.finish(SourceKind::Simulated, "demo", 0, &mut |_, _| {});
/// let baseline = Summary::from_json(summary.to_json().as_bytes())?;
/// let comparison = Comparison::new(&baseline, &summary, &Tolerance::default());
/// assert_eq!(comparison.judgement, Judgement::Same);
/// # Ok::<(), dropline::summary::SummaryError>(())
/// ```
pub mod summary {
    pub use crate::health::compare::*;
    pub use crate::health::summary::*;
    pub use crate::health::{ErrorTrend, TrendDirection};
}

/// The trunk as it is meant to be: load, response times, cable and supply of a plan.
///
/// ```
/// use dropline::planning::{Plan, Traffic};
/// use dropline::{Analysis, Expectation, Given};
/// # use dropline::record::Header;
/// # let header = dropline::simulation::SimSource::demo().header().clone();
///
/// let text = std::fs::read_to_string("shared/orchard-lane.plan.toml").unwrap();
/// let plan = Plan::parse(&text)?;
/// let traffic = Traffic::of(&plan);
/// assert!(!traffic.messages.is_empty());
///
/// // An analysis with a plan compares the wire with it.
/// let plan = Some(Expectation::new(plan));
/// let analysis = Analysis::new(&header).with(Given { plan, sheets: None });
/// assert!(analysis.plan().is_some());
/// # Ok::<(), dropline::TomlProblems>(())
/// ```
pub mod planning {
    pub use crate::plan::*;
}

/// A simulated trunk with faults, whose every truth is known: for tests and demonstrations.
///
/// ```
/// use dropline::simulation::{Scenario, SimSource};
///
/// let text = std::fs::read_to_string("captures/loose-connector.toml").unwrap();
/// let scenario = Scenario::parse(&text)?;
/// let mut trunk = SimSource::new(scenario, Some(7));
/// let mut batch = Vec::new();
/// assert!(trunk.next_records(&mut batch));
/// # Ok::<(), dropline::TomlProblems>(())
/// ```
pub mod simulation {
    pub use crate::sim::*;
}
