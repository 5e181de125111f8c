"""`pathcheck explain`: the catalogue's page on a finding."""

from __future__ import annotations

from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from textwrap import fill
from typing import Annotated

import typer

from pathcheck.cli.exit_status import HOLDS
from pathcheck.cli.options import JsonOption
from pathcheck.errors import UnknownNameError, nearest
from pathcheck.results.catalogue import CATALOGUE, Rule

__all__ = ["register"]

_WIDTH = 88
"""Columns of the text; the same everywhere, so that the same page gives the same bytes."""


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("explain")(explain)


def explain(
    code: Annotated[
        str | None, typer.Argument(metavar="[CODE]", help="As PC101, or a name as shadowed-line.", show_default=False)
    ] = None,
    json: JsonOption = False,
) -> int:
    """Explain a finding: what, why, examples, when it is fine. Without a code, list all."""
    if code is None:
        if json:
            _print_json({"schema": "pathcheck/explain/1", "findings": [_facts(rule) for rule in CATALOGUE.values()]})
        else:
            width = max(len(rule.name) for rule in CATALOGUE.values())
            for rule in CATALOGUE.values():
                typer.echo(f"{rule.code}  {rule.severity:<7}  {rule.name:<{width}}  {rule.summary}")
        return HOLDS
    rule = _rule(code)
    page = _pages().joinpath(f"{rule.code}.md").read_text("utf-8")
    if json:
        _print_json({"schema": "pathcheck/explain/1", "findings": [{**_facts(rule), "page": page}]})
    else:
        typer.echo(_plain(page))
    return HOLDS


def _rule(asked: str) -> Rule:
    """The rule of a code or a name, in any case."""
    by_name = {rule.name: rule for rule in CATALOGUE.values()}
    found = CATALOGUE.get(asked.upper()) or by_name.get(asked.lower())
    if found is not None:
        return found
    near = nearest(asked.upper(), CATALOGUE) or nearest(asked.lower(), by_name)
    raise UnknownNameError(
        f"no finding has the code `{asked}`",
        help=f"did you mean `{near}`?" if near else "`pathcheck explain` lists all codes",
    )


def _facts(rule: Rule) -> dict[str, str]:
    """What the catalogue says of a rule."""
    return {"code": rule.code, "name": rule.name, "severity": rule.severity.value, "summary": rule.summary}


def _plain(page: str) -> str:
    """A page without the marks of its source: headings in capitals, examples set in, the rest refilled."""
    out: list[str] = []
    paragraph: list[str] = []
    in_example = False

    def end_paragraph() -> None:
        if paragraph:
            indent = "  " if paragraph[0].startswith("- ") else ""
            words = " ".join(line.strip() for line in paragraph)
            out.append(fill(words, _WIDTH, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False))
            paragraph.clear()

    for line in page.splitlines():
        if not in_example and line.startswith(("- ", "#", "```")):
            end_paragraph()
        if line.startswith("```"):
            in_example = not in_example
            name = line.removeprefix("```").partition(" ")[2]
            if in_example and name:
                out.append(f"    ({name})")
        elif in_example:
            out.append(f"    {line}".rstrip())
        elif line.startswith("## "):
            out.append(line[3:].upper())
        elif line.startswith("# "):
            out.append(line[2:])
        elif line.strip():
            paragraph.append(line)
        else:
            end_paragraph()
            out.append("")
    end_paragraph()
    return "\n".join(out).rstrip()


def _print_json(document: dict[str, object]) -> None:
    from pathcheck.reports.json_report import render_json

    typer.echo(render_json(document))


def _pages() -> Traversable:
    """The pages inside the installed package; in a checkout, where they are kept once, in `docs`."""
    shipped = files("pathcheck").joinpath("finding_pages")
    if shipped.is_dir():
        return shipped
    return Path(__file__).parents[2] / "docs" / "findings"
