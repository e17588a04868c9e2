//! Connections: how many, how long they may take, and how they end.

use std::future::Future;
use std::io;
use std::net::IpAddr;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll, ready};
use std::time::Duration;

use axum::Router;
use axum::body::Body;
use axum::http::header::{HOST, HeaderValue};
use axum::http::{Request, Response, Version};
use hyper::body::Incoming;
use hyper::server::conn::http1;
use hyper::service::service_fn;
use hyper_util::rt::{TokioIo, TokioTimer};
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{Semaphore, watch};
use tokio::task::JoinSet;
use tokio::time::{Instant, Sleep};
use tower::ServiceExt;

use super::answer::{Answer, FHIR_JSON};
use super::limits;
use super::refused::{Issue, Refused, outcome};

/// Who is at the other end of a connection.
#[derive(Clone, Copy, Debug)]
pub(super) struct Peer(pub(super) IpAddr);

/// How long things may take.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Times {
    /// For the head of a request to be complete, and for a connection to be idle.
    pub head: Duration,
    /// For the client to take some of an answer.
    pub write: Duration,
    /// For requests under way to end when the server stops.
    pub grace: Duration,
}

impl Default for Times {
    fn default() -> Self {
        Times { head: limits::HEAD_TIME, write: limits::WRITE_TIME, grace: limits::GRACE }
    }
}

/// Serves `router` on `listener` until `stop` says true; then ends requests that are under way, for
/// [`limits::GRACE`] at most.
///
/// # Errors
/// None: what is wrong with a connection, or with accepting one, passes.
pub async fn serve(listener: TcpListener, router: Router, stop: watch::Receiver<bool>) -> io::Result<()> {
    serve_within(Times::default(), listener, router, stop).await
}

/// As [`serve`], within other times.
///
/// # Errors
/// As [`serve`].
pub async fn serve_within(
    times: Times,
    listener: TcpListener,
    router: Router,
    mut stop: watch::Receiver<bool>,
) -> io::Result<()> {
    let places = Arc::new(Semaphore::new(limits::CONNECTIONS));
    let mut connections = JoinSet::new();
    loop {
        let accepted = tokio::select! {
            accepted = listener.accept() => accepted,
            // an error means that nobody is left who could say stop
            _ = stop.wait_for(|stop| *stop) => break,
        };
        // what ended is forgotten, so that the set does not grow
        while connections.try_join_next().is_some() {}
        let stream = match accepted {
            Ok((stream, _)) => stream,
            Err(error) if is_of_one_connection(&error) => continue,
            Err(error) => {
                // out of file descriptors, most likely: some will be free again
                tracing::error!(%error, "a connection could not be accepted");
                tokio::time::sleep(Duration::from_millis(100)).await;
                continue;
            }
        };
        match places.clone().try_acquire_owned() {
            Ok(place) => {
                let (router, stop) = (router.clone(), stop.clone());
                connections.spawn(async move {
                    connection(times, stream, router, stop).await;
                    drop(place);
                });
            }
            Err(_) => turn_away(stream),
        }
    }
    drop(listener);
    let ended = async { while connections.join_next().await.is_some() {} };
    if tokio::time::timeout(times.grace, ended).await.is_err() {
        tracing::warn!("requests were still under way when the service ended");
    }
    Ok(())
}

fn is_of_one_connection(error: &io::Error) -> bool {
    matches!(
        error.kind(),
        io::ErrorKind::ConnectionAborted | io::ErrorKind::ConnectionReset | io::ErrorKind::Interrupted
    )
}

/// Tells a client that there are too many, without waiting for it.
fn turn_away(stream: TcpStream) {
    let issue = Issue {
        severity: "error",
        code: "throttled",
        expression: None,
        diagnostics: format!("more than {} connections; try again in a moment", limits::CONNECTIONS),
    };
    let body = outcome(&[issue]);
    let answer = format!(
        "HTTP/1.1 503 Service Unavailable\r\ncontent-type: {FHIR_JSON}\r\nretry-after: {}\r\ncontent-length: {}\r\nconnection: close\r\n\r\n{body}",
        limits::RETRY_AFTER_S,
        body.len()
    );
    // a new connection's send buffer is empty: this takes it at once or not at all
    let _ = stream.try_write(answer.as_bytes());
}

