"""How long ``beadroll --help`` takes over bare Python. Run by hand: python tests/benchmarks/help.py."""

from __future__ import annotations

import statistics
import subprocess
import sys
import time

ROUNDS = 15


def seconds(*command: str) -> float:
    start = time.perf_counter()
    subprocess.run(command, capture_output=True, check=True)
    return time.perf_counter() - start


def main() -> None:
    bare = [seconds(sys.executable, "-c", "pass") for _ in range(ROUNDS)]
    helped = [seconds(sys.executable, "-m", "beadroll.cli", "--help") for _ in range(ROUNDS)]
    over = statistics.median(helped) - statistics.median(bare)
    sys.stdout.write(f"bare {statistics.median(bare) * 1000:.0f} ms, --help {over * 1000:.0f} ms more (bar 60 ms)\n")


if __name__ == "__main__":
    main()
