//! What must hold for anything that a client sends to the HTTP server.

use std::net::IpAddr;
use std::time::Duration;

use base64::Engine as _;
use base64::prelude::BASE64_STANDARD;
use dropline::Analysis;
use dropline::internal::output::metrics::{About, MetricsSnapshot};
use dropline::internal::output::web::{Access, Ask, Served, Token, attend_one};
use dropline::record::Header;
use tokio::io::{AsyncReadExt, AsyncWriteExt, DuplexStream};
use tokio::sync::mpsc;
use tokio::time::{Instant, timeout};

const TOKEN: &str = "a-token-of-the-cabinet";
const NAME: &str = "cabinet3.local";

/// Longer than any answer may take; one that follows the page would stay.
const LONG: Duration = Duration::from_secs(15);

/// How a client behaves, and what it may: from the first two bytes.
struct Situation {
    served: Served,
    /// So many bytes at a time.
    piece: usize,
    /// Whether it closes its side as soon as it has asked.
    ends: bool,
    /// It takes nothing of what it is sent.
    deaf: bool,
}

impl Situation {
    fn of([what, how]: [u8; 2]) -> Situation {
        let is = |bit: u8| what & 1 << bit != 0;
        let access = Access {
            hosts: is(0).then(|| vec![NAME.into()]),
            token: is(1).then(|| Token::from_text(TOKEN).unwrap()),
        };
        let address = ([127, 0, 0, 1], 8071).into();
        let served = Served { address, access, metrics: is(2), page: !is(3), marks: is(4) };
        Situation { served, piece: 1 + usize::from(how), ends: is(5), deaf: is(6) }
    }
}

/// Whatever a client sends, and however: it is answered once or not at all, in time, and gets only
/// what it may. The clock jumps from one end of a wait to the next.
pub fn http(bytes: &[u8]) {
    let Some((first, request)) = bytes.split_first_chunk() else { return };
    let situation = Situation::of(*first);
    let runtime =
        tokio::runtime::Builder::new_current_thread().enable_time().start_paused(true).build();
    let (answer, marks, took) = runtime.unwrap().block_on(serve(&situation, request));

    let head = Head::of(request);
    let follows = match situation.deaf {
        true => head.method == "GET" && request.windows(7).any(|bytes| bytes == b"/events"),
        false => answer.status == Some(200) && answer.has("content-type: text/event-stream"),
    };
    assert!(follows || took < Duration::from_secs(11), "{took:?}");
    let Served { access, page, marks: may_mark, .. } = &situation.served;
    // What the HTTP library itself refuses has no more than a status.
    let (Some(status), true) = (answer.status, answer.has("x-content-type-options: nosniff"))
    else {
        assert!(matches!(answer.status, None | Some(400 | 414 | 431)), "{:?}", answer.status);
        return assert!(marks.is_empty());
    };
    assert!([200, 303, 400, 401, 403, 404, 405, 413, 421, 503].contains(&status), "{status}");
    assert!(answer.has("content-security-policy: default-src 'none'"));
    assert!(answer.has("cache-control: no-store") && !answer.has("set-cookie"));
    if access.hosts.is_some() && status != 421 {
        assert!(head.values("host").all(is_ours), "answered under another name");
    }
    if access.token.is_some() && !matches!(status, 401 | 421) {
        assert!(head.values("authorization").any(opens), "answered without the token");
    }
    if head.method == "HEAD" {
        assert!(answer.body.is_empty());
    }
    assert_eq!(marks.len(), usize::from(status == 303));
    for note in &marks {
        assert!(*page && *may_mark && head.method == "POST");
        assert!(head.values("origin").any(|origin| origin.starts_with("http://")));
        assert!(!note.trim().is_empty() && note.trim() == note && note.chars().count() <= 200);
    }
}

