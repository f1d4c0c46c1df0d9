//! Frames in their own time.

mod common;

use common::{lostnode, own};

fn replay(arguments: &[&str]) -> (String, String) {
    let output = lostnode()
        .arg("replay")
        .arg(own("samples/van-door.log.gz"))
        .args(arguments)
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    (String::from_utf8(output.stdout).unwrap(), String::from_utf8(output.stderr).unwrap())
}

/// Without waiting it is what `frames` prints; channels get other names.
#[test]
fn the_same_frames_under_another_name() {
    let window = ["--from", "30", "--to", "31", "--id", "3B0-3BF"];
    let frames =
        lostnode().arg("frames").arg(own("samples/van-door.log.gz")).args(window).output().unwrap();
    let frames = String::from_utf8(frames.stdout).unwrap();
    let (text, told) = replay(&[&window[..], &["--no-wait", "--onto", "can0:vcan1"]].concat());
    assert_eq!(text, frames.replace("can0", "vcan1"));
    assert!(told.contains(&format!("{} frames written", frames.lines().count())));
}

/// Rounds go on in time, so that the result reads as one capture with no step back.
#[test]
fn rounds_go_on_in_time() {
    let (text, _) = replay(&["--from", "30", "--to", "30.5", "--no-wait", "--rounds", "3"]);
    let stamps: Vec<&str> = text.lines().map(|line| line.split(')').next().unwrap()).collect();
    assert!(stamps.windows(2).all(|pair| pair[0] <= pair[1]), "a step back in time");
    let (once, _) = replay(&["--from", "30", "--to", "30.5", "--no-wait"]);
    assert_eq!(text.lines().count(), 3 * once.lines().count());
    assert!(text.starts_with(&once));
}

/// Frames are not written before they are due, and the lateness is told.
#[test]
fn in_real_time() {
    let begun = std::time::Instant::now();
    let (text, told) = replay(&["--from", "30", "--to", "31", "--speed", "4"]);
    // Never early: a fourth of the second that the frames span. How late it may be is no test on a
    // busy machine.
    assert!(text.lines().count() > 100 && begun.elapsed().as_secs_f64() > 0.24);
    assert!(told.contains("(median)") && told.contains("(99 %)"), "{told}");
}

#[test]
fn wrong_arguments_are_said() {
    for (arguments, message) in [
        (["--speed", "0"], "not a number above zero"),
        (["--onto", "can0"], "not of the form can0:vcan0"),
        (["--onto", "can0:a b"], "not of the form"),
    ] {
        let output = lostnode()
            .arg("replay")
            .arg(own("samples/van-door.log.gz"))
            .args(arguments)
            .output()
            .unwrap();
        assert!(
            output.status.code() == Some(2)
                && String::from_utf8_lossy(&output.stderr).contains(message)
        );
    }
}
