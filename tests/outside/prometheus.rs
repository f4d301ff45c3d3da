//! The metrics of two watches, scraped by a real Prometheus server, and what its own checker says
//! of them and of the alert rules.
//!
//! Needs Debian's `prometheus`. Without it the tests are reported as ignored, with the reason; with
//! `CI=true` that is a failure. Everything is on the loopback interface and ends with its test.

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use crate::trials::{Absent, Test};
use dropline::internal::output::metrics::{About, Format, MetricsSnapshot};
use dropline::internal::output::web::{self, Access, Ask, WebServer};
use dropline::simulation::SimSource;
use dropline::{Analysis, Nanos, Record};
use serde_json::Value;

pub const TESTS: &[(&str, Test)] = &[
    ("the_checker_finds_nothing_to_say", the_checker_finds_nothing_to_say),
    ("the_rules_hold", the_rules_hold),
    ("a_server_scrapes_two_watches", a_server_scrapes_two_watches),
    ("clients_that_are_odd_or_slow", clients_that_are_odd_or_slow),
];

fn program(name: &str) -> Result<PathBuf, Absent> {
    let path = std::env::var_os("PATH").unwrap_or_default();
    std::env::split_paths(&path)
        .map(|directory| directory.join(name))
        .find(|file| file.is_file())
        .ok_or_else(|| Absent(format!("{name} is not installed (Debian's package prometheus)")))
}

/// A watch of the demo's trunk that goes on by two seconds with each reading.
struct Trunk {
    source: SimSource,
    analysis: Analysis,
    until: Nanos,
    waiting: Vec<Record>,
}

impl Trunk {
    fn new(interface: &str) -> Trunk {
        let source = SimSource::demo();
        let mut header = source.header().clone();
        header.interface = Some(interface.into());
        let analysis = Analysis::new(&header);
        Trunk { source, analysis, until: Nanos(0), waiting: Vec::new() }
    }

    fn read(&mut self) -> MetricsSnapshot {
        self.until = self.until.plus(Nanos(2 * Nanos::SECOND.0));
        let mut more = true;
        while more && self.analysis.trunk().now() < self.until {
            more = self.source.next_records(&mut self.waiting);
            for record in self.waiting.drain(..) {
                self.analysis.take(&record, &mut |_, _| {});
            }
        }
        MetricsSnapshot::of(&self.analysis, &About { listening: true, ..About::default() })
    }
}

/// A watch whose metrics are served.
struct Served {
    address: SocketAddr,
    ending: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Served {
    fn start(interface: &'static str) -> Served {
        let mut server = WebServer::serve(vec![web::Served {
            address: ([127, 0, 0, 1], 0).into(),
            access: Access { hosts: Some(Vec::new()), token: None },
            metrics: true,
            page: false,
            marks: false,
        }])
        .unwrap();
        let address = server.served()[0].address;
        let ending = Arc::new(AtomicBool::new(false));
        let of_thread = Arc::clone(&ending);
        let thread = std::thread::spawn(move || {
            let mut trunk = Trunk::new(interface);
            let runtime =
                tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
            while !of_thread.load(Ordering::Relaxed) {
                let ask = runtime.block_on(async {
                    tokio::time::timeout(Duration::from_millis(50), server.asked()).await
                });
                if let Ok(Ask::Metrics(send)) = ask {
                    let _ = send.send(trunk.read());
                }
            }
        });
        Served { address, ending, thread: Some(thread) }
    }
}

impl Drop for Served {
    fn drop(&mut self) {
        self.ending.store(true, Ordering::Relaxed);
        let _ = self.thread.take().unwrap().join();
    }
}

/// A request and all that comes back.
fn request(address: SocketAddr, text: &str) -> String {
    let mut stream = TcpStream::connect(address).unwrap();
    stream.set_read_timeout(Some(Duration::from_secs(20))).unwrap();
    stream.write_all(text.as_bytes()).unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).unwrap();
    answer
}

