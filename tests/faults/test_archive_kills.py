"""Kills of the archive's own work at chosen system calls and at random moments."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from beadroll.archive.catalog import Catalog
from beadroll.archive.find import Query, find
from beadroll.archive.history import NotOneWeld, history
from beadroll.archive.receipts import client_receipt
from beadroll.archive.receive import receive
from beadroll.archive.store import Store
from tests.archives import NOW, make_yard, simple_weld, week
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


_RECEIVER = """
import sys
from pathlib import Path
from beadroll.archive.receipts import client_receipt
from beadroll.archive.receive import receive
from beadroll.package.seals.keys import load_signer
from tests.archives import NOW, PASSPHRASE

signer = load_signer(Path(sys.argv[3]), PASSPHRASE)
print("ready", flush=True)
sys.stdin.readline()
receive(Path(sys.argv[1]), Path(sys.argv[2]), now=NOW, give=client_receipt(signer, by="A. Clerk", now=NOW), cold=True)
print("done", flush=True)
"""


def receiver(script, package, archive, keys):
    """Start a receiver that has loaded everything and waits for the word."""
    return subprocess.Popen(
        [sys.executable, str(script), str(package), str(archive), str(keys / "client" / "signer.p12")],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        cwd=ROOT,
        env={"PYTHONPATH": str(ROOT), "PATH": os.environ["PATH"]},
    )


def test_a_reception_killed_at_any_moment_is_wholly_in_or_wholly_out_and_a_rerun_finishes_it(tmp_path):
    keys = tmp_path / "keys"
    yard = make_yard(tmp_path, keys)
    script = tmp_path / "receiver.py"
    script.write_text(_RECEIVER)
    give = client_receipt(yard.client.signer, by="A. Clerk", now=NOW)

    def package_of(number):
        welds = (simple_weld(f"W-{number:04}"), simple_weld(f"W-{number:04}", line="LN-207"))
        return yard.pack(week(f"HO-2031-W{number}", welds, period=f"2031-W{number}"))

    with receiver(script, package_of(20), yard.archive, keys) as whole:
        assert whole.stdout.readline() == b"ready\n"
        began = time.monotonic()
        whole.stdin.write(b"\n")
        whole.stdin.flush()
        assert whole.stdout.readline() == b"done\n"
        takes_s = time.monotonic() - began
    moments = random.Random(117)  # noqa: S311 - the moments need only be repeatable
    seen = set()
    for number in range(21, 33):
        package = package_of(number)
        with receiver(script, package, yard.archive, keys) as victim:
            assert victim.stdout.readline() == b"ready\n"
            victim.stdin.write(b"\n")
            victim.stdin.flush()
            time.sleep(moments.uniform(0, takes_s))
            victim.send_signal(signal.SIGKILL)
            victim.wait()
        seen.add(assert_wholly_in_or_out(yard.archive, number))
        receive(package, yard.archive, now=NOW, give=give)
        assert assert_wholly_in_or_out(yard.archive, number) == "in"
        assert (yard.archive / "receipts").is_dir()
    assert_valid(yard.archive)
    assert len(Catalog(yard.archive).received()) == 13
    assert len(list((yard.archive / "receipts").glob("*.p7s"))) == 13
    assert list((yard.archive / "staging").iterdir()) == []
    assert "out" in seen


def assert_wholly_in_or_out(archive, number):
    name = f"HO-2031-W{number}"
    listed = any(row["handover"] == name for row in Catalog(archive).received())
    welds = find(archive, Query(number=str(number), handover=name)).welds
    if not listed:
        assert welds == ()
        with pytest.raises(NotOneWeld):
            history(archive, f"W-{number:04}", "LN-204")
        return "out"
    assert len(welds) == 2
    story = history(archive, f"W-{number:04}", "LN-204")
    assert [str(step.kind) for step in story.steps][:3] == ["welded", "shot", "accepted"]
    assert not [gap for gap in story.gaps if gap.code != "HIS-NO-RECEIPT"]
    return "in"
