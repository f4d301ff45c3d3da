//! `dropline watch`: listens to a live trunk until it is told to stop.

mod capture_policy;
mod display;
mod hook;
mod newcomers;

use std::ffi::OsString;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::time::Duration;

use anyhow::{anyhow, bail};
use clap::{ArgGroup, Args};
use tokio::sync::oneshot;
use tokio::time::{MissedTickBehavior, interval, timeout};

use self::capture_policy::{CapturePolicy, Margins};
use self::display::{ServiceManager, WatchDisplay};
use self::hook::{Hook, HookOptions};
use self::newcomers::ExpectedNewcomers;
use crate::analysis::Analysis;
use crate::cli::analyse::file_name;
use crate::cli::arguments::{Expected, Results, address, bitrate, bytes, duration, nanos};
use crate::cli::page::{PageArgs, PageRecorder};
use crate::cli::stop::{Stop, block_on};
use crate::cli::terminal::{CommandOutcome, take_diagnostics};
use crate::fieldbus::MacId;
use crate::health::summary::SourceKind;
use crate::health::{OnsetTracker, Summary};
use crate::output::OutputPlace;
use crate::output::capture::{CaptureWriter, Keep, Pieces, Roll, WriterOptions, Written};
use crate::output::metrics::{About, MetricsSnapshot};
use crate::output::view::{Subject, Wish};
use crate::output::web::{Access, Ask, Served, WebServer};
use crate::source::{LiveOptions, LiveSource, SourceError, open_live};
use crate::wire::{Bitrate, Header, Nanos, Record, What};

/// Listen to a live trunk: capture, analysis, and the summary at the end
///
/// Ctrl-C ends it, with capture and summary complete. It never sends a frame, and refuses a
/// controller that could.
#[derive(Debug, Args)]
#[command(group = ArgGroup::new("pieces").args(["roll", "on_finding"]).multiple(true))]
#[command(after_help = "Example: dropline watch can0 --capture line3.jsonl.zst --for 8h

Connecting to a trunk is work inside a cabinet: for qualified people, under the local codes and
the makers' manuals. Isolate and prove dead first; drives hold a charge after they are switched
off. dropline is not a safety device.")]
pub struct WatchArgs {
    /// The CAN interface, such as can0
    #[arg(value_name = "IFACE")]
    interface: String,

    /// Keep every record in this file; compressed if its name ends in .zst. The exit status is 1 if
    /// frames are missing from it that were heard
    #[arg(long, value_name = "FILE")]
    capture: Option<PathBuf>,

    /// Begin another file at this size (100MB) or after this time (1h). Of --capture line3.jsonl
    /// they are line3-000001-20260302T063000Z.jsonl and so on: a number and when it begins
    #[arg(long, value_name = "SIZE|TIME", requires = "capture")]
    roll: Option<Roll>,

    /// Of the files of this name, also those of earlier watches, keep only so many (48), so many
    /// bytes (10GB) or what is not older (30d), and remove the oldest
    #[arg(long, value_name = "N|SIZE|AGE", requires = "pieces")]
    keep: Option<Keep>,

    /// Write only what came before and after something happened: a warning or a fault that is new
    /// or comes again after a quiet time, or a mark. Each time into a file of its own, named as
    /// by --roll
    #[arg(long, requires = "capture")]
    on_finding: bool,

    /// With --on-finding: so much of what came before
    #[arg(long, value_name = "TIME", value_parser = duration, default_value = "30s")]
    before: Duration,

    /// With --on-finding: so much of what comes after; while it goes on, ten times that at most.
    /// What was quiet for so long and then grows happens again, also for --run
    #[arg(long, value_name = "TIME", value_parser = duration, default_value = "30s")]
    after: Duration,

    /// With --on-finding: the most memory for what came before
    #[arg(long, value_name = "SIZE", value_parser = bytes, default_value = "64MB")]
    before_memory: u64,

    /// Run this program when a warning or a fault is new or comes again after a quiet time, with
    /// the finding as a line of JSON on its standard input. It is started as named, without a
    /// shell; to do more than one thing, give a script
    #[arg(long, value_name = "PROGRAM")]
    run: Option<OsString>,

