"""Encoding with proof, previews and header facts against rivals in one run. Run by hand; ratios, median of runs.

    python tests/benchmarks/images.py [--files 8] [--runs 5] [--dir /dev/shm]

Rivals: two bare ``imagecodecs`` threads that encode and decode the same frames and keep nothing, and dcmtk's
``dcmcjpls`` on the same DICOM files, two at a time. Files are 20 MB TIFF and DICOM of 2000 x 5000 pixels, 12 bits of
a noisy slab with a bead.
"""

# ruff: noqa: T201 - a benchmark prints its figures
from __future__ import annotations

import argparse
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from beadroll.images import Codec, Identity, convert, decode, preview, read_facts
from beadroll.images.conversion import _encode
from tests import radiographs

WHO = Identity(job="BENCH", line="LN-1", weld="W-1")


def slab(seed: int) -> Any:
    rng = np.random.default_rng(seed)
    down, across = np.mgrid[0:2000, 0:5000]
    bead = 500 * np.exp(-(((down - 1000) / 200) ** 2))
    return (2000 + 800 * np.sin(across / 900) + bead + rng.normal(0, 12, down.shape)).clip(0, 4095).astype("<u2")


def two_at_a_time(work: Callable[[Any], object], items: Sequence[Any]) -> float:
    start = time.perf_counter()
    with ThreadPoolExecutor(2) as pool:
        list(pool.map(work, items))
    return time.perf_counter() - start


def bare(codec: Codec) -> Callable[[Any], object]:
    if codec is Codec.JPEG_LS:
        return lambda frame: imagecodecs.jpegls_decode(imagecodecs.jpegls_encode(frame))
    return lambda frame: imagecodecs.htj2k_decode(imagecodecs.htj2k_encode(frame, reversible=True))


def dcmcjpls(pair: tuple[Path, Path]) -> None:
    subprocess.run(["dcmcjpls", pair[0], pair[1]], check=True, capture_output=True)


def dcmtk_both_ways(pair: tuple[Path, Path]) -> None:
    dcmcjpls(pair)
    subprocess.run(["dcmdjpls", pair[1], pair[1].with_suffix(".back")], check=True, capture_output=True)


def table(title: str, times: dict[str, list[float]], total: int, floor: str) -> None:
    print(f"\n{title}")
    base = statistics.median(times[floor])
    for name, taken in times.items():
        middle = statistics.median(taken)
        print(f"  {name:44} {middle:7.2f} s {total / middle / 1e6:7.0f} MB/s   x{base / middle:5.2f} of {floor}")


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--files", type=int, default=8)
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--dir", default="/dev/shm")  # noqa: S108 - memory, so that the disk does not decide
    options = parser.parse_args()
    frames = [slab(seed) for seed in range(options.files)]
    tiffs = [radiographs.tiff(frame) for frame in frames]
    dicoms = [radiographs.dicom(frame) for frame in frames]
    pixels = [decode(data) for data in tiffs]
    total = sum(frame.nbytes for frame in frames)
    with tempfile.TemporaryDirectory(dir=options.dir) as folder:
        pairs = []
        for number, data in enumerate(dicoms):
            path = Path(folder) / f"{number}.dcm"
            path.write_bytes(data)
            pairs.append((path, Path(folder) / f"{number}.jls.dcm"))
        for codec in (Codec.JPEG_LS, Codec.HTJ2K):
            works: dict[str, tuple[Callable[[Any], object], Sequence[Any]]] = {
                "bare imagecodecs": (bare(codec), frames),
                "encode and verify": (lambda one, codec=codec: _encode(one, codec), pixels),
                "convert TIFF, with digests and preview": (
                    lambda data, codec=codec: convert(data, WHO, codec=codec, name="x"),
                    tiffs,
                ),
                "convert DICOM, with digests and preview": (
                    lambda data, codec=codec: convert(data, WHO, codec=codec, name="x"),
                    dicoms,
                ),
            }
            if codec is Codec.JPEG_LS and shutil.which("dcmcjpls"):
                works["dcmcjpls, encode only"] = (dcmcjpls, pairs)
                works["dcmcjpls, then dcmdjpls"] = (dcmtk_both_ways, pairs)
            times: dict[str, list[float]] = {name: [] for name in works}
            for run in range(options.runs + 1):
                for name, (work, items) in works.items():
                    taken = two_at_a_time(work, items)
                    if run:
                        times[name].append(taken)
            table(f"{codec.value}, {len(frames)} x 20 MB, two threads", times, total, "bare imagecodecs")
        sizes(dicoms, pairs)
        speed_of_small_work(pixels[0], pairs[0][0])
    print(f"\npeak memory of this process {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss >> 10} MiB")


def sizes(dicoms: Sequence[bytes], pairs: Sequence[tuple[Path, Path]]) -> None:
    print("\nsize of the object, share of the delivered DICOM")
    for codec in Codec:
        made = sum(len(convert(data, WHO, codec=codec, name="x").data) for data in dicoms)
        print(f"  {codec.value:20} {made / sum(map(len, dicoms)):.4f}")
    if pairs[0][1].exists():
        theirs = sum(pair[1].stat().st_size for pair in pairs)
        print(f"  {'dcmcjpls':20} {theirs / sum(map(len, dicoms)):.4f}")


def speed_of_small_work(pixels: Any, path: Path) -> None:
    one = [None] * 20
    taken = min(two_at_a_time(lambda _: preview(pixels), one) for _ in range(5))
    print(f"\npreviews of 20 MB, two threads: {len(one) / taken:.0f}/s")
    start = time.perf_counter()
    for _ in one:
        preview(pixels)
    print(f"previews of 20 MB, one thread: {len(one) / (time.perf_counter() - start):.0f}/s")
    thumbnail = radiographs.tiff(radiographs.film(), description="W-0117")
    other = path.with_name("a.tif")
    other.write_bytes(thumbnail)
    for name, what in (("DICOM", path), ("TIFF", other)):
        start = time.perf_counter()
        for _ in range(2000):
            read_facts(what)
        print(f"header facts, {name}, one thread: {2000 / (time.perf_counter() - start):.0f}/s")


if __name__ == "__main__":
    main()
