//! The other side in the test with real CAN sockets (`tests/can-socket`): the kernel's own
//! transport, and a serial line taken for a controller.
//!
//! The one place of the project with `unsafe` code: no crate wraps the line discipline. It runs in
//! the emulated machine of that test only.

#[cfg(target_os = "linux")]
fn main() -> std::io::Result<()> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    match arguments.iter().map(String::as_str).collect::<Vec<_>>()[..] {
        ["isotp", interface, tester, module] => linux::isotp(interface, tester, module),
        ["serial", seconds] => linux::serial(seconds.parse().unwrap_or(10)),
        _ => panic!("isotp INTERFACE TESTER MODULE, or serial SECONDS"),
    }
}

#[cfg(not(target_os = "linux"))]
fn main() {}

#[cfg(target_os = "linux")]
mod linux {
    use std::fs::OpenOptions;
    use std::io::{self, Read, Write};
    use std::os::fd::AsRawFd;
    use std::os::unix::fs::OpenOptionsExt;
    use std::time::{Duration, Instant};

    use socket2::{Domain, Protocol, Socket, Type};
    use socketcan::{CanAddr, StandardId};

    /// Linux, include/uapi/linux/can.h.
    const CAN_ISOTP: i32 = 6;
    /// Linux, include/uapi/linux/tty.h.
    static N_SLCAN: i32 = 17;

    fn open(interface: &str, receive: u16, send: u16) -> io::Result<Socket> {
        let socket =
            Socket::new(Domain::from(libc::AF_CAN), Type::DGRAM, Some(Protocol::from(CAN_ISOTP)))?;
        let id = |id| StandardId::new(id).expect("an identifier of 11 bits");
        socket
            .bind(&CanAddr::from_iface_isotp(interface, id(receive), id(send))?.into_sock_addr())?;
        socket.set_read_timeout(Some(Duration::from_secs(20)))?;
        Ok(socket)
    }

    /// Messages of many lengths each way, printed as `ID BYTES`.
    pub fn isotp(interface: &str, tester: &str, module: &str) -> io::Result<()> {
        let id = |text: &str| u16::from_str_radix(text, 16).expect("hexadecimal");
        let ends =
            [open(interface, id(module), id(tester))?, open(interface, id(tester), id(module))?];
        let names = [tester, module];
        for (turn, length) in
            [1_usize, 2, 6, 7, 8, 9, 13, 14, 20, 62, 63, 100, 111, 112, 255, 256, 600, 1000, 4095]
                .into_iter()
                .enumerate()
        {
            for from in [0, 1] {
                let bytes: Vec<u8> =
                    (0..length).map(|at| (at * 7 + turn * 31 + from * 101) as u8).collect();
                let (mut sender, mut receiver) = (&ends[from], &ends[1 - from]);
                sender.write_all(&bytes)?;
                let mut got = vec![0; 5000];
                let length = receiver.read(&mut got)?;
                assert_eq!(got[..length], bytes);
                println!("{} {}", names[from], hex::encode_upper(&bytes));
            }
        }
        Ok(())
    }

    /// Makes a pseudo terminal look like a serial CAN controller, and prints what is sent through
    /// it.
    pub fn serial(seconds: u64) -> io::Result<()> {
        let mut master = OpenOptions::new()
            .read(true)
            .write(true)
            .custom_flags(libc::O_NOCTTY | libc::O_NONBLOCK)
            .open("/dev/ptmx")?;
        // SAFETY: plain ioctls on an open terminal; each reads or writes one int that outlives the
        // call.
        let slave = unsafe {
            let (mut number, unlock) = (0_i32, 0_i32);
            assert_eq!(libc::ioctl(master.as_raw_fd(), libc::TIOCSPTLCK, &raw const unlock), 0);
            assert_eq!(libc::ioctl(master.as_raw_fd(), libc::TIOCGPTN, &raw mut number), 0);
            OpenOptions::new()
                .read(true)
                .write(true)
                .custom_flags(libc::O_NOCTTY)
                .open(format!("/dev/pts/{number}"))?
        };
        // SAFETY: as above.
        if unsafe { libc::ioctl(slave.as_raw_fd(), libc::TIOCSETD, &raw const N_SLCAN) } != 0 {
            return Err(io::Error::last_os_error());
        }
        let (begun, mut bytes) = (Instant::now(), [0; 4096]);
        while begun.elapsed() < Duration::from_secs(seconds) {
            match master.read(&mut bytes) {
                Ok(length) => {
                    println!("{}", String::from_utf8_lossy(&bytes[..length]).replace('\r', "\n"))
                }
                Err(_) => std::thread::sleep(Duration::from_millis(50)),
            }
        }
        Ok(())
    }
}
