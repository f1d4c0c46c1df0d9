//! The pages that are open, and what each has yet to be told.

use std::cell::{Cell, RefCell};
use std::pin::Pin;
use std::rc::Rc;
use std::task::{Context, Poll};

use hyper::body::{Body, Bytes, Frame, SizeHint};
use tokio::sync::{Notify, mpsc};

/// Pages open at a time.
pub(super) const MOST_CLIENTS: usize = 16;
/// What may wait for one page. One that does not take it in time is cut off; it comes back by
/// itself and begins with the state, so that it has missed nothing that counts.
const MOST_WAITING: usize = 64;

/// One connection: how to end it, and whether it may stay.
#[derive(Default)]
pub(super) struct Visitor {
    pub cut: Notify,
    /// It is an open page.
    pub stays: Cell<bool>,
}

struct Client {
    to: mpsc::Sender<Bytes>,
    visitor: Rc<Visitor>,
}

#[derive(Default)]
pub(super) struct Clients {
    open: RefCell<Vec<Client>>,
}

impl Clients {
    /// Takes a page in and tells it `first`; `None` where there are too many.
    pub fn welcome(&self, visitor: &Rc<Visitor>, first: Bytes) -> Option<Answer> {
        let mut open = self.open.borrow_mut();
        open.retain(|client| !client.to.is_closed());
        if open.len() >= MOST_CLIENTS {
            return None;
        }
        let (to, stream) = mpsc::channel(MOST_WAITING);
        to.try_send(first).ok()?;
        visitor.stays.set(true);
        open.push(Client { to, visitor: Rc::clone(visitor) });
        Some(Answer::Stream(stream))
    }

    /// Tells every page, and waits for none.
    pub fn tell(&self, what: &Bytes) {
        self.open.borrow_mut().retain(|client| {
            let told = client.to.try_send(what.clone()).is_ok();
            if !told {
                client.visitor.cut.notify_one();
            }
            told
        });
    }

    /// Lets the streams end once they are written out.
    pub fn farewell(&self) {
        self.open.borrow_mut().clear();
    }
}

/// The body of an answer.
pub(super) enum Answer {
    Whole(Bytes),
    Stream(mpsc::Receiver<Bytes>),
}

impl Body for Answer {
    type Data = Bytes;
    type Error = std::convert::Infallible;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Bytes>, Self::Error>>> {
        match &mut *self {
            Answer::Whole(bytes) => {
                let bytes = std::mem::take(bytes);
                Poll::Ready((!bytes.is_empty()).then(|| Ok(Frame::data(bytes))))
            }
            Answer::Stream(stream) => {
                stream.poll_recv(context).map(|bytes| bytes.map(|bytes| Ok(Frame::data(bytes))))
            }
        }
    }

    fn is_end_stream(&self) -> bool {
        matches!(self, Answer::Whole(bytes) if bytes.is_empty())
    }

    fn size_hint(&self) -> SizeHint {
        match self {
            Answer::Whole(bytes) => SizeHint::with_exact(bytes.len() as u64),
            Answer::Stream(_) => SizeHint::default(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A page that takes nothing costs its queue, no more, and the others do not notice.
    #[test]
    fn a_page_that_hangs_is_cut_off() {
        let clients = Clients::default();
        let (hangs, reads) = (Rc::new(Visitor::default()), Rc::new(Visitor::default()));
        let _kept = clients.welcome(&hangs, Bytes::from_static(b"state")).unwrap();
        let Some(Answer::Stream(mut stream)) = clients.welcome(&reads, Bytes::new()) else {
            panic!()
        };
        let _first = stream.try_recv().unwrap();
        for count in 0..200_u8 {
            clients.tell(&Bytes::copy_from_slice(&[count]));
            assert_eq!(stream.try_recv().unwrap()[0], count);
        }
        assert_eq!(clients.open.borrow().len(), 1);
    }

    #[test]
    fn no_more_pages_than_that_and_one_that_left_makes_room() {
        let clients = Clients::default();
        let visitor = Rc::new(Visitor::default());
        let welcome = || clients.welcome(&visitor, Bytes::new());
        let mut open: Vec<Answer> = (0..MOST_CLIENTS).map(|_| welcome().unwrap()).collect();
        assert!(welcome().is_none());
        open.pop();
        assert!(welcome().is_some());
    }
}
