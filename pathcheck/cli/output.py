"""Formats and files of a report: `--format` and `--output`, several at once in one run.

An `--output` takes the format in front of it; a format without one goes to
standard output, and only one can. A command lists what it can write:

    targets = report_targets(context, formats, outputs, json=json, known=("text", "json", "junit"))
    write_reports(targets, {"text": lambda paint: ..., "json": lambda paint: ..., "junit": lambda paint: ...})

and is registered with `cls=ReportCommand`, which remembers the order of the options. A
command whose report is one of findings takes :data:`FINDING_FORMATS` and :func:`finding_renderers`.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperCommand

from pathcheck.cli.options import on_terminal
from pathcheck.errors import UsageError, nearest

if TYPE_CHECKING:
    from pathcheck.reports.terminal import Paint
    from pathcheck.results.finding_report import FindingReport

__all__ = [
    "FINDING_FORMATS",
    "FormatOption",
    "OutputOption",
    "PlainFormatOption",
    "ReportCommand",
    "Target",
    "finding_renderers",
    "output_file",
    "replace_files",
    "report_targets",
    "write_file",
    "write_reports",
]

FINDING_FORMATS = ("text", "json", "junit", "sarif", "markdown", "annotations")
"""The formats of a report of findings, the default first."""

_ORDER = "pathcheck.option-order"
STDOUT = "-"
"""The name of standard output where a file is expected."""

FormatOption = Annotated[
    list[str] | None,
    typer.Option(
        "--format",
        metavar="FORMAT",
        help=f"Form of the report: {', '.join(FINDING_FORMATS)}; several times for several.",
        show_default=False,
    ),
]
PlainFormatOption = Annotated[
    list[str] | None,
    typer.Option(
        "--format",
        metavar="FORMAT",
        help="Form of the answer: text, json; several times for several.",
        show_default=False,
    ),
]
"""The option of a command that writes text and JSON alone."""
OutputOption = Annotated[
    list[str] | None,
    typer.Option(
        "--output",
        metavar="FILE",
        help="Where the format in front of it goes; `-` is standard output.",
        show_default=False,
    ),
]


class ReportCommand(TyperCommand):
    """A command that remembers in which order its options were given."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Parse as always; the names of the options are kept in their order, each as often as it was given."""
        _, _, order = self.make_parser(ctx).parse_args(args=list(args))
        ctx.meta[_ORDER] = [parameter.name for parameter in order]
        return super().parse_args(ctx, args)


@dataclass(frozen=True, slots=True)
class Target:
    """One report to write: its format, and the file it goes to; None is standard output."""

    format: str
    file: Path | None = None


def report_targets(
    context: typer.Context,
    formats: Sequence[str] | None,
    outputs: Sequence[str] | None,
    *,
    json: bool = False,
    known: Sequence[str],
) -> tuple[Target, ...]:
    """Pair formats with files; checked before any work is done.

    Parameters
    ----------
    context
        Of a command whose class is :class:`ReportCommand`.
    formats, outputs
        The values of the two options, in their order.
    json
        Whether `--json` stands: the same as `--format json` at the end.
    known
        The formats of the command; the first is the default.

    Raises
    ------
    UsageError
        A format is unknown, two reports go to one place, an output has no format, or a
        file's folder is not there.
    """
    kinds, places = iter(formats or ()), iter(outputs or ())
    pairs: list[tuple[str | None, str | None]] = []
    for name in context.meta.get(_ORDER, ()):
        if name == "formats":
            pairs.append((next(kinds), None))
        elif name == "outputs" and pairs and pairs[-1][1] is None:
            pairs[-1] = (pairs[-1][0], next(places))
        elif name == "outputs":
            pairs.append((None, next(places)))
        elif name == "json" and json:
            pairs.append(("json", None))
    if len(pairs) == 2 and pairs[0][0] is None and pairs[1][1] is None:
        pairs = [(pairs[1][0], pairs[0][1])]  # one of each, the other way round
    targets = []
    for kind, place in pairs or [(None, None)]:
        if kind is None and len(pairs) > 1:
            raise UsageError(f"`--output {place}` has no format", help="put its `--format` in front of it")
        targets.append(Target(_known(kind or known[0], known), output_file(place)))
    for number, target in enumerate(targets):
        if any(_place(other) == _place(target) for other in targets[:number]):
            place = "standard output" if target.file is None else f"`{target.file}`"
            raise UsageError(f"two reports go to {place}", help="give each `--format` an `--output` behind it")
    return tuple(targets)


