"""Building, verifying and receiving a package against rivals on the same files. Run by hand; ratios in one run.

    python tests/benchmarks/package.py [--gigabytes 1] [--runs 5] [--dir /dev/shm]

Rivals: bagit.py with two processes then ``zip -0``; bagit.py then Python's stored zipfile; unzip then bagit.py's
validation; and the floor under all of them, two threads that only read and hash the same bytes. Every piece of work
runs in a process of its own, so that its peak memory is its own.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
import zipfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

FILE_BYTES = 20_000_000


def make(folder: Path, total: int) -> None:
    folder.mkdir()
    for number in range(max(2, total // FILE_BYTES)):
        (folder / f"{number:05}.dcm").write_bytes(os.urandom(FILE_BYTES))


def sources(work: Path) -> list[Path]:
    return sorted((work / "src").iterdir())


def bare_hash(work: Path) -> None:
    def one(path: Path) -> str:
        with path.open("rb", buffering=0) as stream:
            return hashlib.file_digest(stream, "sha512").hexdigest()

    with ThreadPoolExecutor(2) as pool:
        list(pool.map(one, sources(work)))


def build(work: Path, *, form: str) -> None:
    from beadroll.package.layout import Form
    from beadroll.package.manifest import BagInfo
    from beadroll.package.write import PackageWriter

    destination = work / ("ours" if form == "folder" else "ours.zip")
    info = BagInfo(fields=(("Source-Organization", "Benchmark"),))
    with PackageWriter.create(destination, name="ours", form=Form(form)) as writer:
        with ThreadPoolExecutor(2) as pool:
            list(pool.map(lambda path: writer.add_file(f"data/welds/{path.name}", path), sources(work)))
        writer.finish(info)


def build_folder(work: Path) -> None:
    build(work, form="folder")


def build_zip(work: Path) -> None:
    build(work, form="zip")


def bagit_bag(work: Path) -> None:
    import bagit

    rival = work / "rival"
    shutil.copytree(work / "src", rival, copy_function=os.link)  # the copy itself is not counted against the rival
    bagit.make_bag(str(rival), checksums=["sha512"], processes=2)


def bagit_then_zip(work: Path) -> None:
    bagit_bag(work)
    subprocess.run(["zip", "-0", "-r", "-q", "rival.zip", "rival"], cwd=work, check=True)


def bagit_then_zipfile(work: Path) -> None:
    bagit_bag(work)
    with zipfile.ZipFile(work / "rival.zip", "w", zipfile.ZIP_STORED) as target:
        for path in sorted((work / "rival").rglob("*")):
            if path.is_file():
                target.write(path, path.relative_to(work))


def unzip_then_bagit(work: Path) -> None:
    import bagit

    subprocess.run(["unzip", "-q", str(work / "rival.zip"), "-d", str(work / "unzipped")], check=True)
    bagit.Bag(str(work / "unzipped" / "rival")).validate(processes=2)


def check(work: Path, package: str, *, copy: bool = False) -> None:
    from beadroll.package.verify import inspect

    copy_to = work / "copied"
    seen = inspect(work / package, judge_seals=None, copy_to=copy_to if copy else None)
    if seen.report.stops:
        raise SystemExit("\n".join(seen.report.lines()))


def verify_folder(work: Path) -> None:
    check(work, "ours")


def verify_zip(work: Path) -> None:
    check(work, "ours.zip")


def receive_zip(work: Path) -> None:
    check(work, "ours.zip", copy=True)


LEAVES = {
    "build_folder": ["ours"],
    "build_zip": ["ours.zip"],
    "bagit_then_zip": ["rival", "rival.zip"],
    "bagit_then_zipfile": ["rival", "rival.zip"],
    "receive_zip": ["copied"],
    "unzip_then_bagit": ["unzipped"],
}


def clear(work: Path, names: list[str]) -> None:
    for name in names:
        if (work / name).is_dir():
            shutil.rmtree(work / name)
        else:
            (work / name).unlink(missing_ok=True)


WORK = {
    f.__name__: f
    for f in (
        bare_hash,
        build_folder,
        build_zip,
        bagit_then_zip,
        bagit_then_zipfile,
        verify_folder,
        verify_zip,
        receive_zip,
        unzip_then_bagit,
    )
}


def child(name: str, work: Path) -> None:
    import beadroll.package.verify
    import beadroll.package.write

    del beadroll
    start = time.perf_counter()
    WORK[name](work)
    seconds = time.perf_counter() - start
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(json.dumps({"seconds": seconds, "peak_mb": peak}))  # noqa: T201 - a script


def run(name: str, work: Path) -> dict[str, float]:
    done = subprocess.run(
        [sys.executable, __file__, "--child", name, "--dir", str(work)], check=True, capture_output=True, text=True
    )
    result: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return result


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--gigabytes", type=float, default=1.0)
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--dir", type=Path, default=None)
    parser.add_argument("--only", nargs="*", default=list(WORK))
    parser.add_argument("--child")
    args = parser.parse_args()
    if args.child:
        child(args.child, args.dir)
        return
    with tempfile.TemporaryDirectory(dir=args.dir) as folder:
        work = Path(folder)
        make(work / "src", int(args.gigabytes * 1e9))
        total = sum(path.stat().st_size for path in sources(work))
        names = ["bare_hash", *(name for name in WORK if name in args.only and name != "bare_hash")]
        times: dict[str, list[float]] = {name: [] for name in names}
        peaks: dict[str, float] = dict.fromkeys(names, 0.0)
        for _ in range(args.runs):
            for name in names:
                clear(work, LEAVES.get(name, []))
                seen = run(name, work)
                times[name].append(seen["seconds"])
                peaks[name] = max(peaks[name], seen["peak_mb"])
        floor = statistics.median(times["bare_hash"])
        print(f"{total / 1e9:.2f} GB in {len(sources(work))} files, median of {args.runs}, in {work.parent}")  # noqa: T201
        for name in names:
            middle = statistics.median(times[name])
            line = f"{name:20} {middle:7.3f} s {total / middle / 1e9:6.2f} GB/s  {middle / floor:5.2f} x bare hash"
            print(f"{line}  {peaks[name]:6.0f} MB")  # noqa: T201 - a script


if __name__ == "__main__":
    main()
