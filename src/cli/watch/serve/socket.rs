//! A connection as the HTTP library wants to see it.

use std::io;
use std::pin::Pin;
use std::task::{Context, Poll, ready};

use hyper::rt::{Read, ReadBufCursor, Write};
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::TcpStream;

/// Read by way of a buffer of its own: without `unsafe`, for the price of copying a request.
pub(super) struct Socket(pub TcpStream);

impl Read for Socket {
    fn poll_read(
        self: Pin<&mut Self>,
        context: &mut Context<'_>,
        mut into: ReadBufCursor<'_>,
    ) -> Poll<io::Result<()>> {
        let mut room = [0; 2048];
        let most = room.len().min(into.remaining());
        let mut own = ReadBuf::new(&mut room[..most]);
        ready!(Pin::new(&mut self.get_mut().0).poll_read(context, &mut own))?;
        into.put_slice(own.filled());
        Poll::Ready(Ok(()))
    }
}

impl Write for Socket {
    fn poll_write(
        self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        Pin::new(&mut self.get_mut().0).poll_write(context, bytes)
    }

    fn poll_flush(self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.get_mut().0).poll_flush(context)
    }

    fn poll_shutdown(self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.get_mut().0).poll_shutdown(context)
    }
}
