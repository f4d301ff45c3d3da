//! What is answered at each address.

use std::sync::Arc;
use std::time::Duration;

use http_body_util::channel::Channel;
use http_body_util::{BodyExt, Either, Full, Limited};
use hyper::body::{Bytes, Incoming};
use hyper::header::{
    ACCEPT, ALLOW, CACHE_CONTROL, CONTENT_DISPOSITION, CONTENT_SECURITY_POLICY, CONTENT_TYPE,
    HeaderName, HeaderValue, LOCATION, REFERRER_POLICY, RETRY_AFTER, WWW_AUTHENTICATE,
    X_CONTENT_TYPE_OPTIONS,
};
use hyper::{Method, Request, Response, StatusCode};
use tokio::sync::{Semaphore, mpsc, oneshot};
use tokio::time::{sleep, timeout};

use super::access::is_from_the_page;
use super::follower::{Connection, feed};
use super::live_page::LivePage;
use super::{Ask, Served};
use crate::output::metrics::Format;
use crate::output::report::STYLE;

/// An answer: whole, or one that goes on.
pub(super) type Body = Either<Full<Bytes>, Channel<Bytes>>;

/// The longest that the watch may take for its answer.
const READING: Duration = Duration::from_secs(5);
/// After a wrong token: trying many takes long.
const WRONG_TOKEN: Duration = Duration::from_millis(500);
/// The most bytes of a form.
const FORM: usize = 2048;
/// The most characters of a note.
const NOTE: usize = 200;

const SCRIPT: &str = include_str!("page.js");
const LOOKS: &str = include_str!("page.css");

/// Nothing but the page's own script, looks and events; nothing may frame it.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; \
                      form-action 'self'; base-uri 'none'; frame-ancestors 'none'";

/// What one address serves.
#[derive(Debug)]
pub(super) struct Routes {
    pub(super) served: Served,
    pub(super) asks: mpsc::Sender<Ask>,
    pub(super) page: Arc<LivePage>,
    /// For those that follow the page.
    pub(super) seats: Arc<Semaphore>,
}