def write_reports(targets: Sequence[Target], renderers: Mapping[str, Callable[[Paint], str]]) -> None:
    """Write each report to its place; no file is written before all reports are made, and none by halves.

    Parameters
    ----------
    renderers
        By format: what makes the text, without its last line end. Colours are on where standard output
        is a terminal.

    Raises
    ------
    UsageError
        A file cannot be written.
    """
    from pathcheck.reports.terminal import Paint

    texts = [renderers[target.format](Paint(target.file is None and on_terminal())) + "\n" for target in targets]
    for target, text in zip(targets, texts, strict=True):
        if target.file is not None:
            write_file(target.file, text)
            typer.echo(f"the report ({target.format}) is in {target.file}", err=True)
    for target, text in zip(targets, texts, strict=True):
        if target.file is None:
            typer.echo(text, nl=False)


def _known(kind: str, known: Sequence[str]) -> str:
    """A format that the command has."""
    if kind in known:
        return kind
    near = nearest(kind, known)
    raise UsageError(
        f"unknown format `{kind}`; known are {', '.join(f'`{name}`' for name in known)}",
        help=f"did you mean `{near}`?" if near else None,
    )


def finding_renderers(report: FindingReport) -> dict[str, Callable[[Paint], str]]:
    """Return what makes a report of findings in each of :data:`FINDING_FORMATS`."""

    def sarif(_: Paint) -> str:
        from pathcheck.reports.sarif import render_sarif

        return render_sarif(report)

    def markdown(_: Paint) -> str:
        from pathcheck.reports.markdown import render_markdown

        return render_markdown(report)

    def annotations(_: Paint) -> str:
        from pathcheck.reports.annotations import render_annotations

        return render_annotations(report)

    def junit(_: Paint) -> str:
        from pathcheck.reports.junit import render_finding_junit

        return render_finding_junit(report)

    def json(_: Paint) -> str:
        from pathcheck.reports.json_report import findings_document, render_json

        return render_json(findings_document(report))

    def text(paint: Paint) -> str:
        from pathcheck.reports.findings_text import render_finding_report

        return render_finding_report(report, paint)

    made = (text, json, junit, sarif, markdown, annotations)
    return dict(zip(FINDING_FORMATS, made, strict=True))


def output_file(place: str | None) -> Path | None:
    """Return a file whose folder is there; None for standard output.

    Raises
    ------
    UsageError
        It is a folder, or its folder is not there.
    """
    if place is None or place == STDOUT:
        return None
    file = Path(place)
    try:
        is_folder, has_folder = file.is_dir(), file.parent.is_dir()
    except (OSError, ValueError) as error:  # a name that no file can have
        raise UsageError(f"`{place}` cannot be written: {getattr(error, 'strerror', None) or error}") from None
    if not place or is_folder:
        raise UsageError(f"`{place}` is a folder, not a file to write to")
    if not has_folder:
        raise UsageError(f"no folder `{file.parent}` to write `{place}` to", help="make it first")
    return file


def _place(target: Target) -> Path | None:
    """The place of a target, however it is written."""
    return None if target.file is None else Path(os.path.realpath(target.file))


def write_file(file: Path, text: str) -> None:
    """Write a whole file or none: what stood there stays until the new text is complete.

    Raises
    ------
    UsageError
        It cannot be written: no right to, no room left.
    """
    replace_files([(file, text.encode("utf-8", "backslashreplace"))])


def replace_files(contents: Sequence[tuple[Path, bytes]]) -> None:
    """Give files new content, all of them or, where one cannot be written, none; each is whole at any time.

    A file keeps its mode, and a link to it stays a link. A pipe or a device is written to.

    Raises
    ------
    UsageError
        One cannot be written: no right to, no room left.
    """
    ready: list[tuple[str, Path]] = []
    file = Path()
    try:
        for file, data in contents:
            real = Path(os.path.realpath(file))
            if real.exists() and not real.is_file():
                real.write_bytes(data)
                continue
            descriptor, name = tempfile.mkstemp(prefix=f".{real.name[:200]}.", dir=real.parent)
            ready.append((name, real))
            with os.fdopen(descriptor, "wb") as part:
                part.write(data)
                part.flush()
                # A disk may say only now that it is full, and a name that is moved first may outlive its content.
                os.fsync(part.fileno())
            os.chmod(name, real.stat().st_mode & 0o7777 if real.exists() else 0o666 & ~_umask())
        for name, real in ready:
            os.replace(name, real)
    except BaseException as error:
        for name, _ in ready:
            with suppress(OSError):  # moved already
                os.unlink(name)
        if isinstance(error, OSError):
            raise UsageError(f"`{file}` cannot be written: {(error.strerror or str(error)).lower()}") from None
        raise


def _umask() -> int:
    """The mask of this process, which can only be read by setting it."""
    mask = os.umask(0)
    os.umask(mask)
    return mask
