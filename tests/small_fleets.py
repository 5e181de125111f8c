"""Fleets of a few devices, written as text where they are asked about."""

from __future__ import annotations

from textwrap import dedent

from pathcheck.fleet import LoadedFleet, load_fleet_files
from pathcheck.parser.flow_words import read_flow_line
from pathcheck.queries.flow import ask_flow
from pathcheck.results.path import FlowAnswer, Path


def fleet_of(*texts: str, fleet_yaml: str = "") -> LoadedFleet:
    """Return a fleet of device texts, each with a `hostname` line."""
    files = {f"device-{number}.cfg": dedent(text).encode() for number, text in enumerate(texts)}
    if fleet_yaml:
        files["fleet.yaml"] = dedent(fleet_yaml).encode()
    return load_fleet_files(files)


def ask(fleet: LoadedFleet, words: str) -> FlowAnswer:
    """Ask a flow in the words of the command line."""
    question = read_flow_line(words, fleet.config)
    return ask_flow(fleet, question.flow, reply=question.reply)


def ends(answer: FlowAnswer) -> tuple[str, str | None]:
    """Return verdict and reason as words."""
    return str(answer.verdict), None if answer.reason is None else str(answer.reason)


def way(path: Path) -> list[str]:
    """Return the devices of a path with the interfaces where packets arrive and leave."""
    return [f"{hop.into or '-'}>{hop.device}>{hop.out or '-'}" for hop in path.hops]


def notes(answer: FlowAnswer) -> str:
    """Return all that an answer notes, for looking words up."""
    found = list(answer.notes)
    for path in answer.paths:
        found.extend(path.notes)
        found.extend(note for hop in path.hops for note in hop.notes)
    return "\n".join(found)
