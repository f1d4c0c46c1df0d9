//! Real CAN sockets: Debian's kernel under software emulation, with virtual interfaces, the
//! kernel's own transport, and one interface that is not virtual.

mod common;

use std::fs;
use std::path::Path;
use std::process::Command;

use common::{lostnode, own};

/// The example that `cargo test` built beside the binary.
fn peer() -> std::path::PathBuf {
    Path::new(env!("CARGO_BIN_EXE_lostnode")).with_file_name("examples").join("can_socket_peer")
}

#[test]
fn replay_record_and_the_transport_of_the_kernel() {
    let has = |program: &str| Command::new(program).arg("--version").output().is_ok();
    if !own("target/can-socket/vmlinuz").exists()
        || !has("qemu-system-x86_64")
        || !Path::new("/usr/bin/busybox").exists()
    {
        println!(
            "skipped: no emulator or no kernel here (apt install qemu-system-x86 busybox-static; tests/can-socket/fetch)"
        );
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let window = lostnode()
        .arg("frames")
        .arg(own("samples/van-door.log.gz"))
        .args(["--from", "27", "--to", "36"])
        .output()
        .unwrap();
    fs::write(folder.path().join("window.log"), &window.stdout).unwrap();
    let lines: Vec<&str> =
        std::str::from_utf8(&window.stdout).unwrap().lines().take(1000).collect();
    fs::write(folder.path().join("flood-frames.log"), lines.join("\n")).unwrap();
    fs::write(folder.path().join("one.log"), "(1.000000) can0 3B0#AABB\n").unwrap();
    let vin = "(1.000000) can0 7E0#0322F19000000000\n(1.010000) can0 7E8#101462F190585854\n(1.011000) can0 7E0#3000000000000000\n\
        (1.012000) can0 7E8#2145535458584130\n(1.013000) can0 7E8#224E303030303432\n(1.020000) can0 3B0#AABB\n";
    fs::write(folder.path().join("vin.log"), vin).unwrap();
    let odd = "(1.000001) can0 123#\n(1.100002) can0 123#1122334455667788_E\n(1.200003) can0 123#R0\n(1.300004) can1 00000123#R5\n\
        (1.400005) can0 1FFFFFFF#AA\n(1.500006) can1 7FF##1AABB\n(1.600007) can0 12345678##2000102030405060708090A0B\n\
        (1.700008) can0 20000088#0000080000000000\n(1.800009) can1 7E8#04410C1AF8000000\n";
    fs::write(folder.path().join("odd-frames.log"), odd).unwrap();
    fs::copy(own("samples/van-roster.toml"), folder.path().join("roster.toml")).unwrap();
    let output = Command::new(own("tests/can-socket/boot"))
        .arg(folder.path())
        .args([Path::new(env!("CARGO_BIN_EXE_lostnode")), &peer()])
        .output()
        .unwrap();
    let console = String::from_utf8_lossy(&output.stdout);
    println!("{console}\n{}", String::from_utf8_lossy(&output.stderr));
    assert!(console.contains("end of checks"), "the machine did not come to its end");
    let checks: Vec<&str> = console
        .lines()
        .map(str::trim)
        .filter(|line| line.starts_with("ok ") || line.starts_with("not ok "))
        .collect();
    assert_eq!(checks.len(), 19, "{checks:#?}");
    assert!(checks.iter().all(|check| check.starts_with("ok ")), "{checks:#?}");
}
