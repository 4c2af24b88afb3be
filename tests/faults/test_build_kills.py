"""kill -9 at random moments of a build: nothing half-written is taken for whole, and a rerun finishes."""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from beadroll.package.content import judge_content
from beadroll.package.layout import Form
from beadroll.package.verify import inspect
from tests.handovers import write_week

ROOT = Path(__file__).parents[2]
BUILD = """
import sys
from pathlib import Path
from beadroll.handover.assembling.assemble import assemble
from beadroll.package.layout import Form
from tests.handovers import checked_week
folder, form = Path(sys.argv[1]), Form(sys.argv[2])
checked = checked_week(folder / "job", welds=4)
print("begin", flush=True)
assemble(checked, folder / "out", form=form)
print("end", flush=True)
"""
KILLS = 10


def start(folder: Path, form: Form) -> subprocess.Popen[str]:
    build = subprocess.Popen(
        [sys.executable, "-c", BUILD, str(folder), form.value], cwd=ROOT, stdout=subprocess.PIPE, text=True
    )
    assert build.stdout.readline() == "begin\n"
    return build


def whole(package: Path) -> bool:
    seen = inspect(package, judge_seals=None, judge_content=judge_content)
    return [each.code for each in seen.report.findings] == ["PKG-SEALS-UNJUDGED"]


@pytest.mark.parametrize("form", list(Form))
def test_a_killed_build_leaves_nothing_that_passes_for_a_package(tmp_path, form):
    write_week(tmp_path / "job", welds=4, rows=300, columns=400)
    with start(tmp_path, form) as build:
        began = time.monotonic()
        assert build.stdout.read() == "end\n"
    lasts = time.monotonic() - began
    first = inspect(tmp_path / "out", judge_seals=None).tagmanifest
    moments = random.Random(f"kills of {form}")  # noqa: S311 - a repeatable choice of moments, nothing secret
    interrupted = 0
    for _ in range(KILLS):
        remove(tmp_path / "out")
        with start(tmp_path, form) as build:
            time.sleep(moments.uniform(0, lasts))
            build.send_signal(signal.SIGKILL)
        left = {path.name for path in tmp_path.iterdir()} - {"job"}
        assert left <= {"out", ".out.building"}
        interrupted += "out" not in left
        if "out" in left:
            assert whole(tmp_path / "out")
    assert interrupted, "every build ended before it was killed"
    remove(tmp_path / "out")
    with start(tmp_path, form) as build:
        assert build.stdout.read() == "end\n"
    assert {path.name for path in tmp_path.iterdir()} == {"job", "out"}
    assert whole(tmp_path / "out")
    assert inspect(tmp_path / "out", judge_seals=None).tagmanifest == first


def remove(package: Path) -> None:
    if package.is_dir():
        for path in sorted(package.rglob("*"), reverse=True):
            path.rmdir() if path.is_dir() else path.unlink()
        package.rmdir()
    else:
        package.unlink(missing_ok=True)
