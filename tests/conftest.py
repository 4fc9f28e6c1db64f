"""What every test may lean on: the outside programs some tests look through, and what happens without them."""

from __future__ import annotations

import os
import shutil

import pytest

# marker -> (program, Debian package)
OUTSIDE_PROGRAMS = {"browser": ("chromium", "chromium"), "pdf": ("pdftotext", "poppler-utils")}


def pytest_runtest_setup(item: pytest.Item) -> None:
    """A test marked for an outside program skips without it; under CI=true it fails: nothing is left out quietly."""
    for marker, (program, package) in OUTSIDE_PROGRAMS.items():
        if item.get_closest_marker(marker) is None or shutil.which(program) is not None:
            continue
        reason = f"{program} is missing (Debian package {package})"
        if os.environ.get("CI") == "true":
            pytest.fail(reason, pytrace=False)
        pytest.skip(reason)
