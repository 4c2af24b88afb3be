"""Assembling a day's package against the floor under it, on the same pixels. Run by hand; ratios of one run.

    python tests/benchmarks/build.py [--welds 10] [--runs 3] [--rows 2000 --columns 5000] [--dir /dev/shm]

A weld has three radiographs of 16 bits with Poisson noise, one of them a DICOM file, two TIFF. The floor is two bare
threads that do nothing but encode and decode each image with imagecodecs (for the uncompressed package: two threads
that only read the files and hash them). Every piece of work runs in a process of its own, so that its peak memory is
its own, and the pieces take turns, so that a busy machine slows all of them alike.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import pickle
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))


def make(job: Path, welds: int, rows: int, columns: int) -> None:
    """Write the week; each image is the same noise, shifted, over a slope of its own."""
    from tests import handovers

    slope = np.linspace(9_000, 28_000, columns)[None, :].repeat(rows, axis=0)
    noise = np.random.default_rng(1).poisson(slope).astype(np.uint16)

    def shifted(seed: int, _rows: int, _columns: int) -> np.ndarray:
        return np.roll(noise, 37 * seed + 1, axis=0) + np.uint16(seed)

    handovers.noisy = shifted
    handovers.Image.Image.save = lambda image, path: handovers.write_tiff(path.with_suffix(".tif"), np.asarray(image))
    handovers.write_week(job, welds=welds, rows=rows, columns=columns)
    job.with_name("checked").write_bytes(pickle.dumps(handovers.checked_week(job, welds=welds)))


def images_of(work: Path) -> list[Path]:
    return sorted(path for path in (work / "job" / "crews").rglob("*") if path.is_file())


def pixels_of(path: Path, rows: int, columns: int) -> np.ndarray:
    """Read the pixels from where the two writers put them: the end of a DICOM file, the last strip of a TIFF."""
    if path.suffix == ".dcm":
        return np.fromfile(path, "<u2", offset=path.stat().st_size - rows * columns * 2).reshape(rows, columns)
    import tifffile

    with tifffile.TiffFile(path) as opened:
        return np.fromfile(path, "<u2", rows * columns, offset=opened.pages[0].dataoffsets[0]).reshape(rows, columns)


def bare(work: Path, rows: int, columns: int, codec: str) -> None:
    import imagecodecs

    encode = {"jpeg-ls": imagecodecs.jpegls_encode, "htj2k": lambda a: imagecodecs.htj2k_encode(a, reversible=True)}
    decode = {"jpeg-ls": imagecodecs.jpegls_decode, "htj2k": imagecodecs.htj2k_decode}

    def one(path: Path) -> None:
        if codec == "uncompressed":
            with path.open("rb", buffering=0) as stream:
                hashlib.file_digest(stream, "sha512")
        else:
            decode[codec](encode[codec](pixels_of(path, rows, columns)))

    with ThreadPoolExecutor(2) as pool:
        list(pool.map(one, images_of(work)))


def ours(work: Path, codec: str, form: str) -> None:
    from beadroll.handover.assembling.assemble import assemble
    from beadroll.images import Codec
    from beadroll.package.layout import Form

    out = work / f"out-{codec}-{form}"
    if out.is_dir():
        shutil.rmtree(out)
    out.unlink(missing_ok=True)
    checked = pickle.loads((work / "checked").read_bytes())  # noqa: S301 - written by this script
    assemble(checked, out, form=Form(form), codec=Codec(codec))


def warm() -> None:
    """Import what is used, so that seconds are work and not start-up."""
    import beadroll.handover.assembling.assemble
    import beadroll.images.conversion

    del beadroll


def child(args: argparse.Namespace) -> None:
    kind, codec, form = args.child.split("/")
    warm()
    start = time.perf_counter()
    if kind == "bare":
        bare(args.dir, args.rows, args.columns, codec)
    else:
        ours(args.dir, codec, form)
    seconds = time.perf_counter() - start
    status = Path("/proc/self/status").read_text(encoding="ascii")  # not getrusage: that remembers the parent's peak
    peak = int(status.partition("VmHWM:")[2].split()[0]) / 1024
    print(json.dumps({"seconds": seconds, "peak_mb": peak}))  # noqa: T201 - a script


def run(name: str, args: argparse.Namespace, work: Path) -> dict[str, float]:
    sizes = ["--rows", str(args.rows), "--columns", str(args.columns)]
    command = [sys.executable, __file__, "--child", name, "--dir", str(work), *sizes]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    result: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return result


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--welds", type=int, default=10)
    parser.add_argument("--rows", type=int, default=2000)
    parser.add_argument("--columns", type=int, default=5000)
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--codecs", nargs="*", default=["jpeg-ls", "htj2k", "uncompressed"])
    parser.add_argument("--forms", nargs="*", default=["zip", "folder"])
    parser.add_argument("--dir", type=Path, default=None)
    parser.add_argument("--child")
    args = parser.parse_args()
    if args.child:
        child(args)
        return
    with tempfile.TemporaryDirectory(dir=args.dir) as folder:
        work = Path(folder)
        make(work / "job", args.welds, args.rows, args.columns)
        total = sum(path.stat().st_size for path in images_of(work))
        print(f"{total / 1e9:.2f} GB in {len(images_of(work))} radiographs, median of {args.runs}, in {work.parent}")  # noqa: T201
        for codec in args.codecs:
            names = [f"bare/{codec}/-", *(f"ours/{codec}/{form}" for form in args.forms)]
            seen = {name: [] for name in names}
            for _ in range(args.runs):
                for name in names:
                    seen[name].append(run(name, args, work))
            floor = statistics.median(each["seconds"] for each in seen[names[0]])
            for name in names:
                middle = statistics.median(each["seconds"] for each in seen[name])
                peak = max(each["peak_mb"] for each in seen[name])
                print(f"{name:26} {middle:8.2f} s {middle / floor:6.2f} x the floor {peak:6.0f} MB")  # noqa: T201


if __name__ == "__main__":
    main()