    /// An argument for the program of --run, handed over as it is; give more, in order
    #[arg(long, value_name = "ARG", requires = "run", allow_hyphen_values = true)]
    run_arg: Vec<OsString>,

    /// From one start of the program to the next at least so long; up to 16 findings wait
    #[arg(long, value_name = "TIME", value_parser = duration, default_value = "10s")]
    run_every: Duration,

    /// Serve OpenMetrics over HTTP at this address, for Prometheus and the like: 127.0.0.1:9771
    #[arg(long, value_name = "ADDR:PORT")]
    metrics: Option<SocketAddr>,

    /// Serve metrics also at an address that other machines can reach. There is no password
    #[arg(long, requires = "metrics")]
    allow_remote: bool,

    #[command(flatten)]
    page: PageArgs,

    /// Let who reads the page set marks, which are kept in the capture
    #[arg(long, requires = "page")]
    page_marks: bool,

    /// End the program, and what it started, after so long; at the end of the watch after 20s at most
    #[arg(long, value_name = "TIME", value_parser = duration, default_value = "30s")]
    run_limit: Duration,

    /// Stop by itself after so long: 30s, 10m, 8h
    #[arg(long = "for", value_name = "TIME", value_parser = duration)]
    limit: Option<Duration>,

    /// The trunk's bit rate in bit/s, where the interface has none of its own
    #[arg(long, value_name = "N", value_parser = bitrate)]
    bitrate: Option<Bitrate>,

    /// Listen also through a controller that is able to send. On a wrong bit rate it destroys
    /// live traffic, on the right one it acknowledges frames
    #[arg(long)]
    allow_active: bool,

    /// Plain lines on standard error, even where there is a terminal for the view
    #[arg(long)]
    plain: bool,

    /// What was signed off, a summary or a capture, to hold newcomers against
    #[arg(long, value_name = "FILE", requires = "expect_new")]
    baseline: Option<PathBuf>,

    /// Accept this address as a newcomer to the baseline: each of its points is told as it is seen.
    /// Exit 1 if one fails or was not seen; may be given several times
    #[arg(long, value_name = "ADDRESS", value_parser = address, requires = "baseline")]
    expect_new: Vec<MacId>,

    #[command(flatten)]
    expected: Expected,

    #[command(flatten)]
    results: Results,
}

impl WatchArgs {
    fn policy(&self, header: &Header) -> anyhow::Result<Option<CapturePolicy>> {
        let Some(path) = &self.capture else { return Ok(None) };
        let in_pieces = self.roll.is_some() || self.on_finding;
        let pieces = Pieces { roll: self.roll, keep: self.keep, on_demand: self.on_finding };
        let options = WriterOptions {
            overwrite: self.results.overwrite,
            pieces: in_pieces.then_some(pieces),
            ..WriterOptions::default()
        };
        let writer = CaptureWriter::create(path, header, options)?;
        let margins = self.on_finding.then(|| Margins {
            before: nanos(self.before),
            after: nanos(self.after),
            memory: usize::try_from(self.before_memory).unwrap_or(usize::MAX),
        });
        Ok(Some(CapturePolicy::new(writer, margins)))
    }

    /// The one server for metrics and page, if either is wanted.
    fn web_server(&self) -> anyhow::Result<Option<WebServer>> {
        let mut served: Vec<Served> = self.page.served(self.page_marks)?.into_iter().collect();
        if let Some(metrics) = self.served_metrics()? {
            match served.iter_mut().find(|page| page.address == metrics.address) {
                Some(page) => page.metrics = true,
                None => served.push(metrics),
            }
        }
        if served.is_empty() {
            return Ok(None);
        }
        let addresses: Vec<String> = served.iter().map(|s| s.address.to_string()).collect();
        WebServer::serve(served)
            .map(Some)
            .map_err(|error| anyhow!("cannot serve at {}: {error}", addresses.join(", ")))
    }

    fn served_metrics(&self) -> anyhow::Result<Option<Served>> {
        let Some(address) = self.metrics else { return Ok(None) };
        if !address.ip().is_loopback() && !self.allow_remote {
            bail!(
                "{address}: other machines can reach that, and there is no password; give \
                 127.0.0.1:{}, or --allow-remote to insist",
                address.port()
            );
        }
        // Elsewhere it is known by names that nobody told it.
        let hosts = address.ip().is_loopback().then(Vec::new);
        let access = Access { hosts, token: None };
        Ok(Some(Served { address, access, metrics: true, page: false, marks: false }))
    }

