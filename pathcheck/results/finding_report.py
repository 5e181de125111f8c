"""Findings with what is known about each: its fingerprint, whether it is on a changed line, known, or waived."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from pathcheck.model.waiver import Waiver
from pathcheck.results.catalogue import CATALOGUE, Rule
from pathcheck.results.finding import Finding, Severity
from pathcheck.results.requirement import RequirementReport

__all__ = ["FindingReport", "ReportedFinding", "path_from_here"]


@dataclass(frozen=True, slots=True)
class ReportedFinding:
    """A finding in a report.

    Parameters
    ----------
    fingerprint
        32 hexadecimal digits, made from what the finding is about and not from where it stands.
    changed
        Whether it, or a line that explains it, is on a line that changed; always True where nobody asked.
    known
        Whether the baseline holds it.
    waiver
        What waives it today.
    """

    finding: Finding
    fingerprint: str
    changed: bool = True
    known: bool = False
    waiver: Waiver | None = None

    @property
    def is_open(self) -> bool:
        """Whether it is neither known nor waived."""
        return not self.known and self.waiver is None


@dataclass(frozen=True, slots=True)
class FindingReport:
    """All findings of one command.

    Parameters
    ----------
    command
        The command's name.
    items
        In the order in which they are shown; those on changed lines first.
    threshold
        The mildest severity that fails.
    revision
        Since when lines count as changed, None where nobody asked.
    only_changed
        Whether only findings on changed lines fail.
    baseline
        The name of the baseline, None where there is none.
    gone
        How many findings of the baseline are no longer there.
    folder
        Path of the fleet's folder from the working folder, empty where it is the same; what is not below
        the working folder is absolute. File names of findings are relative to it.
    as_typed
        Files whose names are not relative to the fleet's folder.
    requirements
        The required flows that were asked, None where there are none or the command does not ask them.
    looked_for
        The codes that the command looks for.
    unread, unmodelled
        How many lines could not be read, a file that is refused counting as one, and how many are not modelled.
    rules
        What there is to find: the catalogue, unless the command tells of something else.
    """

    command: str
    items: tuple[ReportedFinding, ...]
    threshold: Severity = Severity.WARNING
    revision: str | None = None
    only_changed: bool = False
    baseline: str | None = None
    gone: int = 0
    folder: str = ""
    as_typed: frozenset[str] = frozenset()
    requirements: RequirementReport | None = None
    looked_for: frozenset[str] = frozenset()
    unread: int = 0
    unmodelled: int = 0
    rules: Mapping[str, Rule] = field(default_factory=lambda: CATALOGUE, repr=False)

    @property
    def open(self) -> tuple[ReportedFinding, ...]:
        """The findings that are neither known nor waived."""
        return tuple(item for item in self.items if item.is_open)

    @property
    def known(self) -> tuple[ReportedFinding, ...]:
        """The findings of the baseline that no waiver is for."""
        return tuple(item for item in self.items if item.known and item.waiver is None)

    @property
    def waived(self) -> tuple[ReportedFinding, ...]:
        """The findings that are waived."""
        return tuple(item for item in self.items if item.waiver is not None)

    @property
    def counts(self) -> dict[Severity, int]:
        """How many open findings there are of each severity."""
        return {each: sum(item.finding.severity is each for item in self.open) for each in Severity}

    @property
    def is_uncertain(self) -> bool:
        """Whether an open finding says that something asked for may hold or not."""
        return any(item.finding.name.startswith("uncertain-") for item in self.open)

    def fails(self, item: ReportedFinding) -> bool:
        """Tell whether a finding makes the command end with 1."""
        order = list(Severity)
        grave = order.index(item.finding.severity) <= order.index(self.threshold)
        return grave and item.is_open and (item.changed or not self.only_changed)

    def path(self, file: str) -> str:
        """Return the path of a file from the working folder, with `/` between its parts."""
        return file if not self.folder or file in self.as_typed else f"{self.folder}/{file}"


def path_from_here(folder: Path) -> str:
    """Return the path of a folder from the working folder: empty where it is the same, absolute if it is not below."""
    written = Path(os.path.abspath(folder))
    # A link inside the working folder keeps its name; another way to the same folder is found behind its links.
    for there, here in ((written, Path.cwd()), (folder.resolve(), Path.cwd().resolve())):
        if there.is_relative_to(here):
            return "" if there == here else there.relative_to(here).as_posix()
    return written.as_posix()
