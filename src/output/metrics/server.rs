//! Serves the metrics over HTTP, on a thread of its own: whoever listens to the trunk is asked
//! for a reading and never waits for a client.

use std::convert::Infallible;
use std::io;
use std::net::{IpAddr, SocketAddr, TcpListener};
use std::sync::Arc;
use std::thread;
use std::time::Duration;

use http_body_util::Full;
use hyper::body::{Bytes, Incoming};
use hyper::header::{ACCEPT, ALLOW, CONTENT_TYPE, HOST, HeaderValue};
use hyper::server::conn::http1;
use hyper::service::service_fn;
use hyper::{Method, Request, Response, StatusCode};
use hyper_util::rt::{TokioIo, TokioTimer};
use tokio::sync::{Semaphore, mpsc, oneshot};
use tokio::time::timeout;

use super::{Format, MetricsSnapshot};

/// Where the answer to one request is to go.
pub type Ask = oneshot::Sender<MetricsSnapshot>;

/// So many clients at a time; others wait until there is room.
const CLIENTS: usize = 64;

/// So many of them wait for a reading at a time.
const ASKS: usize = 4;

/// The longest that a client may take to say what it wants: those that say nothing must not keep
/// the others out.
const SILENCE: Duration = Duration::from_secs(2);

/// The longest that one client is dealt with.
const PATIENCE: Duration = Duration::from_secs(10);

/// The longest that the watch may take for a reading.
const READING: Duration = Duration::from_secs(5);

/// A server of metrics. It ends when it is dropped.
#[derive(Debug)]
pub struct Exporter {
    address: SocketAddr,
    asks: mpsc::Receiver<Ask>,
}

impl Exporter {
    /// Begins to serve at this address; port 0 takes any that is free.
    ///
    /// # Errors
    /// If it cannot be listened to there.
    pub fn serve(address: SocketAddr) -> io::Result<Exporter> {
        let listener = TcpListener::bind(address)?;
        listener.set_nonblocking(true)?;
        let address = listener.local_addr()?;
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
        let (send, asks) = mpsc::channel(ASKS);
        thread::Builder::new().name("serve metrics".into()).spawn(move || {
            if let Err(error) = runtime.block_on(serve(listener, send)) {
                tracing::error!("metrics are not served any more: {error}");
            }
        })?;
        Ok(Exporter { address, asks })
    }

    /// Where it serves.
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// Waits until somebody wants a reading. It may be given up and called again.
    pub async fn asked(&mut self) -> Ask {
        match self.asks.recv().await {
            Some(ask) => ask,
            // The server broke down and has said so.
            None => std::future::pending().await,
        }
    }
}

async fn serve(listener: TcpListener, asks: mpsc::Sender<Ask>) -> io::Result<()> {
    let listener = tokio::net::TcpListener::from_std(listener)?;
    let only_here = listener.local_addr().is_ok_and(|address| address.ip().is_loopback());
    let room = Arc::new(Semaphore::new(CLIENTS));
    loop {
        let Ok(place) = Arc::clone(&room).acquire_owned().await else { return Ok(()) };
        let client = tokio::select! {
            () = asks.closed() => return Ok(()),
            client = listener.accept() => client,
        };
        let stream = match client {
            Ok((stream, _)) => stream,
            // Out of files, or the client is gone again.
            Err(_) => {
                tokio::time::sleep(Duration::from_millis(100)).await;
                continue;
            }
        };
        let asks = asks.clone();
        tokio::spawn(async move {
            let service = service_fn(|request| answer(request, &asks, only_here));
            let connection = http1::Builder::new()
                .timer(TokioTimer::new())
                .header_read_timeout(SILENCE)
                .keep_alive(false)
                .max_buf_size(16 * 1024)
                .serve_connection(TokioIo::new(stream), service);
            // A client that breaks off or takes too long is its own affair.
            let _ = timeout(PATIENCE, connection).await;
            drop(place);
        });
    }
}

async fn answer(
    request: Request<Incoming>,
    asks: &mpsc::Sender<Ask>,
    only_here: bool,
) -> Result<Response<Full<Bytes>>, Infallible> {
    if only_here && !request.headers().get_all(HOST).iter().all(names_this_machine) {
        return Ok(plain(StatusCode::MISDIRECTED_REQUEST, "not under this name\n"));
    }
    if request.method() != Method::GET && request.method() != Method::HEAD {
        let mut response = plain(StatusCode::METHOD_NOT_ALLOWED, "only to be read\n");
        response.headers_mut().insert(ALLOW, HeaderValue::from_static("GET, HEAD"));
        return Ok(response);
    }
    if request.uri().path() != "/metrics" {
        return Ok(plain(StatusCode::NOT_FOUND, "metrics are at /metrics\n"));
    }
    let accepted = request.headers().get_all(ACCEPT).iter();
    let open = accepted.filter_map(|value| value.to_str().ok());
    let open = open.flat_map(|value| value.split(',')).any(is_open_metrics);
    let format = if open { Format::OpenMetrics } else { Format::Plain };
    let (send, reading) = oneshot::channel();
    let reading = timeout(READING, async {
        asks.send(send).await.ok()?;
        reading.await.ok()?.text(format).ok()
    });
    Ok(match reading.await {
        Ok(Some(text)) => {
            let mut response = Response::new(Full::new(Bytes::from(text)));
            let kind = HeaderValue::from_static(format.content_type());
            response.headers_mut().insert(CONTENT_TYPE, kind);
            response
        }
        _ => plain(StatusCode::SERVICE_UNAVAILABLE, "the watch gave no reading in time\n"),
    })
}

/// Whether a client asks by an address or for `localhost`. A page from elsewhere whose name was made
/// to lead here asks by that name, and must not read anything.
fn names_this_machine(host: &HeaderValue) -> bool {
    let Ok(host) = host.to_str() else { return false };
    let name = match host.rsplit_once(':') {
        Some((name, port)) if port.bytes().all(|byte| byte.is_ascii_digit()) => name,
        _ => host,
    };
    let address = name.strip_prefix('[').and_then(|name| name.strip_suffix(']')).unwrap_or(name);
    name.eq_ignore_ascii_case("localhost") || address.parse::<IpAddr>().is_ok()
}

/// Whether a client takes OpenMetrics; Prometheus itself asks for it first.
fn is_open_metrics(accepted: &str) -> bool {
    accepted.trim().to_ascii_lowercase().starts_with("application/openmetrics-text")
}

fn plain(status: StatusCode, text: &'static str) -> Response<Full<Bytes>> {
    let mut response = Response::new(Full::new(Bytes::from_static(text.as_bytes())));
    *response.status_mut() = status;
    response
        .headers_mut()
        .insert(CONTENT_TYPE, HeaderValue::from_static("text/plain; charset=utf-8"));
    response
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_names_of_this_machine_are_answered() {
        for (host, is_ours) in [
            ("127.0.0.1:9771", true),
            ("127.0.0.1", true),
            ("[::1]:9771", true),
            ("[::1]", true),
            ("localhost:9771", true),
            ("LocalHost", true),
            ("orchard.example:9771", false),
            ("localhost.orchard.example", false),
            ("127.0.0.1.orchard.example:9771", false),
            ("", false),
        ] {
            assert_eq!(names_this_machine(&HeaderValue::from_static(host)), is_ours, "{host}");
        }
    }
}
