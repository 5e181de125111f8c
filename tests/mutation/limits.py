"""When a mutant hangs: far beyond what its test takes, in processor seconds, so that a busy machine does not matter."""

from __future__ import annotations

__all__ = ["MEMORY", "processor_seconds", "wall_seconds"]

MEMORY = 16 << 30
"""Most address space of one mutant, bytes; the diagram library reserves several GiB. Beyond it the test fails."""


def processor_seconds(usual: float) -> float:
    """Return the limit of one test that usually takes `usual` seconds."""
    return 3 + 5 * usual


def wall_seconds(usual: float) -> float:
    """Return the limit for a test that waits instead of computing."""
    return 120 + 60 * usual
