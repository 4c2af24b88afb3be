"""A build or a later seal killed at any moment leaves a whole package or none, and running it again finishes."""

from __future__ import annotations

import contextlib
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from beadroll.package.layout import Form
from beadroll.package.read import PackageReader
from beadroll.package.write import add_seal
from tests import packages

ROOT = Path(__file__).resolve().parents[2]
KILLS = 12
BUILD = """
import sys
from pathlib import Path
from concurrent.futures import ThreadPoolExecutor
from beadroll.package.layout import Form
from beadroll.package.manifest import BagInfo
from beadroll.package.write import PackageWriter
print("ready", flush=True)
sys.stdin.readline()
with PackageWriter.create(Path(sys.argv[1]), name="p", form=Form(sys.argv[2])) as writer:
    with ThreadPoolExecutor(2) as pool:
        list(pool.map(lambda n: writer.add(f"data/{n}", bytes([n]) * 150_000), range(120)))
    writer.finish(BagInfo())
"""
SEAL = """
import sys
from pathlib import Path
from beadroll.package.write import add_seal
print("ready", flush=True)
sys.stdin.readline()
add_seal(Path(sys.argv[1]), "client", b"seal" * 100_000)
"""


def run(script, *arguments, after=None):
    """Run a script from its start signal on; kill it ``after`` so many seconds. Return how long it ran."""
    child = subprocess.Popen(
        [sys.executable, "-c", script, *arguments], stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=ROOT
    )
    with child:
        child.stdout.readline()
        start = time.perf_counter()
        child.stdin.write(b"\n")
        child.stdin.flush()
        if after is not None:
            with contextlib.suppress(subprocess.TimeoutExpired):
                child.wait(after)
            child.kill()
        code = child.wait()
        assert code in ({0, -signal.SIGKILL} if after is not None else {0})
        return time.perf_counter() - start


@pytest.mark.slow
@pytest.mark.parametrize("form", Form)
def test_a_killed_build_leaves_nothing_that_is_taken_for_a_package(form, tmp_path):
    whole = run(BUILD, str(tmp_path / "measure"), form.value)
    chance = random.Random(20310407)  # noqa: S311 - the same moments each time
    unfinished = 0
    for number in range(KILLS):
        folder = tmp_path / str(number)
        folder.mkdir()
        run(BUILD, str(folder / "p"), form.value, after=chance.uniform(0, whole))
        if (folder / "p").exists():
            assert packages.look(folder / "p") == []
            continue
        unfinished += 1
        run(BUILD, str(folder / "p"), form.value)
        assert packages.look(folder / "p") == []
        assert len(packages.payload_bytes(folder / "p")) == 120
        assert [path.name for path in folder.iterdir()] == ["p"]
    assert unfinished


@pytest.mark.slow
@pytest.mark.parametrize("form", Form)
def test_a_killed_later_seal_leaves_the_package_as_it_was_or_sealed(form, tmp_path):
    packages.build(tmp_path / "measure", form)
    whole = run(SEAL, str(tmp_path / "measure"))
    chance = random.Random(20310408)  # noqa: S311 - the same moments each time
    for number in range(KILLS):
        folder = tmp_path / str(number)
        folder.mkdir()
        packages.build(folder / "p", form)
        run(SEAL, str(folder / "p"), after=chance.uniform(0, whole))
        assert packages.look(folder / "p") == []
        with PackageReader.open(folder / "p") as reader:
            sealed = "seals/client.p7s" in reader.names()
        if not sealed:
            add_seal(folder / "p", "client", b"seal")
        assert packages.look(folder / "p") == []
        assert packages.payload_bytes(folder / "p") == packages.FILES
        assert [path.name for path in folder.iterdir()] == ["p"]
