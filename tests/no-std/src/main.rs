//! Links against the C runtime's start-up only: no `std`, no `alloc`.
#![no_std]
#![no_main]

use lostnode_parsers::{candump, console, wire};

#[unsafe(no_mangle)]
pub extern "C" fn main() -> i32 {
    let line = b"(1700000000.123456) can0 0C1#4001087500000000";
    let Ok(record) = candump::parse_line(line) else { return 1 };
    let bits = wire::length(&record.kind).map_or(0, wire::Length::bits);
    let console = console::parse_line(b"  can0  680   [1]  03");
    if bits == 121 && console.is_ok() { 0 } else { 2 }
}

#[panic_handler]
fn panic(_: &core::panic::PanicInfo<'_>) -> ! {
    loop {}
}

/// The ready-made `core` refers to these although nothing here unwinds.
#[unsafe(no_mangle)]
pub extern "C" fn rust_eh_personality() {}

#[unsafe(no_mangle)]
pub extern "C" fn _Unwind_Resume() -> ! {
    loop {}
}
