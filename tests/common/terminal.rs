//! A pseudo-terminal.

use std::fs::File;
use std::os::fd::FromRawFd;

/// The two ends of a terminal of 80 columns.
pub fn terminal() -> (File, File) {
    let (mut ours, mut theirs) = (0, 0);
    let size = libc::winsize { ws_row: 24, ws_col: 80, ws_xpixel: 0, ws_ypixel: 0 };
    // SAFETY: the pointers are to values that live through the call, and the descriptors that come
    // back belong to nobody else.
    unsafe {
        let (no_name, no_modes) = (std::ptr::null_mut(), std::ptr::null_mut::<libc::termios>());
        assert_eq!(libc::openpty(&mut ours, &mut theirs, no_name, no_modes, &size), 0);
        (File::from_raw_fd(ours), File::from_raw_fd(theirs))
    }
}
