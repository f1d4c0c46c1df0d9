"""Where the samples are."""

import os
import pathlib

import pytest

BESIDE = pathlib.Path(__file__).resolve().parents[2] / "samples"


@pytest.fixture
def samples() -> pathlib.Path:
    return pathlib.Path(os.environ.get("LOSTNODE_SAMPLES", BESIDE))
