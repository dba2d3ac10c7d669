//! Connections: few strangers at a time, none for long, and from nobody much that makes no sense.
//!
//! Any program of this machine can open a connection without knowing the token. Left alone, idle ones would use up the
//! sockets of the process, and a form without an end would fill the memory.

use std::collections::VecDeque;
use std::future::Future;
use std::io;
use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::task::{Context, Poll};
use std::time::Duration;

use axum::extract::connect_info::Connected;
use axum::serve::{IncomingStream, Listener};
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::oneshot;
use tokio::time::Sleep;

/// A connection has this long to show the token (assumed: a browser on the same machine asks at once; one that it opened
/// in advance and did not use is opened again without anybody noticing).
const PATIENCE: Duration = Duration::from_secs(10);
/// Connections that have not shown the token yet; for the next one the oldest goes, so that idle ones keep nobody out.
/// A browser asks within a millisecond or so: with 3,300 new ones a second, as many as four programs in a loop open
/// (measured 2026-11-29), one of 128 is sent away after 39 ms at the earliest. Some systems give a process 256 files.
const STRANGERS_MOST: usize = 128;
/// More bytes than this never come before the page takes one of them in: a form without files is cut off at 2 MB, a
/// file is taken piece by piece (assumed).
const UNEXPLAINED_MOST: usize = 4 << 20;

/// Where connections come in.
#[derive(Debug)]
pub(super) struct Door {
    listener: TcpListener,
    /// Who has not shown the token, the oldest first, and what sends them away.
    strangers: VecDeque<(Visitor, oneshot::Sender<()>)>,
}

impl Door {
    pub(super) fn new(listener: TcpListener) -> Self {
        Self { listener, strangers: VecDeque::new() }
    }
}

impl Listener for Door {
    type Io = Connection;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> (Connection, SocketAddr) {
        let (stream, address) = Listener::accept(&mut self.listener).await;
        let visitor = Visitor(Arc::new(Known {
            address,
            welcome: AtomicBool::default(),
            unexplained: AtomicUsize::default(),
        }));
        let (send_away, sent_away) = oneshot::channel();
        // One whose connection has ended cannot be sent away any more.
        self.strangers.retain(|(stranger, send_away)| stranger.is_stranger() && !send_away.is_closed());
        while self.strangers.len() >= STRANGERS_MOST
            && let Some((_, send_away)) = self.strangers.pop_front()
        {
            send_away.send(()).ok();
        }
        self.strangers.push_back((visitor.clone(), send_away));
        let deadline = Box::pin(tokio::time::sleep(PATIENCE));
        (Connection { stream, visitor, deadline, sent_away, ended: false }, address)
    }

    fn local_addr(&self) -> io::Result<SocketAddr> {
        self.listener.local_addr()
    }
}

/// What is known of who is at the other end of a connection.
#[derive(Clone, Debug)]
pub(super) struct Visitor(Arc<Known>);

#[derive(Debug)]
struct Known {
    /// The other end.
    address: SocketAddr,
    /// Whether the token was shown.
    welcome: AtomicBool,
    /// Bytes that came since the last that was taken in.
    unexplained: AtomicUsize,
}

impl Visitor {
    /// The other end.
    pub(super) fn address(&self) -> SocketAddr {
        self.0.address
    }

    /// The token was shown.
    pub(super) fn welcome(&self) {
        self.0.welcome.store(true, Ordering::Relaxed);
        self.understood();
    }

    /// Something that was sent was taken in.
    pub(super) fn understood(&self) {
        self.0.unexplained.store(0, Ordering::Relaxed);
    }

    fn is_stranger(&self) -> bool {
        !self.0.welcome.load(Ordering::Relaxed)
    }
}

impl Connected<IncomingStream<'_, Door>> for Visitor {
    fn connect_info(stream: IncomingStream<'_, Door>) -> Self {
        stream.io().visitor.clone()
    }
}

/// One connection.
#[derive(Debug)]
pub(super) struct Connection {
    stream: TcpStream,
    visitor: Visitor,
    deadline: Pin<Box<Sleep>>,
    /// Comes when another stranger needs the place.
    sent_away: oneshot::Receiver<()>,
    /// A stranger whose time was up: asked again, it stays so.
    ended: bool,
}

impl Connection {
    /// What a connection with nothing to read, or that reads nothing, gets: more time, or the end of a stranger's.
    fn wait<T>(&mut self, context: &mut Context<'_>) -> Poll<io::Result<T>> {
        if self.visitor.is_stranger() {
            // The other end of the second also goes when the page stops.
            self.ended = self.ended
                || self.deadline.as_mut().poll(context).is_ready()
                || Pin::new(&mut self.sent_away).poll(context).is_ready();
            if self.ended {
                return Poll::Ready(Err(io::ErrorKind::TimedOut.into()));
            }
        }
        Poll::Pending
    }
}

impl AsyncRead for Connection {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        let before = buffer.filled().len();
        let read = Pin::new(&mut self.stream).poll_read(context, buffer);
        if read.is_pending() {
            return self.wait(context);
        }
        let came = buffer.filled().len() - before;
        if self.visitor.0.unexplained.fetch_add(came, Ordering::Relaxed) + came > UNEXPLAINED_MOST {
            return Poll::Ready(Err(io::Error::new(
                io::ErrorKind::InvalidData,
                "too much that makes no sense",
            )));
        }
        read
    }
}

impl AsyncWrite for Connection {
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        match Pin::new(&mut self.stream).poll_write(context, bytes) {
            Poll::Pending => self.wait(context),
            written @ Poll::Ready(_) => written,
        }
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(context)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(context)
    }
}
