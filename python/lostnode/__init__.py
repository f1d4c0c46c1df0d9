"""Says from captures of CAN traffic which module of a vehicle fell silent.

>>> import lostnode
>>> answer = lostnode.report("samples/van-door.log.gz", roster="samples/van-roster.toml")
>>> answer["verdict"]
'something_lost'

Times are seconds since 1970-01-01 UTC in dictionaries and ``Datetime("ns")`` without a zone in
tables; what begins at the logger's start counts from there. Names that end in ``_s`` are seconds.
Every function works without the interpreter's lock and ends with ``KeyboardInterrupt`` where
somebody presses Ctrl-C.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Union, cast

import polars as pl

from ._lostnode import CaptureError, Error, InputError
from . import _lostnode

if TYPE_CHECKING:
    from .types import Comparison, Report, Truth

__all__ = [
    "CaptureError",
    "Error",
    "InputError",
    "codes",
    "compare",
    "frame_batches",
    "frames",
    "message_batches",
    "messages",
    "outages",
    "report",
    "simulate",
]

Path = Union[str, "os.PathLike[str]"]


def _paths(paths: Path | Iterable[Path]) -> list[str]:
    one = isinstance(paths, (str, os.PathLike))
    named = [os.fspath(path) for path in ([cast(Path, paths)] if one else cast("Iterable[Path]", paths))]
    if not named:
        raise ValueError("no capture is named")
    return named


def _path(path: Path | None) -> str | None:
    return None if path is None else os.fspath(path)


def report(
    path: Path | Iterable[Path],
    roster: Path | None = None,
    *,
    wiring: Path | None = None,
    readings: Path | None = None,
    hide_identity: bool = False,
    threads: int | None = None,
) -> Report:
    """What was lost, why it looks so, and what to measure first.

    ``path`` is a capture, or several of one vehicle in any order. ``roster`` says what is expected
    on the bus (a file of ``lostnode learn``, or an AUTOSAR system description), ``wiring`` what
    feeds whom, ``readings`` what was measured on the vehicle. ``hide_identity`` leaves VINs and
    part numbers out. ``threads`` is how many read; the result does not depend on it.

    The dictionary is the JSON report (docs/json.md), typed as ``lostnode.types.Report``: times in
    seconds since 1970 UTC, durations in seconds (``…_s``), loads from 0 to 1, bit rates in bits per
    second, minutes where the name says so.

    Raises ``CaptureError`` where the capture cannot be read, with its ``line`` and ``reason``;
    ``InputError`` where another file is not as it has to be; ``FileNotFoundError``.
    """
    told = _lostnode.report(
        _paths(path), _path(roster), _path(wiring), _path(readings), hide_identity, threads
    )
    return cast("Report", json.loads(told))


def compare(
    before: Path | Iterable[Path],
    after: Path | Iterable[Path],
    roster: Path | None = None,
    *,
    wiring: Path | None = None,
    hide_identity: bool = False,
    threads: int | None = None,
) -> Comparison:
    """Whether a repair held, how sure that is, and how much longer to drive.

    The dictionary is that of ``lostnode compare --format json`` (docs/json.md), typed as
    ``lostnode.types.Comparison``; durations in seconds, rates in losses an hour where the name says
    so.
    """
    told = _lostnode.compared(
        _paths(before), _paths(after), _path(roster), _path(wiring), hide_identity, threads
    )
    return cast("Comparison", json.loads(told))


def outages(
    path: Path, roster: Path | None = None, *, threads: int | None = None
) -> pl.DataFrame:
    """What was silent, one silence a row (docs/tables.md): ``start`` and ``end`` are
    ``Datetime("ns")``, ``duration_s`` seconds, ``loss`` says whether something was lost."""
    return pl.DataFrame(_lostnode.outages(os.fspath(path), _path(roster), threads))


def codes(path: Path, *, threads: int | None = None) -> pl.DataFrame:
    """The trouble codes with their history, one a row (docs/tables.md)."""
    return pl.DataFrame(_lostnode.codes(os.fspath(path), threads))


def frame_batches(
    path: Path,
    *,
    rows: int | None = None,
    threads: int | None = None,
    hide_identity: bool = False,
) -> Iterator[pl.DataFrame]:
    """The frames of a capture, at most ``rows`` (65,536) at a time and in the order of the file,
    for captures larger than the memory. Columns as in ``frames``. A file that ends early gives what
    could be read, then raises ``CaptureError``. ``close()`` ends the reading."""
    yield from _each(_lostnode.frames(os.fspath(path), rows, threads, hide_identity))


def frames(
    path: Path, *, threads: int | None = None, hide_identity: bool = False
) -> pl.DataFrame:
    """The frames of a capture, one a row (docs/tables.md).

    ``time`` is ``Datetime("ns")``, ``id`` text such as ``0x3B0``, ``data`` the bytes, ``dlc`` the
    length code, ``bits`` the exact length on the wire in bits with stuff bits and interframe space.
    The memory is the one that was read into, not a copy of it.
    """
    return pl.concat(
        frame_batches(path, threads=threads, hide_identity=hide_identity), rechunk=False
    )


def message_batches(
    path: Path,
    *,
    rows: int | None = None,
    threads: int | None = None,
    hide_identity: bool = False,
) -> Iterator[pl.DataFrame]:
    """The diagnostic messages, at most ``rows`` (65,536) at a time. Columns as in ``messages``."""
    yield from _each(_lostnode.messages(os.fspath(path), rows, threads, hide_identity))


def messages(
    path: Path, *, threads: int | None = None, hide_identity: bool = False
) -> pl.DataFrame:
    """What testers and modules say to each other, one message a row (docs/tables.md): ``time`` when
    its last frame came, ``length`` in bytes, ``text`` what it says."""
    return pl.concat(
        message_batches(path, threads=threads, hide_identity=hide_identity), rechunk=False
    )


def simulate(
    scenario: Path | str, out: Path, *, seed: int | None = None, sound: bool = False
) -> Truth:
    """Makes a capture of an invented bus and says what really happened.

    ``scenario`` is a scenario file (docs/simulate.md), or its text where it has more than one line.
    ``out`` is written over; it is packed where its name ends in ``.gz`` or ``.zst``. ``sound``
    leaves troubles and tester out. Typed as ``lostnode.types.Truth``, times in seconds.
    """
    text = os.fspath(scenario)
    if "\n" not in text:
        with open(text, encoding="utf-8") as file:
            text = file.read()
    return cast("Truth", json.loads(_lostnode.simulated(text, os.fspath(out), seed, sound)))


def _each(batches: _lostnode.Batches) -> Iterator[pl.DataFrame]:
    try:
        for batch in batches:
            yield pl.DataFrame(batch)
    finally:
        batches.close()
