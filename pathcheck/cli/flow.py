"""`pathcheck flow`: what becomes of a flow, on which path, by which line, and whether the reply comes back."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from pathcheck.cli.exit_status import UNREADABLE, gravest, of_verdict
from pathcheck.cli.options import FleetOption, JsonOption
from pathcheck.cli.output import OutputOption, PlainFormatOption, ReportCommand, report_targets, write_reports
from pathcheck.errors import InputError, UsageError

if TYPE_CHECKING:
    from pathcheck.fleet import LoadedFleet
    from pathcheck.parser.flow_words import FlowQuestion
    from pathcheck.reports.terminal import Paint
    from pathcheck.results.path import FlowAnswer, ListAnswer

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("flow", cls=ReportCommand)(flow)


def flow(
    context: typer.Context,
    protocol: Annotated[
        str | None, typer.Argument(metavar="PROTO", help="Name or number; `ip` is any.", show_default=False)
    ] = None,
    source: Annotated[
        str | None,
        typer.Argument(
            metavar="SRC[:PORT]",
            help="Address, prefix, `any`, place or device; any port if left out.",
            show_default=False,
        ),
    ] = None,
    destination: Annotated[
        str | None,
        typer.Argument(
            metavar="DST[:PORT]", help="The same; IPv6 with a port in brackets: [2001:db8::1]:443.", show_default=False
        ),
    ] = None,
    fleet: FleetOption = Path(),
    at: Annotated[
        str | None,
        typer.Option(
            "--at", metavar="DEVICE[:INTERFACE]", help="Where the packets enter; a device alone: they start on it."
        ),
    ] = None,
    acl: Annotated[
        str | None, typer.Option("--acl", metavar="NAME", help="Ask this list alone, without routing.")
    ] = None,
    device: Annotated[str | None, typer.Option("--device", metavar="NAME", help="Whose list --acl means.")] = None,
    icmp: Annotated[
        str | None, typer.Option("--icmp", metavar="TYPE[/CODE]", help="ICMP type by number or name; any if left out.")
    ] = None,
    flags: Annotated[
        str | None,
        typer.Option("--flags", metavar="ACK,...", help="Exactly these TCP flags, or `any`; SYN if left out."),
    ] = None,
    fragment: Annotated[
        bool, typer.Option("--fragment", help="Ask about non-initial fragments, which have no ports.")
    ] = False,
    dscp: Annotated[str | None, typer.Option("--dscp", metavar="N", help="Number or name; any if left out.")] = None,
    vrf: Annotated[str | None, typer.Option("--vrf", metavar="NAME", help="Table in which the packets start.")] = None,
    no_reply: Annotated[bool, typer.Option("--no-reply", help="Leave the way back out.")] = False,
    batch: Annotated[
        str | None,
        typer.Option("--batch", metavar="FILE", help="One flow a line, `-` is standard input; JSON, a line each."),
    ] = None,
    formats: PlainFormatOption = None,
    outputs: OutputOption = None,
    json: JsonOption = False,
) -> int:
    """Tell whether a flow would pass, on which path, which line decides, and whether the reply comes back.

    Exit status: 0 permitted; 1 denied or partly; 2 it cannot be asked; 3 uncertain. The reply does not change it. With
    --batch the gravest of all lines: 2, 3, 1, 0.
    """
    targets = report_targets(context, formats, outputs, json=json, known=("text", "json"))
    words = [word for word in (protocol, source, destination) if word is not None]
    if batch is not None:
        if words:
            raise UsageError("a batch takes its flows from the file, so no flow stands on the command line")
        if formats or outputs:
            raise UsageError("a batch writes one JSON document a line to standard output, and nothing else")
        return _batch(fleet, batch)
    if len(words) != 3:
        raise UsageError(
            f"expected a flow `PROTO SRC[:PORT] DST[:PORT]`, found {len(words)} of its 3 words",
            help="for example `pathcheck flow tcp 10.1.20.7 10.1.99.10:443`",
        )
    from pathcheck.fleet import load_fleet
    from pathcheck.parser.flow_words import flow_question

    loaded = load_fleet(fleet)
    question = flow_question(
        words[0],
        words[1],
        words[2],
        config=loaded.config,
        at=at,
        acl=acl,
        device=device,
        icmp=icmp,
        flags=flags,
        fragment=fragment,
        dscp=dscp,
        vrf=vrf,
        reply=not no_reply,
    )
    answer = _ask(loaded, question)

    def document(_: Paint) -> str:
        from pathcheck.reports.json_report import render_json

        return render_json(_document(answer))

    def text(paint: Paint) -> str:
        from pathcheck.reports.terminal import render_flow, render_list_answer
        from pathcheck.results.path import FlowAnswer

        return render_flow(answer, paint) if isinstance(answer, FlowAnswer) else render_list_answer(answer, paint)

    write_reports(targets, {"text": text, "json": document})
    return of_verdict(answer.verdict)


def _batch(fleet: Path, batch: str) -> int:
    """Answer each line of a file in order; a line that cannot be read does not keep the others from their answer."""
    from pathcheck.fleet import load_fleet
    from pathcheck.parser.flow_words import read_flow_line
    from pathcheck.reports.json_report import render_json

    loaded = load_fleet(fleet)
    statuses = set()
    for number, line in enumerate(_batch_lines(batch), 1):
        words = line.strip()
        if not words or words.startswith("#"):
            continue
        try:
            answer = _ask(loaded, read_flow_line(words, loaded.config))
        except (UsageError, InputError) as error:
            document: dict[str, Any] = {"error": error.message, "line": number}
            if error.help:
                document["help"] = error.help
            statuses.add(UNREADABLE)
        else:
            document = _document(answer, caution=False)
            statuses.add(of_verdict(answer.verdict))
        sys.stdout.write(render_json(document, one_line=True) + "\n")
    return gravest(sorted(statuses))


def _batch_lines(batch: str) -> Iterator[str]:
    """The lines of a file or of standard input; bytes that are no UTF-8 are replaced."""
    try:
        if batch == "-":
            for raw in sys.stdin.buffer:
                yield raw.decode("utf-8", "replace")
            return
        with open(batch, "rb") as file:
            for raw in file:
                yield raw.decode("utf-8", "replace")
    except OSError as error:
        raise InputError(f"`{batch}` cannot be read: {(error.strerror or str(error)).lower()}") from error


def _ask(loaded: LoadedFleet, question: FlowQuestion) -> FlowAnswer | ListAnswer:
    """Ask one list, or the whole fleet."""
    from pathcheck.queries.flow import ask_flow, ask_list

    if question.acl is not None:
        return ask_list(loaded, question.device, question.acl, question.flow)
    return ask_flow(loaded, question.flow, reply=question.reply)


def _document(answer: FlowAnswer | ListAnswer, *, caution: bool = True) -> dict[str, Any]:
    """The JSON document of an answer."""
    from pathcheck.reports.json_report import flow_document, list_document
    from pathcheck.results.path import FlowAnswer

    if isinstance(answer, FlowAnswer):
        return flow_document(answer, caution=caution)
    return list_document(answer, caution=caution)