fn get(address: SocketAddr, path: &str, more: &str) -> String {
    request(
        address,
        &format!("GET {path} HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n{more}\r\n"),
    )
}

fn the_checker_finds_nothing_to_say() -> Result<(), Absent> {
    let promtool = program("promtool")?;
    let mut trunk = Trunk::new("can0");
    (0..40).for_each(|_| drop(trunk.read()));
    let text = trunk.read().text(Format::Plain).unwrap();
    // The buckets up to all that there are, once.
    let infinite =
        "dropline_poll_latency_seconds_bucket{interface=\"can0\",node=\"5\",le=\"+Inf\"}";
    assert_eq!(text.matches(infinite).count(), 1);
    assert!(!text.contains("e+308"));
    for metric in [
        "dropline_frames_total{interface=\"can0\"}",
        "dropline_poll_latency_seconds_bucket{interface=\"can0\",node=",
        "dropline_finding_severity{interface=\"can0\",code=\"address-clash\",node=",
        "dropline_wire_busy_seconds_total",
    ] {
        assert!(text.contains(metric), "{metric} is not in\n{text}");
    }
    let mut check = Command::new(promtool)
        .args(["check", "metrics"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    check.stdin.take().unwrap().write_all(text.as_bytes()).unwrap();
    let output = check.wait_with_output().unwrap();
    let said = [output.stdout, output.stderr].concat();
    assert!(output.status.success() && said.is_empty(), "{}", String::from_utf8_lossy(&said));
    Ok(())
}

fn the_rules_hold() -> Result<(), Absent> {
    let promtool = program("promtool")?;
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    for words in [
        ["check", "rules", "shared/dropline.rules.yml"],
        ["test", "rules", "tests/metrics/rules.yml"],
    ] {
        let output = Command::new(&promtool).current_dir(root).args(words).output().unwrap();
        let said = String::from_utf8_lossy(&output.stdout);
        assert!(output.status.success(), "{said}{}", String::from_utf8_lossy(&output.stderr));
    }
    Ok(())
}

/// A Prometheus server that ends with its test.
struct Server {
    child: Child,
    address: SocketAddr,
    _directory: tempfile::TempDir,
}

impl Server {
    fn scrape(targets: &[SocketAddr]) -> Result<Server, Absent> {
        let program = program("prometheus")?;
        let directory = tempfile::TempDir::new().unwrap();
        let config = directory.path().join("prometheus.yml");
        let targets: Vec<String> = targets.iter().map(|target| format!("'{target}'")).collect();
        let rules = Path::new(env!("CARGO_MANIFEST_DIR")).join("shared/dropline.rules.yml");
        let text = format!(
            "global: {{scrape_interval: 1s, evaluation_interval: 1s}}\n\
             rule_files: ['{}']\n\
             scrape_configs:\n  - job_name: dropline\n    static_configs: [{{targets: [{}]}}]\n",
            rules.display(),
            targets.join(", ")
        );
        std::fs::write(&config, text).unwrap();
        // Free a moment ago.
        let address = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
        let child = Command::new(program)
            .arg(format!("--config.file={}", config.display()))
            .arg(format!("--storage.tsdb.path={}", directory.path().join("data").display()))
            .arg(format!("--web.listen-address={address}"))
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        Ok(Server { child, address, _directory: directory })
    }

    /// The result of a query once it is as wanted, as label and value.
    fn query(&mut self, query: &str, wanted: impl Fn(&[Value]) -> bool) -> Vec<Value> {
        let deadline = Instant::now() + Duration::from_secs(60);
        let escaped: String = query.bytes().map(|byte| format!("%{byte:02X}")).collect();
        loop {
            let mut last = String::new();
            if TcpStream::connect(self.address).is_ok() {
                let accept = "Accept-Encoding: identity\r\n";
                last = get(self.address, &format!("/api/v1/query?query={escaped}"), accept);
                let body = last.split("\r\n\r\n").nth(1).unwrap_or_default();
                let start = body.find('{').unwrap_or_default();
                let end = body.rfind('}').map_or(start, |end| end + 1);
                if let Ok(answer) = serde_json::from_str::<Value>(&body[start..end])
                    && let Some(result) = answer["data"]["result"].as_array()
                    && wanted(result)
                {
                    return result.clone();
                }
            }
            assert!(Instant::now() < deadline, "{query}: {last}");
            assert!(self.child.try_wait().unwrap().is_none(), "the server has ended");
            std::thread::sleep(Duration::from_millis(300));
        }
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn number(sample: &Value) -> f64 {
    sample["value"][1].as_str().unwrap().parse().unwrap()
}

fn a_server_scrapes_two_watches() -> Result<(), Absent> {
    program("prometheus")?;
    let watches = [Served::start("can0"), Served::start("can1")];
    let mut server = Server::scrape(&watches.each_ref().map(|watch| watch.address))?;
    let both = server.query("dropline_frames_total", |result| {
        result.len() == 2 && result.iter().all(|sample| number(sample) > 1_000.0)
    });
    let mut interfaces: Vec<_> =
        both.iter().map(|sample| sample["metric"]["interface"].as_str().unwrap()).collect();
    interfaces.sort_unstable();
    assert_eq!(interfaces, ["can0", "can1"]);
    // The query that the documentation shows: the latency that 99 of 100 answers keep.
    let latency = server.query(
        "histogram_quantile(0.99, sum by (le, interface, node) \
         (rate(dropline_poll_latency_seconds_bucket[5m])))",
        |result| result.len() >= 10 && result.iter().all(|sample| number(sample) > 0.0),
    );
    for sample in latency {
        // Whatever the node, an answer takes longer than a frame and less than a scan's limit.
        assert!((0.0002..0.1).contains(&number(&sample)), "{sample}");
    }
    let load = server.query("dropline:bus_load:ratio", |result| result.len() == 2);
    assert!(load.iter().all(|sample| number(sample) > 0.0), "{load:?}");
    server.query("ALERTS{alertname=\"DroplineFault\",alertstate=\"firing\"}", |result| {
        result.len() == 2
    });
    Ok(())
}

fn clients_that_are_odd_or_slow() -> Result<(), Absent> {
    let watch = Served::start("can0");
    let open = get(
        watch.address,
        "/metrics",
        "Accept: application/openmetrics-text;version=1.0.0,text/plain\r\n",
    );
    assert!(open.starts_with("HTTP/1.1 200"), "{open}");
    assert!(open.contains("application/openmetrics-text; version=1.0.0"), "{open}");
    assert!(open.trim_end().ends_with("# EOF"), "{open}");
    let plain = get(watch.address, "/metrics", "");
    assert!(plain.contains("text/plain; version=0.0.4"), "{plain}");
    assert!(get(watch.address, "/", "").starts_with("HTTP/1.1 404"));
    let post = "POST /metrics HTTP/1.1\r\nHost: localhost\r\nContent-Length: 0\r\n\r\n";
    assert!(request(watch.address, post).starts_with("HTTP/1.1 405"));
    assert!(request(watch.address, "no request at all\r\n\r\n").starts_with("HTTP/1.1 400"));
    // A name that was made to lead here.
    let rebound = "GET /metrics HTTP/1.1\r\nHost: orchard.example:9771\r\n\r\n";
    assert!(request(watch.address, rebound).starts_with("HTTP/1.1 421"));
    // Those who say nothing leave room for one who does.
    let silent: Vec<TcpStream> =
        (0..40).map(|_| TcpStream::connect(watch.address).unwrap()).collect();
    assert!(get(watch.address, "/metrics", "").starts_with("HTTP/1.1 200"));
    drop(silent);
    let address = watch.address;
    drop(watch);
    let deadline = Instant::now() + Duration::from_secs(20);
    while TcpStream::connect(address).is_ok() {
        assert!(Instant::now() < deadline, "it serves after the watch has ended");
        std::thread::sleep(Duration::from_millis(20));
    }
    Ok(())
}
