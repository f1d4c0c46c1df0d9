"""The package against the program's own samples, which are invented."""

from __future__ import annotations

import gzip
import json
import os
import pathlib
import signal
import subprocess
import sys
import threading
import time

import polars as pl
import pytest

import lostnode


def test_report_of_the_sample(samples: pathlib.Path) -> None:
    answer = lostnode.report(samples / "van-door.log.gz", roster=samples / "van-roster.toml")
    assert answer["verdict"] == "something_lost"
    assert answer["captures"][0]["frames"] == 52214
    assert answer["headline"].startswith("Sliding door dropped off the bus 5 times")
    door = [own for own in answer["outages"] if own["nodes"] == ["sliding door"]]
    truth = json.loads((samples / "van-door.truth.json").read_text())
    assert len(door) == 5 and truth
    assert all(1 < own["duration_s"] < 10 and not own["benign"] for own in door)


@pytest.mark.skipif("LOSTNODE_BINARY" not in os.environ, reason="no program to hold it against")
def test_the_program_says_the_same(samples: pathlib.Path) -> None:
    program = os.environ["LOSTNODE_BINARY"]

    def told(*arguments: str) -> object:
        done = subprocess.run(
            [program, *arguments, "--format", "json"], capture_output=True, check=False
        )
        return json.loads(done.stdout)

    door, after = str(samples / "van-door.log.gz"), str(samples / "van-after.log.gz")
    roster = str(samples / "van-roster.toml")
    assert lostnode.report(door, roster=roster) == told("report", door, "--roster", roster)
    assert lostnode.report([door, after]) == told("report", door, after)
    assert lostnode.compare(door, after) == told("compare", door, after)
    hidden = told("report", door, "--hide-identity")
    assert lostnode.report(door, hide_identity=True) == hidden

    def table(command: str) -> pl.DataFrame:
        done = subprocess.run(
            [program, command, door, "--format", "parquet"], capture_output=True, check=False
        )
        return pl.read_parquet(done.stdout)

    assert lostnode.frames(door).equals(table("frames"))
    assert lostnode.outages(door).equals(table("outages"))
    assert lostnode.codes(door).equals(table("codes"))
    assert lostnode.messages(door).equals(table("messages"))


def test_frames_are_a_table(samples: pathlib.Path) -> None:
    frames = lostnode.frames(samples / "van-door.log.gz")
    assert frames.height == 52214
    assert frames.schema["time"] == pl.Datetime("ns")
    assert frames.schema["data"] == pl.Binary
    first = frames.row(0, named=True)
    assert first["channel"] == "can0" and first["id"].startswith("0x")
    door = frames.filter(pl.col("id") == "0x3B0")["time"]
    gap = door.diff().max()
    assert gap is not None and gap.total_seconds() > 1  # type: ignore[union-attr]


def test_frames_come_in_batches(samples: pathlib.Path) -> None:
    path = samples / "van-door.log.gz"
    batches = list(lostnode.frame_batches(path, rows=10_000))
    assert [batch.height for batch in batches] == [10_000] * 5 + [2_214]
    assert pl.concat(batches).equals(lostnode.frames(path, threads=1))
    # Who has seen enough stops, and the reading ends.
    for batch in lostnode.frame_batches(path, rows=100):
        assert batch.height == 100
        break


def test_codes_and_messages(samples: pathlib.Path) -> None:
    codes = lostnode.codes(samples / "van-door.log.gz")
    assert "P0128" in codes["code"].to_list()
    messages = lostnode.messages(samples / "van-door.log.gz")
    assert messages.height > 50 and messages["carrier"].unique().to_list() == ["ISO 15765-2"]


def test_simulated_truth(samples: pathlib.Path, tmp_path: pathlib.Path) -> None:
    out = tmp_path / "van.log.gz"
    truth = lostnode.simulate(samples / "van-door.toml", out)
    assert truth == json.loads((samples / "van-door.truth.json").read_text())
    with gzip.open(out) as own, gzip.open(samples / "van-door.log.gz") as shipped:
        assert own.read() == shipped.read()
    sound = lostnode.simulate(samples / "van-door.toml", tmp_path / "sound.log", sound=True)
    assert sound != truth
    answer = lostnode.report(tmp_path / "sound.log")
    assert answer["verdict"] == "nothing_lost"


