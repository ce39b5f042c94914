"""The side of `readers.py` that is guided by coverage; started by it, in an environment of its own.

    python guided.py NAME COUNT SEED CORPUS

Sends COUNT inputs to a reader and writes a tally in JSON every two seconds, a last one at the end.
The library atheris keeps every input that reaches something new in the folder CORPUS, and makes
the next one from those: one in three by its own means, the rest by ours.
"""

from __future__ import annotations

import json
import os
import resource
import sys
import time
from dataclasses import asdict
from pathlib import Path
from random import Random

LONG_INPUTS = 40
# More than this beyond what the reader takes at rest is too much [MB].
MOST_MB = 300


def main() -> None:
    """Fuzz one reader; ends the process."""
    # Only the environment of this file has it; whoever collects tests hasn't.
    import atheris

    with atheris.instrument_imports(include=["calib"]):
        from hostile import lengthen
        from reader_list import readers_in
        from tally import Tally

        count, seed, corpus = int(sys.argv[2]), int(sys.argv[3]), Path(sys.argv[4])
        reader = readers_in(corpus.parent)[sys.argv[1]]
        # What is loaded on first use is loaded now: watched too, and no input takes longer for it.
        for example in reader.examples:
            Tally().send(reader, example)
    tally, told, random = Tally(), time.monotonic(), Random(seed)

    def one(data: bytes) -> None:
        nonlocal told
        tally.send(reader, data)
        if tally.sent >= count or time.monotonic() - told > 2.0:
            told = time.monotonic()
            print(json.dumps(asdict(tally)), flush=True)
        if tally.sent >= count:
            os._exit(0)

    def other(data: bytes, longest: int, number: int) -> bytes:
        chance = Random(number)
        if chance.random() < 0.33:
            return bytes(atheris.Mutate(data, longest))
        return reader.next(data, chance)[:longest]

    for _ in range(min(LONG_INPUTS, count // 20)):
        one(lengthen(random.choice(reader.examples), random, reader.longest_sent))
    at_rest = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
    options = (
        f"-seed={seed}", f"-max_len={reader.longest}", "-len_control=0", "-timeout=20",
        f"-rss_limit_mb={at_rest + MOST_MB}", f"-malloc_limit_mb={MOST_MB}",
        f"-artifact_prefix={corpus.parent}/stopped-", "-print_final_stats=0",
    )  # fmt: skip
    atheris.Setup([sys.argv[0], *options, str(corpus)], one, custom_mutator=other)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
