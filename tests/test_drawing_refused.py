"""Hostile and broken drawings are refused with one sentence, and with little memory."""

import io
import json
import re
import subprocess
import sys
from pathlib import Path

import pytest
from drawings import document
from hostile_drawings import REFUSED

from calib.errors import BadFile
from calib.jobs.drawing import read_drawing
from calib.jobs.svg import MAX_BYTES

READ_ALL = """
import json, sys
sys.path.insert(0, sys.argv[1])
from hostile_drawings import REFUSED, peak_mb
from calib.jobs.drawing import read_drawing
from calib.errors import BadFile
said = {}
for name, (data, _) in REFUSED.items():
    try:
        read_drawing(data)
    except BadFile as refused:
        said[name] = str(refused)
print(json.dumps([said, peak_mb()]))
"""


@pytest.fixture(scope="module")
def read_all():
    """What is said of each drawing, read one after another in a process of its own; its peak."""
    command = [sys.executable, "-c", READ_ALL, str(Path(__file__).parent)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    return json.loads(done.stdout)


@pytest.mark.parametrize("name", REFUSED)
def test_hostile_and_broken_drawings_are_refused_with_one_sentence(read_all, name):
    said, _ = read_all
    _, words = REFUSED[name]
    assert re.search(words, said[name])
    assert len(said[name]) < 300
    assert "\n" not in said[name]


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="the peak is read from /proc")
def test_refusing_takes_less_than_300_mb(read_all):
    _, peak_mb = read_all
    assert peak_mb < 300


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
