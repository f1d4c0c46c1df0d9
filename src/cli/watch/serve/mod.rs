//! `--serve`: the page for the phone, and the link to it.

mod clients;
mod pace;
mod qr;
mod secret;
mod server;
mod socket;
mod visit;

use std::io;
use std::net::{IpAddr, Ipv4Addr, SocketAddr, TcpListener, UdpSocket};
use std::str::FromStr;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::{self, JoinHandle};
use std::time::Duration;

use anstream::{AutoStream, ColorChoice};
use socket2::{Domain, Protocol, Socket, Type};

use self::secret::Secret;
use self::server::Shared;
use super::board::Board;
use crate::cli::Failure;

/// Connections that the system keeps until they are taken in.
const WAITING: i32 = 1024;
/// Bytes that the system keeps for a page that does not take them.
const KEPT: usize = 1 << 16;
/// A page whose phone has gone, or that takes nothing, is given up after this time.
#[cfg(any(target_os = "linux", target_os = "android"))]
const GONE_AFTER: Duration = Duration::from_secs(15);

/// Where the page is to be: an address of this machine, and perhaps a port.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Address(SocketAddr);

impl FromStr for Address {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let bare = text.strip_prefix('[').and_then(|rest| rest.strip_suffix(']')).unwrap_or(text);
        let address = text
            .parse::<SocketAddr>()
            .or_else(|_| bare.parse::<IpAddr>().map(|address| SocketAddr::new(address, 0)))
            .map_err(|_| format!("this is no address such as {}, or {0}:8080", example()))?;
        // "All addresses" would open it in networks that nobody thinks of, and the page could not
        // tell its own name from a foreign one.
        if address.ip().is_unspecified() || address.ip().is_multicast() {
            return Err(format!("give one address of this machine, such as {}", example()));
        }
        Ok(Address(address))
    }
}

/// This machine's address towards other networks, for a hint. Nothing is sent to find it.
fn own_address() -> Option<IpAddr> {
    let socket = UdpSocket::bind((Ipv4Addr::UNSPECIFIED, 0)).ok()?;
    // An address for documentation (RFC 5737).
    socket.connect((Ipv4Addr::new(192, 0, 2, 1), 9)).ok()?;
    let address = socket.local_addr().ok()?.ip();
    (!address.is_loopback() && !address.is_unspecified()).then_some(address)
}

fn example() -> String {
    own_address().map_or_else(|| "192.168.1.20".to_owned(), |address| address.to_string())
}

