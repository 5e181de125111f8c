"""`pathcheck rehearse`: a flow with real packets through the fleet in namespaces of this machine."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pathcheck.cli.exit_status import BROKEN, HOLDS, UNCERTAIN
from pathcheck.cli.options import FleetOption, JsonOption
from pathcheck.cli.output import OutputOption, PlainFormatOption, ReportCommand, report_targets, write_reports

if TYPE_CHECKING:
    from pathcheck.reports.terminal import Paint

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("rehearse", cls=ReportCommand)(rehearse)


def rehearse(
    context: typer.Context,
    protocol: Annotated[str, typer.Argument(metavar="PROTO", help="As for `flow`.", show_default=False)],
    source: Annotated[str, typer.Argument(metavar="SRC[:PORT]", help="As for `flow`.", show_default=False)],
    destination: Annotated[str, typer.Argument(metavar="DST[:PORT]", help="As for `flow`.", show_default=False)],
    fleet: FleetOption = Path(),
    at: Annotated[
        str | None,
        typer.Option(
            "--at", metavar="DEVICE[:INTERFACE]", help="Where the packets enter; a device alone: they start on it."
        ),
    ] = None,
    icmp: Annotated[
        str | None, typer.Option("--icmp", metavar="TYPE[/CODE]", help="ICMP type by number or name; any if left out.")
    ] = None,
    flags: Annotated[
        str | None,
        typer.Option("--flags", metavar="ACK,...", help="Exactly these TCP flags, or `any`; SYN if left out."),
    ] = None,
    fragment: Annotated[
        bool, typer.Option("--fragment", help="Send non-initial fragments, which have no ports.")
    ] = False,
    dscp: Annotated[str | None, typer.Option("--dscp", metavar="N", help="Number or name; any if left out.")] = None,
    vrf: Annotated[str | None, typer.Option("--vrf", metavar="NAME", help="Table in which the packets start.")] = None,
    no_reply: Annotated[bool, typer.Option("--no-reply", help="Send no replies.")] = False,
    packets: Annotated[
        int, typer.Option("--packets", metavar="N", min=1, max=50_000, help="Packets sent at most, replies apart.")
    ] = 500,
    namespaces: Annotated[
        int, typer.Option("--namespaces", metavar="N", min=2, max=1_000, help="Namespaces made at most.")
    ] = 64,
    seconds: Annotated[
        float, typer.Option("--seconds", metavar="N", min=1, max=3_600, help="Time for building and sending.")
    ] = 120,
    formats: PlainFormatOption = None,
    outputs: OutputOption = None,
    json: JsonOption = False,
) -> int:
    """Send packets of a flow through the fleet, built in namespaces on this machine, and compare with the model.

    Needs root on Linux, `ip` and `nft`. Nothing outside of its own namespaces is touched, and they are gone when it
    ends, however it ends.

    Exit status: 0 model and kernel agree; 1 they disagree; 2 it cannot be asked, or this machine cannot do it; 3 the
    model is uncertain, or the kernel cannot be the judge.
    """
    targets = report_targets(context, formats, outputs, json=json, known=("text", "json"))
    from pathcheck.fleet import load_fleet
    from pathcheck.parser.flow_words import flow_question
    from pathcheck.queries.rehearse import ask_rehearsal

    loaded = load_fleet(fleet)
    question = flow_question(
        protocol,
        source,
        destination,
        config=loaded.config,
        at=at,
        icmp=icmp,
        flags=flags,
        fragment=fragment,
        dscp=dscp,
        vrf=vrf,
        reply=not no_reply,
    )
    rehearsal = ask_rehearsal(
        loaded,
        question.flow,
        reply=question.reply,
        packets=packets,
        namespaces=namespaces,
        seconds=seconds,
        progress=_tell if sys.stderr.isatty() else lambda _: None,
    )

    def document(_: Paint) -> str:
        from pathcheck.reports.json_report import render_json
        from pathcheck.reports.rehearsal_json import rehearsal_document

        return render_json(rehearsal_document(rehearsal))

    def text(paint: Paint) -> str:
        from pathcheck.reports.rehearsal_text import render_rehearsal

        return render_rehearsal(rehearsal, paint)

    write_reports(targets, {"text": text, "json": document})
    return {True: HOLDS, False: BROKEN, None: UNCERTAIN}[rehearsal.agrees]


def _tell(step: str) -> None:
    typer.echo(step, err=True)
