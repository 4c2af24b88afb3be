"""How long pages and sheets take: python -m tests.benchmarks.report [welds]. Median of three, in one process."""

from __future__ import annotations

import io
import resource
import statistics
import sys
import time
from dataclasses import replace

import numpy as np
from PIL import Image

from beadroll.findings import Report
from beadroll.report import sheets, template, viewer
from tests.reports import index_of, placed, repaired, story
from tests.weeks import weld


def noisy_preview(seed: int) -> bytes:
    made = io.BytesIO()
    pixels = np.random.default_rng(seed).normal(128, 12, (320, 800)).clip(0, 255).astype(np.uint8)
    Image.fromarray(pixels).save(made, "JPEG", quality=85)
    return made.getvalue()


def timed(name, work):
    taken = []
    for _ in range(3):
        began = time.perf_counter()
        data = work()
        taken.append(time.perf_counter() - began)
    sys.stdout.write(f"{name:<32} {statistics.median(taken):6.2f} s  {len(data) / 1e6:7.1f} MB\n")


def main(welds: int) -> None:
    record = story(welds=0)
    made = [repaired(f"W-{n:04d}") if n % 12 == 0 else weld(f"W-{n:04d}") for n in range(welds)]
    record = replace(record, welds=tuple(map(placed, made)))
    films = [film for each in record.welds for film in each.radiographs]
    previews = {film.preview: noisy_preview(n) for n, film in enumerate(films)}
    index, welds_ = index_of(record), record.welds
    kept = sum(map(len, previews.values())) / len(previews) / 1e3
    sys.stdout.write(f"{welds} welds, {len(films)} radiographs, previews of {kept:.0f} kB\n")
    edition = sheets.Edition(record=record, index=index, report=Report(), template=template.default())
    show = previews.__getitem__
    timed("single-weld sheets with previews", lambda: sheets.weld_sheets(edition, welds_, lambda f: show(f.preview)))
    timed("single-weld sheets without", lambda: sheets.weld_sheets(edition, welds_, lambda _: b""))
    timed("weld summary", lambda: sheets.summary(edition))
    timed("page", lambda: viewer.page(record, index, Report(), package="P"))
    sys.stdout.write(f"peak {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3:.0f} MB\n")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 500)
