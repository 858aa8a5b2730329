//! A stream whose reader must read: a write that waits too long is an error.
//!
//! Frees the connection of a client that has stopped reading, also in the middle of an event stream that has no end.

use std::io;
use std::pin::Pin;
use std::task::{Context, Poll, ready};
use std::time::Duration;

use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::time::{Sleep, sleep};

/// The stream and how long a write may wait.
pub(super) struct WriteDeadline<S> {
    inner: S,
    limit: Duration,
    /// Runs while a write waits.
    waiting: Option<Pin<Box<Sleep>>>,
}

impl<S> WriteDeadline<S> {
    pub(super) fn new(inner: S, limit: Duration) -> WriteDeadline<S> {
        WriteDeadline { inner, limit, waiting: None }
    }

    fn or_late<T>(&mut self, cx: &mut Context<'_>, outcome: Poll<io::Result<T>>) -> Poll<io::Result<T>> {
        if outcome.is_ready() {
            self.waiting = None;
            return outcome;
        }
        let limit = self.limit;
        ready!(self.waiting.get_or_insert_with(|| Box::pin(sleep(limit))).as_mut().poll(cx));
        Poll::Ready(Err(io::Error::new(io::ErrorKind::TimedOut, "the client does not read")))
    }
}

impl<S: AsyncRead + Unpin> AsyncRead for WriteDeadline<S> {
    fn poll_read(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.inner).poll_read(cx, buf)
    }
}

impl<S: AsyncWrite + Unpin> AsyncWrite for WriteDeadline<S> {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &[u8]) -> Poll<io::Result<usize>> {
        let outcome = Pin::new(&mut self.inner).poll_write(cx, buf);
        self.or_late(cx, outcome)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        bufs: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let outcome = Pin::new(&mut self.inner).poll_write_vectored(cx, bufs);
        self.or_late(cx, outcome)
    }

    fn is_write_vectored(&self) -> bool {
        self.inner.is_write_vectored()
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        let outcome = Pin::new(&mut self.inner).poll_flush(cx);
        self.or_late(cx, outcome)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        let outcome = Pin::new(&mut self.inner).poll_shutdown(cx);
        self.or_late(cx, outcome)
    }
}

#[cfg(test)]
mod tests {
    use tokio::io::{AsyncReadExt, AsyncWriteExt, duplex};

    use super::*;

    #[tokio::test(start_paused = true)]
    async fn a_reader_that_stops_is_an_error_and_a_slow_one_is_none() {
        let (ours, mut theirs) = duplex(10);
        let mut stream = WriteDeadline::new(ours, Duration::from_secs(30));
        let writing = tokio::spawn(async move {
            let error = loop {
                if let Err(error) = stream.write_all(&[0; 10]).await {
                    break error;
                }
            };
            error.kind()
        });
        let mut bytes = [0; 10];
        for _ in 0..5 {
            tokio::time::sleep(Duration::from_secs(29)).await;
            theirs.read_exact(&mut bytes).await.unwrap();
        }
        assert!(!writing.is_finished());
        assert_eq!(writing.await.unwrap(), io::ErrorKind::TimedOut);
    }
}
