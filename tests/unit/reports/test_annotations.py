"""Lines for logs: the form, and what is cut."""

from __future__ import annotations

import re
from dataclasses import replace

from report_builders import report_of, reported

from pathcheck.reports.annotations import MOST_OF_A_LEVEL, render_annotations
from pathcheck.results.finding import Severity

# What readers of compiler output look for (common practice, no source).
LINE = re.compile(
    r"^(?P<file>[^:\n]+):(?P<line>\d+):(?P<column>\d+): (?P<severity>error|warning|note): (?P<message>.+)$"
)


def test_each_line_can_be_taken_apart() -> None:
    report = report_of(reported(7), reported(8, Severity.NOTE, message="a\nb: c\x1b[31m"), folder="sites/a")
    first, second = map(LINE.match, render_annotations(report).splitlines())
    assert first is not None
    assert first.groupdict() == {
        "file": "sites/a/quay-a.cfg",
        "line": "7",
        "column": "2",
        "severity": "error",
        "message": "quay-a list TILLS: it never acts [PC101 shadowed-line]",
    }
    assert second is not None
    assert second["message"] == "quay-a list TILLS: a b: c [31m [PC103 partly-shadowed-line]"


def test_ten_of_a_level_changed_lines_first_and_the_rest_is_counted() -> None:
    old = [reported(number, changed=False) for number in range(1, 13)]
    new = [reported(number) for number in range(101, 105)]
    notes = [reported(number, Severity.NOTE) for number in range(201, 204)]
    # A report holds those on changed lines first.
    lines = render_annotations(report_of(*new, *notes, *old, revision="main")).splitlines()
    places = [int(found["line"]) for found in map(LINE.match, lines) if found]
    assert places == [101, 102, 103, 104, 201, 202, 203, 1, 2, 3, 4, 5, 6]
    assert sum(": error: " in line for line in lines) == MOST_OF_A_LEVEL
    assert lines[-1] == "pathcheck: note: 6 of 16 errors are not shown here; another format shows all"


def test_known_findings_are_left_out_and_nothing_is_said_aloud() -> None:
    assert render_annotations(report_of(reported(1, known=True))) == "pathcheck: note: no findings"


def test_a_finding_without_a_place() -> None:
    item = reported(1)
    bare = replace(item, finding=replace(item.finding, span=None))
    assert render_annotations(report_of(bare)).startswith("pathcheck: error: quay-a list TILLS: it never acts")
