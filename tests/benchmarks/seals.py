"""How long it takes a fresh process to load the trust and judge a package's seals: three, each with a token.

Run by hand: ``python -m tests.benchmarks.seals [rounds]``. The bar is 0.6 s on top of starting Python.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from beadroll.package.seals import seal
from tests.pki import NOW, ClockAt, authority, time_signer, trusting

JUDGE = """
import sys
from datetime import UTC, datetime
from pathlib import Path
from beadroll.package.seals import seal
from beadroll.package.seals.trust import Trust
folder = Path(sys.argv[1])
seals = {path.name: path.read_bytes() for path in folder.glob("*.p7s")}
now = datetime(2031, 4, 7, 9, 30, tzinfo=UTC)
verdicts, found = seal.judge((folder / "tags").read_bytes(), seals, Trust.load(folder / "trust"), now=now)
assert len(verdicts) == 3 and all(v.good and v.time.at for v in verdicts), found
"""


def main() -> None:
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 7
    with tempfile.TemporaryDirectory() as place:
        folder, root, clock_root = Path(place), authority(), authority("Clock root")
        clock = ClockAt(party=time_signer(clock_root), at=NOW)
        signer = root.issue().signer(folder, root.revocation_list())
        content = b"0" * 100_000
        (folder / "tags").write_bytes(content)
        roles = ("contractor", "interpreter", "inspector")
        for role in roles:
            made = seal.sign(content, signer, role=role, commitment="approval", timestamper=clock, now=NOW)
            (folder / f"{role}.p7s").write_bytes(made)
        pins = [(role, root) for role in roles]
        trusting(folder, *pins, ("timestamp", clock_root), lists=(clock_root.revocation_list(),))
        for label, program in (("bare Python", "pass"), ("judge three seals", JUDGE)):
            taken, busy = [], []
            for _ in range(rounds):
                began, before = time.perf_counter(), os.times()
                subprocess.run([sys.executable, "-c", program, str(folder)], check=True)
                taken.append(time.perf_counter() - began)
                after = os.times()
                busy.append(after.children_user + after.children_system - before.children_user - before.children_system)
            wall, processor = statistics.median(taken), statistics.median(busy)
            sys.stdout.write(f"{label:<20} median of {rounds}: {wall:.3f} s, of which busy {processor:.3f} s\n")


if __name__ == "__main__":
    main()