    fn hook(&self) -> anyhow::Result<Option<Hook>> {
        let Some(program) = &self.run else { return Ok(None) };
        let options = HookOptions {
            command: [program].into_iter().chain(&self.run_arg).cloned().collect(),
            every: self.run_every,
            limit: self.run_limit,
        };
        let hook = Hook::new(options);
        hook.map(Some).map_err(|error| anyhow!("cannot start a thread: {error}"))
    }
}

pub fn run(args: &WatchArgs) -> anyhow::Result<CommandOutcome> {
    let read = args.expected.files().with(args.baseline.as_deref());
    if let Some(capture) = args.capture.as_deref().filter(|_| args.results.overwrite) {
        OutputPlace::check(capture, true, &read)?;
    }
    let place = args.results.place(&read.with(args.capture.as_deref()))?;
    block_on(watch(args, place))?
}

/// How often the view gets new numbers.
const VIEW_TICK: Duration = Duration::from_millis(100);

async fn watch(args: &WatchArgs, place: Option<OutputPlace>) -> anyhow::Result<CommandOutcome> {
    let mut stop = Stop::new(args.limit)?;
    let mut source = open_live(LiveOptions {
        interface: args.interface.clone(),
        bitrate: args.bitrate,
        allow_active: args.allow_active,
    })?;
    let mut server = args.web_server()?;
    let mut watch = WatchRun::new(args, &source)?;
    for line in server.iter().flat_map(WebServer::places) {
        watch.display.line(&line);
    }
    let (mut manager, problem) = ServiceManager::ready(&args.interface);
    watch.show(problem.into_iter().collect());
    let mut batch = Vec::new();
    let every = if watch.display.has_view() { VIEW_TICK } else { Duration::from_secs(1) };
    let mut tick = interval(every.min(manager.every()));
    tick.set_missed_tick_behavior(MissedTickBehavior::Skip);
    let broken = loop {
        tokio::select! {
            biased;
            () = stop.wait() => break None,
            _ = tick.tick() => {
                watch.status();
                let problem = manager.alive(&args.interface, watch.analysis.trunk().tally());
                watch.show(problem.into_iter().collect());
            }
            ask = asked(&mut server) => {
                if let Some((note, done)) = watch.answer(ask) {
                    if let Err(error) = mark(&note, &mut source, &mut batch).await {
                        break Some(error);
                    }
                    let _ = done.send(());
                }
            }
            wish = watch.display.wish() => match wish {
                Wish::Quit => break None,
                Wish::Mark(note) => {
                    if let Err(error) = mark(&note, &mut source, &mut batch).await {
                        break Some(error);
                    }
                }
                // The others are for a replay.
                _ => {}
            },
            received = source.receive(&mut batch) => if let Err(error) = received {
                break Some(error);
            },
        }
        watch.take(&mut batch);
        watch.show(source.messages());
    };
    let problem = manager.stopping();
    watch.show(problem.into_iter().collect());
    drop(server);
    let t = source.stop(&mut batch);
    watch.take(&mut batch);
    watch.show(source.messages());
    let WatchEnd { summary, holds, hook, mut display } = watch.finish(t, broken);
    let outcome = args.results.deliver(&summary, place);
    // The summary is there before anybody waits for the program.
    if let Some(hook) = hook {
        let messages = hook.finish(stop.signal(), |line| display.line(line)).await;
        messages.iter().for_each(|message| display.line(message));
    }
    Ok(outcome?.unless(!holds))
}

/// What is left of a watch.
struct WatchEnd {
    summary: Summary,
    /// Every newcomer that is expected is accepted, and the capture lacks nothing.
    holds: bool,
    hook: Option<Hook>,
    display: WatchDisplay,
}

/// Waits until a client wants something.
async fn asked(server: &mut Option<WebServer>) -> Ask {
    match server {
        Some(server) => server.asked().await,
        None => std::future::pending().await,
    }
}