async fn connection(times: Times, stream: TcpStream, router: Router, mut stop: watch::Receiver<bool>) {
    // small answers must not wait for one another
    let _ = stream.set_nodelay(true);
    let peer = stream.peer_addr().ok().map(|address| Peer(address.ip()));
    let service = service_fn(move |mut request: Request<Incoming>| {
        if let Some(peer) = peer {
            request.extensions_mut().insert(peer);
        }
        let router = router.clone();
        async move {
            match check(&request) {
                Ok(()) => router.oneshot(request.map(Body::new)).await,
                Err(refused) => Ok(closing(refused)),
            }
        }
    });
    let serving = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(times.head)
        .max_headers(limits::HEADERS)
        .max_buf_size(limits::HEAD_BYTES)
        .serve_connection(TokioIo::new(Impatient::new(stream, times.write)), service);
    let mut serving = std::pin::pin!(serving);
    // one that breaks is the client's affair
    let ended = tokio::select! {
        _ = serving.as_mut() => true,
        _ = stop.wait_for(|stop| *stop) => false,
    };
    if !ended {
        serving.as_mut().graceful_shutdown();
        let _ = serving.await;
    }
}

fn closing(refused: Refused) -> Response<Body> {
    let mut response = Answer::from(refused).into_response(false);
    response.headers_mut().insert("connection", HeaderValue::from_static("close"));
    response
}

/// What of a request's address is not left to the router.
fn check(request: &Request<Incoming>) -> Result<(), Refused> {
    let mut hosts = request.headers().get_all(HOST).iter();
    let (first, second) = (hosts.next(), hosts.next());
    if second.is_some() || (first.is_none() && request.version() >= Version::HTTP_11) {
        return Err(Refused::value("Host", "expected one Host"));
    }
    if request.version() > Version::HTTP_11 {
        return Err(Refused::value("url", "expected HTTP/1.1"));
    }
    let elsewhere = request
        .uri()
        .authority()
        .is_some_and(|a| first.is_none_or(|h| h.as_bytes() != a.as_str().as_bytes()));
    if elsewhere {
        return Err(Refused::value("url", "expected an address of this service"));
    }
    Ok(())
}

/// A stream that is given up when the other side takes nothing for a while.
struct Impatient {
    stream: TcpStream,
    patience: Duration,
    waiting: Option<Pin<Box<Sleep>>>,
}

impl Impatient {
    fn new(stream: TcpStream, patience: Duration) -> Self {
        Impatient { stream, patience, waiting: None }
    }

    /// `wrote` unless it has been pending for too long.
    fn watched<T>(&mut self, cx: &mut Context<'_>, wrote: Poll<io::Result<T>>) -> Poll<io::Result<T>> {
        if wrote.is_ready() {
            self.waiting = None;
            return wrote;
        }
        let until = Instant::now() + self.patience;
        let waiting = self.waiting.get_or_insert_with(|| Box::pin(tokio::time::sleep_until(until)));
        ready!(waiting.as_mut().poll(cx));
        Poll::Ready(Err(io::ErrorKind::TimedOut.into()))
    }
}

impl AsyncRead for Impatient {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_read(cx, buffer)
    }
}

impl AsyncWrite for Impatient {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        let wrote = Pin::new(&mut self.stream).poll_write(cx, bytes);
        self.watched(cx, wrote)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        slices: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let wrote = Pin::new(&mut self.stream).poll_write_vectored(cx, slices);
        self.watched(cx, wrote)
    }

    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        let flushed = Pin::new(&mut self.stream).poll_flush(cx);
        self.watched(cx, flushed)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(cx)
    }
}
