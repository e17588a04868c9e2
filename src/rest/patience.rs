//! A stream that is given up when the other side does not take what is sent.

use std::future::Future;
use std::io;
use std::pin::Pin;
use std::task::{Context, Poll};
use std::time::Duration;

use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::time::{Instant, Sleep};

/// A stream whose other side must take something within one time, and all of it within another.
pub(super) struct Impatient<S> {
    stream: S,
    some: Duration,
    all: Duration,
    /// Until when something must be taken, while nothing is.
    stuck: Option<Pin<Box<Sleep>>>,
    /// Until when everything must be taken, since the stream was first full.
    behind: Option<Pin<Box<Sleep>>>,
}

fn after(time: Duration) -> Pin<Box<Sleep>> {
    Box::pin(tokio::time::sleep_until(Instant::now() + time))
}

impl<S> Impatient<S> {
    /// `stream`, whose other side takes something within `some`, and all of it within `all`.
    pub(super) fn new(stream: S, some: Duration, all: Duration) -> Self {
        Impatient { stream, some, all, stuck: None, behind: None }
    }

    /// `wrote` unless it, or what was begun before it, has taken too long.
    fn watched<T>(&mut self, cx: &mut Context<'_>, wrote: Poll<io::Result<T>>) -> Poll<io::Result<T>> {
        if wrote.is_ready() {
            self.stuck = None;
        } else {
            let (some, all) = (self.some, self.all);
            let stuck = self.stuck.get_or_insert_with(|| after(some));
            self.behind.get_or_insert_with(|| after(all));
            if stuck.as_mut().poll(cx).is_ready() {
                return Poll::Ready(Err(io::ErrorKind::TimedOut.into()));
            }
        }
        if let Some(behind) = &mut self.behind
            && behind.as_mut().poll(cx).is_ready()
        {
            return Poll::Ready(Err(io::ErrorKind::TimedOut.into()));
        }
        wrote
    }
}

impl<S: AsyncRead + Unpin> AsyncRead for Impatient<S> {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_read(cx, buffer)
    }
}

impl<S: AsyncWrite + Unpin> AsyncWrite for Impatient<S> {
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
        // hyper flushes once it has written everything that it holds
        if flushed.is_ready() {
            self.behind = None;
        }
        self.watched(cx, flushed)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(cx)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use tokio::io::{AsyncReadExt, AsyncWriteExt};

    const SHORT: Duration = Duration::from_millis(50);
    const LONG: Duration = Duration::from_secs(600);

    #[tokio::test]
    async fn a_side_that_takes_nothing_is_given_up() {
        let (ours, _theirs) = tokio::io::duplex(64);
        let error = Impatient::new(ours, SHORT, LONG).write_all(&[0; 1000]).await.unwrap_err();
        assert_eq!(error.kind(), io::ErrorKind::TimedOut);
    }

    #[tokio::test]
    async fn a_side_that_takes_a_little_now_and_then_is_given_up_too() {
        let (ours, mut theirs) = tokio::io::duplex(64);
        let drip = tokio::spawn(async move {
            let mut byte = [0];
            while theirs.read_exact(&mut byte).await.is_ok() {
                tokio::time::sleep(SHORT / 10).await;
            }
        });
        let error = Impatient::new(ours, LONG, SHORT).write_all(&[0; 100_000]).await.unwrap_err();
        assert_eq!(error.kind(), io::ErrorKind::TimedOut);
        drip.await.unwrap();
    }

    #[tokio::test]
    async fn each_answer_has_its_own_time() {
        let (ours, mut theirs) = tokio::io::duplex(64);
        let reader = tokio::spawn(async move {
            let mut all = Vec::new();
            theirs.read_to_end(&mut all).await.unwrap()
        });
        let mut stream = Impatient::new(ours, LONG, LONG);
        for _ in 0..20 {
            stream.write_all(&[0; 100]).await.unwrap();
            stream.flush().await.unwrap();
            assert!(stream.behind.is_none());
        }
        drop(stream);
        assert_eq!(reader.await.unwrap(), 2_000);
    }
}