def test_errors_say_line_and_reason(tmp_path: pathlib.Path, samples: pathlib.Path) -> None:
    with pytest.raises(FileNotFoundError):
        lostnode.report(tmp_path / "nothing.log")
    odd = tmp_path / "odd.log"
    odd.write_text("no frame\n" * 5)
    for call in (lostnode.report, lostnode.frames, lostnode.outages, lostnode.messages):
        with pytest.raises(lostnode.CaptureError) as caught:
            call(odd)
        assert caught.value.line == 1
        assert caught.value.path == str(odd)
        assert caught.value.reason and caught.value.reason in str(caught.value)
    roster = tmp_path / "roster.toml"
    roster.write_text("[[node]]\nname = 1\n")
    with pytest.raises(lostnode.InputError) as wrong:
        lostnode.report(samples / "van-door.log.gz", roster=roster)
    assert wrong.value.path == str(roster) and wrong.value.line == 2
    with pytest.raises(lostnode.Error):
        lostnode.report(tmp_path)
    with pytest.raises(ValueError):
        lostnode.report([])


def test_a_file_that_ends_early_gives_what_it_has(
    samples: pathlib.Path, tmp_path: pathlib.Path
) -> None:
    short = tmp_path / "short.log.gz"
    whole = (samples / "van-door.log.gz").read_bytes()
    short.write_bytes(whole[: len(whole) // 2])
    seen = 0
    with pytest.raises(lostnode.CaptureError):
        for batch in lostnode.frame_batches(short, rows=1_000):
            seen += batch.height
    assert 10_000 < seen < 52214


def large(folder: pathlib.Path, frames: int) -> pathlib.Path:
    """A log file, invented."""
    path = folder / "large.log"
    with path.open("w") as out:
        for at in range(frames):
            out.write(f"({1_700_000_000 + at * 0.0005:.6f}) can0 {0x100 + at % 40:03X}#0011223344556677\n")
    return path


def test_other_threads_go_on(tmp_path: pathlib.Path) -> None:
    path = large(tmp_path, 400_000)
    ticks, done = 0, threading.Event()

    def tick() -> None:
        nonlocal ticks
        while not done.is_set():
            ticks += 1
            time.sleep(0.001)

    ticker = threading.Thread(target=tick)
    ticker.start()
    begun = time.monotonic()
    lostnode.report(path, threads=1)
    took = time.monotonic() - begun
    done.set()
    ticker.join()
    # Held, the lock would leave a tick or two.
    assert ticks > took * 100


def test_ctrl_c_ends_the_work(tmp_path: pathlib.Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    program = (
        "import lostnode, sys\n"
        "print('begun', flush=True)\n"
        "try:\n"
        f"    lostnode.report({str(pipe)!r})\n"
        "except KeyboardInterrupt:\n"
        "    print('interrupted', flush=True)\n"
    )
    own = subprocess.Popen([sys.executable, "-c", program], stdout=subprocess.PIPE, text=True)
    assert own.stdout is not None and own.stdout.readline() == "begun\n"
    end = time.monotonic() + 30
    out = os.open(pipe, os.O_WRONLY)
    sent, at = False, 0
    while own.poll() is None and time.monotonic() < end:
        lines = [f"({1_700_000_000 + n * 0.001:.6f}) can0 123#00\n" for n in range(at, at + 1000)]
        at += 1000
        try:
            os.write(out, "".join(lines).encode())
        except BrokenPipeError:
            break
        if not sent and at >= 20_000:
            own.send_signal(signal.SIGINT)
            sent = True
    os.close(out)
    assert sent
    assert own.wait(timeout=30) == 0
    assert own.stdout.read() == "interrupted\n"