/// Marks this moment. What was received until now comes before the mark, so that the times stay
/// in order.
async fn mark(
    note: &str,
    source: &mut impl LiveSource,
    batch: &mut Vec<Record>,
) -> Result<(), SourceError> {
    let now = source.now();
    while batch.last().is_none_or(|last| last.t < now) {
        match timeout(Duration::ZERO, source.receive(batch)).await {
            Ok(received) => received?,
            Err(_) => break,
        };
    }
    let t = batch.last().map_or(now, |last| last.t.max(now));
    batch.push(Record { t, what: What::Mark(note.into()) });
    Ok(())
}

/// A watch under way: where its records go, and what the user sees of it.
struct WatchRun {
    interface: String,
    analysis: Analysis,
    policy: Option<CapturePolicy>,
    onsets: Option<OnsetTracker>,
    hook: Option<Hook>,
    /// Whether the link is up.
    listening: bool,
    /// The trunk's time when the findings were last checked.
    checked: Nanos,
    newcomers: Option<ExpectedNewcomers>,
    page: Option<PageRecorder>,
    display: WatchDisplay,
}

impl WatchRun {
    fn new(args: &WatchArgs, source: &impl LiveSource) -> anyhow::Result<WatchRun> {
        let given = args.expected.read()?;
        let header = source.header();
        let policy = args.policy(header)?;
        let hook = args.hook()?;
        let newcomers = ExpectedNewcomers::read(args.baseline.as_deref(), &args.expect_new)?;
        let wanted = args.on_finding || hook.is_some();
        let onsets = wanted.then(|| OnsetTracker::new(nanos(args.after)));
        let subject = Subject {
            name: args.interface.clone(),
            header: header.clone(),
            live: true,
            zone: args.results.zone(),
        };
        let mut display = WatchDisplay::new(subject, args.plain);
        display.line(&opening(source));
        if header.listen_only == Some(false) {
            display.line(&format!("{}: the controller is able to send", args.interface));
        }
        if header.bitrate.is_none() {
            display.line("the bit rate is not known, so the load is not; --bitrate gives it");
        }
        let analysis = Analysis::new(header).with(given);
        let interface = args.interface.clone();
        let checked = Nanos::ZERO;
        let page = args.page.is_wanted().then(|| {
            PageRecorder::new(&args.interface, header, args.results.zone(), args.page_marks)
        });
        Ok(WatchRun {
            interface,
            analysis,
            policy,
            onsets,
            hook,
            listening: true,
            checked,
            newcomers,
            page,
            display,
        })
    }

    fn take(&mut self, batch: &mut Vec<Record>) {
        if let Some(policy) = &mut self.policy {
            policy.take(batch);
        }
        let narrator = self.display.narrator();
        for record in &*batch {
            let page = &mut self.page;
            self.analysis.take(record, &mut |t, event| {
                if let Some(page) = page {
                    page.event(t, &event);
                }
                narrator.event(t, event);
            });
            narrator.record(record);
            if let Some(page) = page {
                page.record(record);
            }
            match record.what {
                What::LinkDown(_) => self.listening = false,
                What::LinkUp => self.listening = true,
                _ => {}
            }
        }
        batch.clear();
        self.display.analysed(&self.analysis);
        let since = self.analysis.trunk().now().since(self.checked);
        if since.is_none_or(|since| since >= Nanos::SECOND) {
            self.check_findings();
        }
    }

    /// Checks the findings for something new, for the capture and the hook.
    fn check_findings(&mut self) {
        let Some(onsets) = &mut self.onsets else { return };
        self.checked = self.analysis.trunk().now();
        let update = onsets.update(self.checked, self.analysis.findings());
        if let Some(policy) = &mut self.policy {
            policy.update(&update);
        }
        if let Some(hook) = &mut self.hook {
            for onset in &update.onsets {
                hook.send(hook::payload(self.analysis.header(), self.checked, onset));
            }
        }
    }

    /// Shows the state now, and how newcomers stand.
    fn status(&mut self) {
        if let Some(newcomers) = &mut self.newcomers {
            for line in newcomers.look(&self.analysis) {
                self.display.line(&line);
            }
        }
        let standing = self.newcomers.as_ref().map_or(&[][..], ExpectedNewcomers::standing);
        self.display.status(&self.analysis, standing);
    }

