"""Hostile and broken drawings are refused with one sentence, and with little memory."""

import io
import subprocess
import sys
from pathlib import Path

import pytest
from drawings import document
from hostile_drawings import REFUSED

from calib.errors import BadFile
from calib.jobs.drawing import read_drawing
from calib.jobs.svg import MAX_BYTES


@pytest.mark.parametrize("name", REFUSED)
def test_hostile_and_broken_drawings_are_refused_with_one_sentence(name):
    data, words = REFUSED[name]
    with pytest.raises(BadFile, match=words) as caught:
        read_drawing(data)
    assert len(str(caught.value)) < 300
    assert "\n" not in str(caught.value)


class Endless(io.RawIOBase):
    """A gigabyte of path that is made as it is read; counts what was asked for."""

    def __init__(self):
        self.given = 0

    def read(self, size=-1):
        if size < 0:
            raise AssertionError("the reader asked for everything")
        self.given += size
        start = document("<path d='M0 0")[:-6]
        return (start + b"L1 1 " * (size // 5 + 1))[:size]


def test_a_gigabyte_of_path_is_not_even_read():
    endless = Endless()
    with pytest.raises(BadFile, match="larger than 16 MB"):
        read_drawing(endless)
    assert endless.given == MAX_BYTES + 1


MEASURE = """
import sys
sys.path.insert(0, {tests!r})
from hostile_drawings import REFUSED, peak_mb
from calib.jobs.drawing import read_drawing
from calib.errors import BadFile
for data, _ in REFUSED.values():
    try:
        read_drawing(data)
    except BadFile:
        continue
    sys.exit("not refused")
print(peak_mb())
"""


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="the peak is read from /proc")
def test_refusing_takes_less_than_300_mb():
    """All hostile drawings one after another, in a process of their own; its peak, all told."""
    code = MEASURE.format(tests=str(Path(__file__).parent))
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert int(done.stdout) < 300
