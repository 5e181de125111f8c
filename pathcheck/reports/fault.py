"""The report of an internal fault, written to a file so that no traceback reaches the screen."""

from __future__ import annotations

import platform
import sys
import tempfile
import traceback
from importlib.metadata import PackageNotFoundError, version

__all__ = ["write_fault_report"]


def write_fault_report(fault: BaseException, arguments: list[str]) -> str:
    """Write what a maintainer needs to a new file and return its path, or a word if it cannot be written."""
    try:
        release = version("pathcheck")
    except PackageNotFoundError:
        release = "unknown"
    text = "\n".join(
        [
            f"pathcheck {release}, Python {platform.python_version()}, {sys.platform}",
            f"arguments: {arguments}",
            "",
            *traceback.format_exception(fault),
        ]
    )
    try:
        with tempfile.NamedTemporaryFile(
            "w", prefix="pathcheck-fault-", suffix=".txt", delete=False, encoding="utf-8"
        ) as file:
            file.write(text)
            return file.name
    except OSError:
        return "the command that you ran"
