//! A stream that refuses to carry a question while something nobody asked for is waiting to be read.
//!
//! RTU frames have no transaction number: a stray answer left in the socket would be taken for the answer to the next
//! question, and a wrong value would look right. So bytes that arrive before a question break the connection.
//! Must never read, hold back or change a byte of an answer.

use std::io;
use std::pin::Pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicU8, Ordering};
use std::task::{Context, Poll, ready};

use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};

/// What a guard saw. The Modbus library reports a closed stream as whatever error the system had last, so what really
/// happened is noted here.
#[derive(Debug, Clone, Default)]
pub(super) struct Watch(Arc<AtomicU8>);

const CLOSED: u8 = 1;
const UNASKED: u8 = 2;

impl Watch {
    /// The device closed the connection.
    pub(super) fn closed(&self) -> bool {
        self.0.load(Ordering::Relaxed) & CLOSED != 0
    }

    /// Bytes came that answer no question.
    pub(super) fn unasked(&self) -> bool {
        self.0.load(Ordering::Relaxed) & UNASKED != 0
    }

    fn note(&self, what: u8) {
        self.0.fetch_or(what, Ordering::Relaxed);
    }
}

/// The guarded stream.
#[derive(Debug)]
pub(super) struct Guard<T> {
    inner: T,
    watch: Watch,
}

impl<T> Guard<T> {
    pub(super) fn new(inner: T) -> (Guard<T>, Watch) {
        let watch = Watch::default();
        (Guard { inner, watch: watch.clone() }, watch)
    }
}

impl<T: AsyncRead + Unpin> AsyncRead for Guard<T> {
    fn poll_read(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        let before = buf.filled().len();
        let result = ready!(Pin::new(&mut self.inner).poll_read(cx, buf));
        if result.is_ok() && buf.filled().len() == before && buf.remaining() > 0 {
            self.watch.note(CLOSED);
        }
        Poll::Ready(result)
    }
}

impl<T: AsyncRead + AsyncWrite + Unpin> AsyncWrite for Guard<T> {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        // Costs no system call while nothing has arrived: the runtime knows the socket is not readable.
        let mut byte = [0u8; 1];
        let mut waiting = ReadBuf::new(&mut byte);
        match Pin::new(&mut self.inner).poll_read(cx, &mut waiting) {
            Poll::Pending => {}
            Poll::Ready(Err(error)) => return Poll::Ready(Err(error)),
            Poll::Ready(Ok(())) if waiting.filled().is_empty() => {
                self.watch.note(CLOSED);
                return Poll::Ready(Err(io::ErrorKind::ConnectionAborted.into()));
            }
            Poll::Ready(Ok(())) => {
                self.watch.note(UNASKED);
                return Poll::Ready(Err(io::ErrorKind::InvalidData.into()));
            }
        }
        Pin::new(&mut self.inner).poll_write(cx, bytes)
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.inner).poll_flush(cx)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.inner).poll_shutdown(cx)
    }
}
