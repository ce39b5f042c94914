"""How long reading, timing and refusing drawings takes; run it, it prints.

    python tests/benchmarks/job_speed.py

Three drawings of ten megabytes (one long line, curves in a few thousand outlines, very many small
shapes) are read, made a job and timed; then every hostile drawing of the tests is refused. The bar
is 40 s for a drawing, 10 s and 300 MB for a refusal.
"""

import random
import subprocess
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from shared import BENCH

from calib.errors import BadFile
from calib.jobs.drawing import make_job, read_drawing
from calib.jobs.job_time import job_time_s
from calib.records import Setting

HEAD = '<svg xmlns="http://www.w3.org/2000/svg" width="600mm" height="400mm" viewBox="0 0 600 400">'
SIZE = 10_000_000
CUT = Setting(power_pct=60.0, speed_mm_s=20.0)
LINE = 'fill="none" stroke="#146c43"'


def one_line(rng):
    x, y = 300.0, 200.0
    while True:
        x, y = min(max(x + rng.gauss(0, 1), 0), 600), min(max(y + rng.gauss(0, 1), 0), 400)
        yield f"{x:.3f},{y:.3f} "


def curves(rng):
    while True:
        steps = (f"{rng.gauss(0, 2):.3f},{rng.gauss(0, 2):.3f} " for _ in range(300))
        d = f"M{rng.uniform(50, 550):.3f},{rng.uniform(50, 350):.3f}c{''.join(steps)}z"
        yield f'<path {LINE} d="{d}"/>\n'


def small_shapes(rng):
    while True:
        x, y, r = rng.uniform(0, 590), rng.uniform(0, 390), rng.uniform(0.5, 3)
        yield f'<circle cx="{x:.3f}" cy="{y:.3f}" r="{r:.3f}" {LINE}/>\n'


def document(make):
    parts, size = [], 0
    for part in make(random.Random(1)):
        parts.append(part)
        size += len(part)
        if size >= SIZE:
            break
    body = "".join(parts)
    if make is one_line:
        body = f'<path {LINE} d="M{body}"/>'
    return f"{HEAD}{body}</svg>".encode()


def show_drawing(make):
    data = document(make)
    begin, cpu = time.perf_counter(), time.process_time()
    drawing = read_drawing(data)
    read = time.perf_counter() - begin
    job = make_job(drawing, dict.fromkeys(drawing.classes, "cut"))
    result = job_time_s(job, BENCH, {c.name: CUT for c in job.classes})
    total, used = time.perf_counter() - begin, time.process_time() - cpu
    print(
        f"{make.__name__:13} {len(data) / 1e6:5.1f} MB  read {read:5.2f} s"
        f"  read and timed {total:5.2f} s (processor {used:5.2f} s)"
        f"  {job.cut_length_mm / 1000:9.1f} m  {result.total_s / 60:9.1f} min"
    )


def show_refusals():
    from hostile_drawings import REFUSED, peak_mb

    slowest = []
    for name, (data, _) in REFUSED.items():
        begin = time.perf_counter()
        try:
            read_drawing(data)
        except BadFile:
            slowest.append((time.perf_counter() - begin, name))
        else:
            print(f"NOT REFUSED: {name}")
    for seconds, name in sorted(slowest, reverse=True)[:5]:
        print(f"refused in {seconds:5.2f} s: {name}")
    print(f"peak memory while refusing all {len(slowest)}: {peak_mb()} MB")


if __name__ == "__main__":
    if sys.argv[1:] == ["refusals"]:
        show_refusals()
    else:
        for make in (one_line, curves, small_shapes):
            show_drawing(make)
        # In a process of its own, so that the peak is that of the refusals.
        subprocess.run([sys.executable, __file__, "refusals"], check=True)