/// A page that is being served. It ends when this value goes.
pub struct Page {
    link: String,
    address: SocketAddr,
    over: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Page {
    /// Begins to serve what is on the board.
    ///
    /// # Errors
    /// Where this machine does not have the address, or the port is taken.
    pub fn serve(address: Address, board: Arc<Board>) -> Result<Self, Failure> {
        let listener = listen(address.0).map_err(|error| refused(address.0, &error))?;
        let address = listener.local_addr().map_err(Failure::message)?;
        let secret = Secret::new().map_err(Failure::message)?;
        let link = format!("http://{address}/{}/", secret.as_str());
        let shared = (secret, hosts(address), board);
        let over = Arc::new(AtomicBool::new(false));
        let told = Arc::clone(&over);
        let thread = thread::Builder::new()
            .name("page".to_owned())
            .spawn(move || {
                let (secret, hosts, board) = shared;
                server::run(listener, Shared::new(secret, hosts, board), &told);
            })
            .map_err(Failure::message)?;
        Ok(Page { link, address, over, thread: Some(thread) })
    }

    /// Tells the link on standard error, and what it opens; on a terminal also as a QR code.
    pub fn invite(&self) {
        eprint!("lostnode: {}", self.told());
        let Some((columns, _)) = terminal_size::terminal_size_of(io::stderr()) else { return };
        let colour = AutoStream::choice(&io::stderr()) != ColorChoice::Never;
        self.code(columns.0.into(), colour).iter().for_each(|line| eprintln!("{line}"));
    }

    /// The link as a QR code, a line each; empty where it does not fit into `columns`.
    fn code(&self, columns: usize, colour: bool) -> Vec<String> {
        let wide = |line: &String| line.chars().filter(|c| " █▀▄".contains(*c)).count();
        let fits = |lines: &Vec<String>| lines.iter().all(|line| wide(line) <= columns);
        qr::lines(&self.link, colour).filter(fits).unwrap_or_default()
    }

    fn told(&self) -> String {
        let opens = match self.address.ip().is_loopback() {
            true => format!(
                "Only this machine sees it. For a phone in the same network: --serve {}",
                example()
            ),
            false => "Whoever has this link can see the page and set marks, no more. It is not \
                      encrypted: whoever reads along in this network has the link too."
                .to_owned(),
        };
        format!("the page is at {}\nlostnode: {opens}\n", self.link)
    }

    fn stop(&mut self) {
        self.over.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

impl Drop for Page {
    fn drop(&mut self) {
        self.stop();
    }
}

/// What a request may call this page: its address; on this machine also `localhost`.
fn hosts(address: SocketAddr) -> Vec<String> {
    let mut names = vec![match address.ip() {
        IpAddr::V4(own) => own.to_string(),
        IpAddr::V6(own) => format!("[{own}]"),
    }];
    if address.ip().is_loopback() {
        names.push("localhost".to_owned());
    }
    let mut hosts: Vec<_> = names.iter().map(|name| format!("{name}:{}", address.port())).collect();
    if address.port() == 80 {
        hosts.append(&mut names);
    }
    hosts
}

/// What a connection inherits from its listener is set here.
fn listen(address: SocketAddr) -> io::Result<TcpListener> {
    let socket = Socket::new(Domain::for_address(address), Type::STREAM, Some(Protocol::TCP))?;
    // A port can be had again at once after a restart; not while another program has it.
    #[cfg(unix)]
    socket.set_reuse_address(true)?;
    socket.set_send_buffer_size(KEPT)?;
    #[cfg(any(target_os = "linux", target_os = "android"))]
    socket.set_tcp_user_timeout(Some(GONE_AFTER))?;
    socket.set_tcp_nodelay(true)?;
    socket.bind(&address.into())?;
    socket.listen(WAITING)?;
    socket.set_nonblocking(true)?;
    Ok(socket.into())
}

fn refused(address: SocketAddr, error: &io::Error) -> Failure {
    Failure::Message(match error.kind() {
        io::ErrorKind::AddrNotAvailable => {
            let hint = own_address().map_or(String::new(), |own| format!("; it has {own}"));
            format!("--serve: this machine does not have the address {}{hint}", address.ip())
        }
        io::ErrorKind::AddrInUse => format!(
            "--serve: port {} is in use by another program; give another, or none",
            address.port()
        ),
        io::ErrorKind::PermissionDenied => format!(
            "--serve: port {} is for administrators; give one from 1024 on, or none",
            address.port()
        ),
        _ => format!("--serve {address}: {error}"),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses() {
        let at = |text: &str| text.parse::<Address>().map(|address| address.0.to_string());
        assert_eq!(at("127.0.0.1").unwrap(), "127.0.0.1:0");
        assert_eq!(at("192.168.1.20:8080").unwrap(), "192.168.1.20:8080");
        assert_eq!(at("::1").unwrap(), "[::1]:0");
        assert_eq!(at("[::1]:8080").unwrap(), "[::1]:8080");
        assert_eq!(at("[::1]").unwrap(), "[::1]:0");
        for wrong in ["can0", "0.0.0.0", "0.0.0.0:80", "::", "224.0.0.1", "", "1.2.3.4:99999"] {
            assert!(at(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn hosts_that_are_this_page() {
        let of = |text: &str| hosts(text.parse().unwrap());
        assert_eq!(of("127.0.0.1:8080"), ["127.0.0.1:8080", "localhost:8080"]);
        assert_eq!(of("192.168.1.20:80"), ["192.168.1.20:80", "192.168.1.20"]);
        assert_eq!(of("[2001:db8::1]:8080"), ["[2001:db8::1]:8080"]);
    }
}
