"""Whether this machine can be the judge."""

from __future__ import annotations

import os

import pytest

from pathcheck.rehearsal import lacking


def require_lab() -> None:
    """Skip the test where the machine cannot run it; in CI that is a failure."""
    lack = lacking()
    if lack is not None and os.environ.get("CI"):
        pytest.fail(f"the kernel tests must run in CI, but {lack}")
    if lack is not None:
        pytest.skip(lack)