/// Lets a client and the server have it out: the answer, the marks that were set, how long it took.
async fn serve(situation: &Situation, request: &[u8]) -> (Answer, Vec<String>, Duration) {
    let (client, server) = tokio::io::duplex(4096);
    let (send, mut asks) = mpsc::channel(4);
    let begun = Instant::now();
    let mut marks = Vec::new();
    let attended = async {
        attend_one(server, situation.served.clone(), send).await;
        begun.elapsed()
    };
    // The server ends at its own time, however long the client stays.
    let both = async { tokio::join!(attended, behave(client, situation, request)) };
    let watch = async {
        while let Some(ask) = asks.recv().await {
            match ask {
                Ask::Metrics(send) => {
                    let analysis = Analysis::new(&Header::starting(jiff::Timestamp::UNIX_EPOCH));
                    let _ = send.send(MetricsSnapshot::of(&analysis, &About::default()));
                }
                Ask::Mark(note, done) => {
                    marks.push(note);
                    let _ = done.send(());
                }
                // A watch that does not answer.
                Ask::Page(_) => {}
            }
        }
    };
    // All who could ask may be gone while the client has still to read.
    let (both, ()) = tokio::join!(timeout(LONG * 2, both), watch);
    let (took, said) = both.expect("the server ends when its client is gone");
    (Answer::of(&said), marks, took)
}

async fn behave(mut stream: DuplexStream, situation: &Situation, request: &[u8]) -> Vec<u8> {
    let mut said = Vec::new();
    let (mut from, mut to) = tokio::io::split(&mut stream);
    let write = async {
        for piece in request.chunks(situation.piece) {
            // The server may have closed.
            if to.write_all(piece).await.is_err() {
                return;
            }
            tokio::task::yield_now().await;
        }
        if situation.ends {
            let _ = to.shutdown().await;
        }
    };
    let read = async {
        if situation.deaf {
            return tokio::time::sleep(LONG).await;
        }
        let _ = from.read_to_end(&mut said).await;
    };
    let _ = timeout(LONG, async { tokio::join!(write, read) }).await;
    said
}

/// What was answered.
struct Answer {
    status: Option<u16>,
    head: String,
    body: Vec<u8>,
}

impl Answer {
    fn of(said: &[u8]) -> Answer {
        let end = said.windows(4).position(|bytes| bytes == b"\r\n\r\n");
        let (head, body) = said.split_at(end.map_or(said.len(), |end| end + 4));
        let head = String::from_utf8_lossy(head).to_ascii_lowercase();
        let status = head.strip_prefix("http/1.").map(|rest| rest[2..5].parse().unwrap());
        assert!(said.is_empty() || status.is_some(), "{head:?}");
        Answer { status, head, body: body.to_vec() }
    }

    fn has(&self, line: &str) -> bool {
        self.head.contains(line)
    }
}

/// What was asked, line by line, by another routine than the server's.
struct Head {
    method: String,
    lines: Vec<(String, String)>,
}

impl Head {
    fn of(request: &[u8]) -> Head {
        let text = String::from_utf8_lossy(request);
        let mut lines = text
            .split('\n')
            .map(|line| line.strip_suffix('\r').unwrap_or(line))
            .skip_while(|line| line.is_empty());
        let method = lines.next().unwrap_or_default().split(' ').next().unwrap_or_default();
        let fields = lines.take_while(|line| !line.is_empty()).filter_map(|line| {
            let (name, value) = line.split_once(':')?;
            Some((name.to_ascii_lowercase(), value.trim().to_owned()))
        });
        Head { method: method.to_owned(), lines: fields.collect() }
    }

    fn values(&self, name: &str) -> impl Iterator<Item = &str> {
        self.lines.iter().filter(move |line| line.0 == name).map(|line| &*line.1)
    }
}

fn is_ours(host: &str) -> bool {
    let lower = host.to_ascii_lowercase();
    let name = lower.trim_end_matches(|c: char| c.is_ascii_digit());
    let name = name.strip_suffix(':').unwrap_or(&lower);
    let bare = name.trim_matches(['[', ']']);
    ["localhost", NAME].contains(&name)
        || [bare, &lower].iter().any(|a| a.parse::<IpAddr>().is_ok())
}

fn opens(authorization: &str) -> bool {
    let given = authorization.split_once(' ').map_or("", |(_, given)| given.trim());
    let decoded = BASE64_STANDARD.decode(given).unwrap_or_default();
    given == TOKEN || decoded.ends_with(format!(":{TOKEN}").as_bytes())
}
