//! The connections: how many, how long, how much. A reader that is slow, silent or gone costs its own
//! place and nothing else.

use std::convert::Infallible;
use std::io;
use std::net::TcpListener;
use std::sync::Arc;
use std::thread;
use std::time::Duration;

use hyper::body::Incoming;
use hyper::server::conn::http1;
use hyper::service::service_fn;
use hyper::{Request, Response};
use hyper_util::rt::{TokioIo, TokioTimer};
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::sync::{Semaphore, mpsc};
use tokio::time::sleep;

use super::follower::Connection;
use super::live_page::LivePage;
use super::routes::{Body, Routes};
use super::{Ask, Served};

/// So many clients are answered at a time at one address; others wait until there is room.
const CLIENTS: usize = 64;

/// So many of them wait for a reading at a time.
const ASKS: usize = 4;

/// So many follow the page at a time; others are told to come later.
const FOLLOWERS: usize = 256;

/// The longest that a client may take to say what it wants: those that say nothing must not keep
/// the others out.
const SILENCE: Duration = Duration::from_secs(2);

/// The longest that one answer takes; one that follows the page may stay.
const PATIENCE: Duration = Duration::from_secs(10);

/// A server. It ends when it is dropped.
#[derive(Debug)]
pub struct WebServer {
    served: Vec<Served>,
    asks: mpsc::Receiver<Ask>,
}

impl WebServer {
    /// Begins to serve; port 0 takes any that is free.
    ///
    /// # Errors
    /// If an address cannot be listened at.
    pub fn serve(served: Vec<Served>) -> io::Result<WebServer> {
        let runtime =
            tokio::runtime::Builder::new_current_thread().enable_io().enable_time().build()?;
        let (send, asks) = mpsc::channel(ASKS);
        let mut listeners = Vec::new();
        for mut served in served {
            let listener = TcpListener::bind(served.address)?;
            listener.set_nonblocking(true)?;
            served.address = listener.local_addr()?;
            listeners.push((listener, served));
        }
        let served = listeners.iter().map(|(_, served)| served.clone()).collect();
        thread::Builder::new().name("web server".into()).spawn(move || {
            if let Err(error) = runtime.block_on(serve_all(listeners, send)) {
                tracing::error!("metrics and page are not served any more: {error}");
            }
            // What is still being drawn is not waited for.
            runtime.shutdown_background();
        })?;
        Ok(WebServer { served, asks })
    }

    /// What it serves, in the order given.
    pub fn served(&self) -> &[Served] {
        &self.served
    }

    /// Where what is, for the user.
    pub fn places(&self) -> impl Iterator<Item = String> {
        self.served.iter().map(|Served { address, metrics, page, .. }| match (page, metrics) {
            (true, true) => {
                format!("the page is at http://{address}/, metrics are at http://{address}/metrics")
            }
            (true, false) => format!("the page is at http://{address}/"),
            _ => format!("metrics are at http://{address}/metrics"),
        })
    }

    /// Waits until somebody wants something. It may be given up and called again.
    pub async fn asked(&mut self) -> Ask {
        match self.asks.recv().await {
            Some(ask) => ask,
            // The server broke down and has said so.
            None => std::future::pending().await,
        }
    }
}

async fn serve_all(
    listeners: Vec<(TcpListener, Served)>,
    asks: mpsc::Sender<Ask>,
) -> io::Result<()> {
    let page = Arc::new(LivePage::new(asks.clone()));
    let seats = Arc::new(Semaphore::new(FOLLOWERS));
    for (listener, served) in listeners {
        let listener = tokio::net::TcpListener::from_std(listener)?;
        let routes = Arc::new(Routes {
            served,
            asks: asks.clone(),
            page: Arc::clone(&page),
            seats: Arc::clone(&seats),
        });
        tokio::spawn(serve(listener, routes));
    }
    tokio::select! {
        () = asks.closed() => {}
        () = page.keep_current() => {}
    }
    Ok(())
}

async fn serve(listener: tokio::net::TcpListener, routes: Arc<Routes>) {
    let room = Arc::new(Semaphore::new(CLIENTS));
    loop {
        let Ok(place) = Arc::clone(&room).acquire_owned().await else { return };
        match listener.accept().await {
            Ok((stream, _)) => {
                let connection = Arc::new(Connection::new(place));
                tokio::spawn(attend(TokioIo::new(stream), Arc::clone(&routes), connection));
            }
            // Out of files, or the client is gone again.
            Err(_) => sleep(Duration::from_millis(100)).await,
        }
    }
}

/// Attends to one client over any stream, as the server does over TCP, until it is answered or given
/// up.
pub async fn attend_one<S>(stream: S, served: Served, asks: mpsc::Sender<Ask>)
where
    S: AsyncRead + AsyncWrite + Unpin,
{
    let page = Arc::new(LivePage::new(asks.clone()));
    let seats = Arc::new(Semaphore::new(1));
    let Ok(place) = Arc::new(Semaphore::new(1)).acquire_owned().await else { return };
    let routes = Arc::new(Routes { served, asks, page: Arc::clone(&page), seats });
    tokio::select! {
        () = attend(TokioIo::new(stream), routes, Arc::new(Connection::new(place))) => {}
        () = page.keep_current() => {}
    }
}

async fn attend<S>(stream: TokioIo<S>, routes: Arc<Routes>, connection: Arc<Connection>)
where
    S: AsyncRead + AsyncWrite + Unpin,
{
    let service = service_fn(|request: Request<Incoming>| {
        let (routes, connection) = (Arc::clone(&routes), Arc::clone(&connection));
        async move { Ok::<Response<Body>, Infallible>(routes.answer(request, &connection).await) }
    });
    let answered = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(SILENCE)
        .keep_alive(false)
        .max_buf_size(16 * 1024)
        .serve_connection(stream, service);
    tokio::pin!(answered);
    // A client that breaks off or takes too long is its own affair.
    tokio::select! {
        _ = &mut answered => {}
        () = connection.given_up(PATIENCE) => {}
    }
}