impl Routes {
    pub(super) async fn answer(
        &self,
        request: Request<Incoming>,
        connection: &Arc<Connection>,
    ) -> Response<Body> {
        let mut response = self.route(request, connection).await;
        let headers = response.headers_mut();
        for (name, value) in [
            (X_CONTENT_TYPE_OPTIONS, "nosniff"),
            (CACHE_CONTROL, "no-store"),
            // A form of the page then says where it comes from.
            (REFERRER_POLICY, "same-origin"),
            (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
        ] {
            headers.insert(name, HeaderValue::from_static(value));
        }
        headers
            .entry(CONTENT_SECURITY_POLICY)
            .or_insert(HeaderValue::from_static("default-src 'none'; frame-ancestors 'none'"));
        response
    }

    async fn route(
        &self,
        request: Request<Incoming>,
        connection: &Arc<Connection>,
    ) -> Response<Body> {
        let Served { access, metrics, page, marks, .. } = &self.served;
        if !access.knows_host(request.headers()) {
            let text = "not under this name; ask by the address, or give the name to --page-host\n";
            return plain(StatusCode::MISDIRECTED_REQUEST, text);
        }
        if !access.admits(request.headers()) {
            sleep(WRONG_TOKEN).await;
            let mut response = plain(StatusCode::UNAUTHORIZED, "the token is the password\n");
            let asks = HeaderValue::from_static("Basic realm=\"dropline\", charset=\"UTF-8\"");
            response.headers_mut().insert(WWW_AUTHENTICATE, asks);
            return response;
        }
        let path = request.uri().path();
        if *page && *marks && path == "/marks" {
            return self.mark(request).await;
        }
        if request.method() != Method::GET && request.method() != Method::HEAD {
            let mut response = plain(StatusCode::METHOD_NOT_ALLOWED, "only to be read\n");
            response.headers_mut().insert(ALLOW, HeaderValue::from_static("GET, HEAD"));
            return response;
        }
        match path {
            "/metrics" if *metrics => self.metrics(&request).await,
            "/" if *page => self.whole_page().await,
            "/page.js" if *page => whole("text/javascript; charset=utf-8", SCRIPT),
            "/page.css" if *page => whole("text/css; charset=utf-8", [STYLE, LOOKS].concat()),
            "/events" if *page => self.follow(request.method(), connection),
            "/report.html" if *page => self.report().await,
            _ => plain(
                StatusCode::NOT_FOUND,
                match (*metrics, *page) {
                    (true, false) => "metrics are at /metrics\n",
                    (false, true) => "the page is at /\n",
                    _ => "the page is at /, metrics are at /metrics\n",
                },
            ),
        }
    }

    async fn metrics(&self, request: &Request<Incoming>) -> Response<Body> {
        let accepted = request.headers().get_all(ACCEPT).iter();
        let open = accepted.filter_map(|value| value.to_str().ok());
        let open = open.flat_map(|value| value.split(',')).any(is_open_metrics);
        let format = if open { Format::OpenMetrics } else { Format::Plain };
        let (send, reading) = oneshot::channel();
        let reading = timeout(READING, async {
            self.asks.send(Ask::Metrics(send)).await.ok()?;
            reading.await.ok()?.text(format).ok()
        });
        match reading.await {
            Ok(Some(text)) => whole(format.content_type(), text),
            _ => no_answer(),
        }
    }

    async fn whole_page(&self) -> Response<Body> {
        let Some(made) = self.page.current().await else { return no_answer() };
        let mut response = whole("text/html; charset=utf-8", made.page());
        let policy = HeaderValue::from_static(POLICY);
        response.headers_mut().insert(CONTENT_SECURITY_POLICY, policy);
        response
    }

    fn follow(&self, method: &Method, connection: &Arc<Connection>) -> Response<Body> {
        const EVENTS: &str = "text/event-stream";
        if method == Method::HEAD {
            return whole(EVENTS, "");
        }
        let Ok(seat) = Arc::clone(&self.seats).try_acquire_owned() else {
            let text = "as many as may follow the page do so already; come back later\n";
            let mut response = plain(StatusCode::SERVICE_UNAVAILABLE, text);
            response.headers_mut().insert(RETRY_AFTER, HeaderValue::from_static("15"));
            return response;
        };
        connection.follow();
        let (send, body) = Channel::new(1);
        let (page, connection) = (Arc::clone(&self.page), Arc::clone(connection));
        tokio::spawn(async move { feed(&page, send, &connection, seat).await });
        let mut response = Response::new(Either::Right(body));
        response.headers_mut().insert(CONTENT_TYPE, HeaderValue::from_static(EVENTS));
        response
    }

    async fn report(&self) -> Response<Body> {
        let Some((name, html)) = self.page.report().await else { return no_answer() };
        let mut response = whole("text/html; charset=utf-8", html);
        let safe = |c: char| if c.is_ascii_alphanumeric() || "-_.".contains(c) { c } else { '_' };
        let name: String = name.chars().map(safe).collect();
        let attached = format!("attachment; filename=\"{name}.report.html\"");
        if let Ok(attached) = HeaderValue::from_str(&attached) {
            response.headers_mut().insert(CONTENT_DISPOSITION, attached);
        }
        // The report brings its own looks within itself, as its own policy says.
        let policy = "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'";
        response.headers_mut().insert(CONTENT_SECURITY_POLICY, HeaderValue::from_static(policy));
        response
    }

    async fn mark(&self, request: Request<Incoming>) -> Response<Body> {
        if request.method() != Method::POST {
            let mut response = plain(StatusCode::METHOD_NOT_ALLOWED, "a mark is posted\n");
            response.headers_mut().insert(ALLOW, HeaderValue::from_static("POST"));
            return response;
        }
        if !is_from_the_page(request.headers()) {
            return plain(StatusCode::FORBIDDEN, "marks are set from the page itself\n");
        }
        let Ok(form) = Limited::new(request.into_body(), FORM).collect().await else {
            return plain(StatusCode::PAYLOAD_TOO_LARGE, "that is no note\n");
        };
        let form = form.to_bytes();
        let mut fields = form_urlencoded::parse(&form);
        let note = fields.find(|(name, _)| name == "note").map(|(_, note)| note);
        let note = note.unwrap_or_default().trim().chars().take(NOTE).collect::<String>();
        if note.is_empty() {
            return plain(StatusCode::BAD_REQUEST, "a mark needs a note\n");
        }
        let (send, done) = oneshot::channel();
        let set = timeout(READING, async {
            self.asks.send(Ask::Mark(note, send)).await.ok()?;
            done.await.ok()
        });
        if !matches!(set.await, Ok(Some(()))) {
            return no_answer();
        }
        let mut response = plain(StatusCode::SEE_OTHER, "the mark is set\n");
        response.headers_mut().insert(LOCATION, HeaderValue::from_static("/"));
        response
    }
}

/// Whether a client takes OpenMetrics; Prometheus itself asks for it first.
fn is_open_metrics(accepted: &str) -> bool {
    accepted.trim().to_ascii_lowercase().starts_with("application/openmetrics-text")
}

fn no_answer() -> Response<Body> {
    plain(StatusCode::SERVICE_UNAVAILABLE, "the watch gave no reading in time\n")
}

fn whole(kind: &'static str, text: impl Into<Bytes>) -> Response<Body> {
    let mut response = Response::new(Either::Left(Full::new(text.into())));
    response.headers_mut().insert(CONTENT_TYPE, HeaderValue::from_static(kind));
    response
}

fn plain(status: StatusCode, text: &'static str) -> Response<Body> {
    let mut response = whole("text/plain; charset=utf-8", text);
    *response.status_mut() = status;
    response
}
