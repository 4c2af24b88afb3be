"""Kills of the archive's own work at chosen system calls and at random moments."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from beadroll.archive.store import Store
from tests.unit.test_store import assert_valid

ROOT = Path(__file__).parents[2]

_VICTIM = """
import os, signal, sys
from pathlib import Path
from beadroll.archive.store import Store
from tests.unit.test_store import add

die_at, archive, identifier = int(sys.argv[1]), Path(sys.argv[2]), sys.argv[3]
calls = 0

def counted(name):
    real = getattr(os, name)
    def call(*args, **kwargs):
        global calls
        calls += 1
        if calls == die_at:
            os.kill(os.getpid(), signal.SIGKILL)
        return real(*args, **kwargs)
    setattr(os, name, call)

for name in ("rename", "replace", "fsync", "mkdir", "open", "unlink", "close", "rmdir"):
    counted(name)
store = Store(archive)
base = store.recover(identifier)
number = base.head if base else 0
add(store, identifier, {f"files/{number}/{n}": f"{n} {number}".encode() for n in range(2)}, base=base)
"""


@pytest.mark.parametrize("fresh", [True, False], ids=["a new object", "a next version"])
def test_a_kill_at_any_system_call_leaves_the_old_or_the_new_version(tmp_path, fresh):
    script = tmp_path / "victim.py"
    script.write_text(_VICTIM)
    archive = tmp_path / "archive"
    archive.mkdir()
    store = Store.create(archive)
    died = 0
    for die_at in range(1 + fresh, 300, 3):
        identifier = f"urn:beadroll:J:{die_at if fresh else 0}"
        before = store.recover(identifier)
        command = [sys.executable, str(script), str(die_at), str(archive), identifier]
        done = subprocess.run(
            command, capture_output=True, text=True, check=False, cwd=ROOT, env={"PYTHONPATH": str(ROOT)}
        )
        if done.returncode == 0:
            break
        assert done.returncode == -9, done.stderr
        died += 1
        old = before.head if before else 0
        after = store.recover(identifier)
        assert (after.head if after else 0) in (old, old + 1)
        assert_valid(archive)
    else:
        pytest.fail("the addition never ended")
    assert died > 5
    with store.stage():
        assert len(list((archive / "staging").iterdir())) == 1
