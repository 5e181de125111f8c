"""`pathcheck check`: everything that the fleet has input for, in one report."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pathcheck.cli.exit_status import BROKEN, HOLDS, UNREADABLE
from pathcheck.cli.options import FleetOption, JsonOption
from pathcheck.cli.output import (
    FINDING_FORMATS,
    FormatOption,
    OutputOption,
    ReportCommand,
    finding_renderers,
    output_file,
    report_targets,
    write_file,
    write_reports,
)
from pathcheck.errors import UsageError
from pathcheck.results.finding import Severity

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pathcheck.fleet import LoadedFleet
    from pathcheck.results.finding_report import FindingReport
    from pathcheck.source import Span

__all__ = ["register", "run_check"]

_UNREADABLE_CODES = ("PC403", "PC383")
"""A file that is refused, and a required flow that cannot be asked."""


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("check", cls=ReportCommand)(check)


def check(
    context: typer.Context,
    fleet: FleetOption = Path(),
    fail_on: Annotated[
        Severity, typer.Option("--fail-on", help="The mildest severity that ends with status 1.")
    ] = Severity.WARNING,
    changed_since: Annotated[
        str | None,
        typer.Option(
            "--changed-since", metavar="REV", help="Findings on lines changed since this git revision come first."
        ),
    ] = None,
    fail_on_changed: Annotated[
        bool, typer.Option("--fail-on-changed", help="With --changed-since: only findings on changed lines fail.")
    ] = False,
    baseline: Annotated[
        str | None, typer.Option("--baseline", metavar="FILE", help="Findings in this file are known and do not fail.")
    ] = None,
    write_baseline: Annotated[
        str | None,
        typer.Option("--write-baseline", metavar="FILE", help="Write the findings that are there to such a file."),
    ] = None,
    today: Annotated[
        datetime | None,
        typer.Option(
            "--today", metavar="DATE", formats=["%Y-%m-%d"], help="Judge waivers as on this day.", show_default=False
        ),
    ] = None,
    formats: FormatOption = None,
    outputs: OutputOption = None,
    json: JsonOption = False,
) -> int:
    """Look for everything that the fleet has input for, and report it once.

    Exit status: 0 nothing fails; 1 a finding as grave as --fail-on that is neither known nor waived; 2 a file or a
    required flow that cannot be read.
    """
    targets = report_targets(context, formats, outputs, json=json, known=FINDING_FORMATS)
    if fail_on_changed and changed_since is None:
        raise UsageError("`--fail-on-changed` needs to know since when", help="give `--changed-since REV` as well")
    new_baseline = output_file(write_baseline)
    if write_baseline is not None and new_baseline is None:
        raise UsageError("a baseline is written to a file, not to standard output")
    known = None if baseline is None else _read_baseline(baseline)
    loaded, report = _checked(
        fleet,
        threshold=fail_on,
        revision=changed_since,
        only_changed=fail_on_changed,
        baseline=known,
        baseline_name=baseline,
        today=None if today is None else today.date(),
    )
    if new_baseline is not None:
        from pathcheck.reports.baseline_file import render_baseline

        write_file(new_baseline, render_baseline(report) + "\n")
        typer.echo(f"the baseline is in {new_baseline}", err=True)
    write_reports(targets, finding_renderers(report))
    if _is_unreadable(loaded, report):
        return UNREADABLE
    # What was just written down is known from now on.
    return BROKEN if new_baseline is None and any(map(report.fails, report.items)) else HOLDS


def run_check(fleet: Path, *, json: bool) -> None:
    """Print the plain report on a fleet."""
    from pathcheck.cli.output import Target

    _, report = _checked(fleet)
    write_reports([Target("json" if json else "text")], finding_renderers(report))


def _checked(
    fleet: Path,
    *,
    threshold: Severity = Severity.WARNING,
    revision: str | None = None,
    only_changed: bool = False,
    baseline: Mapping[str, Span] | None = None,
    baseline_name: str | None = None,
    today: date | None = None,
) -> tuple[LoadedFleet, FindingReport]:
    """Read a fleet and look for everything."""
    from pathcheck.cli.progress import progress
    from pathcheck.fleet import load_fleet
    from pathcheck.queries.check import full_check

    loaded = load_fleet(fleet)
    changed = None
    if revision is not None:
        from pathcheck.git.changed_lines import changed_since

        changed = changed_since(loaded.folder, revision)
    lines = sum(len(item.lines) for each in loaded.config.devices.values() for item in each.access_lists.values())
    with progress("reviewing lists", 3 * lines) as advance:
        report = full_check(
            loaded,
            threshold=threshold,
            changed=changed,
            only_changed=only_changed,
            baseline=baseline,
            baseline_name=baseline_name,
            today=today,
            advance=advance,
        )
    return loaded, report


def _read_baseline(file: str) -> dict[str, Span]:
    """The fingerprints of a baseline."""
    from pathcheck.file_content import read_named_file
    from pathcheck.parser.baseline import read_baseline

    return read_baseline(file, read_named_file(file, "the baseline", help="`--write-baseline` writes the first one"))


def _is_unreadable(loaded: LoadedFleet, report: FindingReport) -> bool:
    """Whether something could not be read that nobody has waived."""
    waived = {item.finding.span.file for item in report.waived if item.finding.code == "PC403" and item.finding.span}
    if any(account.refused is not None and account.file not in waived for account in loaded.report.files):
        return True
    return any(item.finding.code in _UNREADABLE_CODES and item.waiver is None for item in report.items)
