"""Independent tools the tests compare with: found, or a failure where CI must have them."""

from __future__ import annotations

import os
import shutil

import pytest


def need(tool: str) -> str:
    """Return the tool's path; skip the test where it is missing, but fail under CI, where it must not be."""
    found = shutil.which(tool)
    if found is None:
        if os.environ.get("CI"):
            pytest.fail(f"{tool} is missing, and CI must have it (see .ci/run)")
        pytest.skip(f"{tool} is not installed on this machine")
    return found