    /// Answers; a mark that is wanted is returned, with whom to tell once it is set.
    fn answer(&self, ask: Ask) -> Option<(String, oneshot::Sender<()>)> {
        // An error of sending means that the client is gone.
        match ask {
            Ask::Metrics(send) => {
                let _ = send.send(self.metrics());
            }
            Ask::Page(send) => {
                let going = if self.listening { "Listening" } else { "INTERFACE DOWN" };
                let page = &self.page;
                if let Some(page) = page {
                    let finished = self.analysis.so_far(SourceKind::Live, &self.interface);
                    let _ = send.send(page.snapshot(finished, going));
                }
            }
            Ask::Mark(note, done) => return Some((note, done)),
        }
        None
    }

    fn metrics(&self) -> MetricsSnapshot {
        let about = About {
            listening: self.listening,
            capture: self.policy.as_ref().map(CapturePolicy::state),
            hook: self.hook.as_ref().map(Hook::state),
        };
        MetricsSnapshot::of(&self.analysis, &about)
    }

    fn show(&mut self, mut messages: Vec<String>) {
        messages.extend(self.policy.as_mut().map(CapturePolicy::messages).unwrap_or_default());
        messages.extend(self.hook.as_mut().map(Hook::messages).unwrap_or_default());
        messages.extend(take_diagnostics());
        for message in messages {
            self.display.line(&message);
        }
    }

    /// Ends capture and analysis with the same record, unless the source broke: then both count
    /// as cut off.
    fn finish(mut self, t: Nanos, broken: Option<SourceError>) -> WatchEnd {
        self.display.end_view();
        self.check_findings();
        let policy = self.policy.take();
        let hook = self.hook.take();
        let tally = self.analysis.trunk().tally();
        let mut in_capture = None;
        let mut is_whole = true;
        match broken {
            Some(error) => {
                self.display.line(&error.to_string());
                drop(policy);
            }
            None => {
                let end = Record { t, what: What::End(Box::new(tally)) };
                self.analysis.take(&end, &mut |_, _| {});
                if let Some(policy) = policy {
                    let happened = policy.happened();
                    let written = policy.finish(t);
                    for message in &written.messages {
                        self.display.line(message);
                    }
                    self.display.line(&account(&written));
                    is_whole = written.is_whole();
                    // A capture that lacks frames does not give this summary.
                    let all = happened.is_none() && written.end == Some(end);
                    in_capture = all.then(|| file_name(&written.path));
                }
            }
        }
        let (kind, name) = match in_capture {
            Some(name) => (SourceKind::Capture, name),
            None => (SourceKind::Live, self.interface),
        };
        let summary = self.analysis.finish(kind, &name, 0, &mut |_, _| {});
        let mut display = self.display;
        let mut holds = is_whole;
        if let Some(mut newcomers) = self.newcomers {
            let (lines, accepted) = newcomers.finish(&summary);
            lines.iter().for_each(|line| display.line(line));
            if !accepted {
                display.line("NOT ACCEPTED");
            }
            holds &= accepted;
        }
        WatchEnd { summary, holds, hook, display }
    }
}

/// What became of the capture.
fn account(written: &Written) -> String {
    let Written { path, bytes, pieces, lost_by_writer, .. } = written;
    let path = path.display();
    let missing = match lost_by_writer {
        0 => String::new(),
        lost => format!("; {lost} frames are missing that were heard: the disk did not take them"),
    };
    match pieces {
        0 if missing.is_empty() => format!("{path}: nothing happened, nothing written"),
        0 | 1 => format!("{path}: {bytes} bytes{missing}"),
        _ => format!("{path}: {bytes} bytes in {pieces} files{missing}"),
    }
}

fn opening(source: &impl LiveSource) -> String {
    let header = source.header();
    let name = header.interface.as_deref().unwrap_or_default();
    let bitrate = header.bitrate.map(|rate| format!(" at {rate}")).unwrap_or_default();
    let room = source.buffer_bytes() / 1024;
    format!("{name}: listening{bitrate}; the kernel keeps {room} KiB of frames not yet read")
}
