"""Whether devices can be managed, as text: the chain of each that cannot, one line for each that can."""

from __future__ import annotations

from pathcheck.reports.caution import CAUTION
from pathcheck.reports.diagnostic import quote_line
from pathcheck.reports.region_words import packet_words
from pathcheck.reports.terminal import Paint
from pathcheck.results.manageability import LINK_KINDS, ChainLink, ManageabilityReport, ManagementAnswer
from pathcheck.results.own_traffic import ServerAnswer
from pathcheck.results.verdict import Verdict
from pathcheck.source import Span

__all__ = ["render_manageability"]

_STATES = {
    "holds": ("ok", Verdict.PERMITTED),
    "assumed": ("assumed", Verdict.PARTLY),
    "broken": ("BROKEN", Verdict.DENIED),
    "uncertain": ("UNCERTAIN", Verdict.UNCERTAIN),
}
_WIDTH = max(map(len, LINK_KINDS.values()))


def render_manageability(report: ManageabilityReport, paint: Paint, *, whole: bool = False) -> str:
    """Return the report.

    Parameters
    ----------
    whole
        Whether the chain of devices that can be managed is shown as well.
    """
    out = [f"session: {report.session}, from {report.controller}", ""]
    if report.why_not_judged is not None:
        out += [f"nothing was judged: {report.why_not_judged}"]
        out += [f"help: {report.help}"] if report.help else []
        return "\n".join([*out, "", CAUTION])
    order = {False: 0, None: 1, True: 2}
    for answer in sorted(report.answers, key=lambda it: order[it.holds]):
        out += _device(answer, paint, whole=whole)
    lost = sum(answer.holds is False for answer in report.answers)
    unjudged = sum(answer.why_not_judged is not None for answer in report.answers)
    open_ = sum(answer.holds is None for answer in report.answers) - unjudged
    words = [
        f"{sum(answer.holds is True for answer in report.answers)} manageable",
        f"{lost} not",
        f"{open_} uncertain",
    ]
    words += [f"{unjudged} not judged"] if unjudged else []
    total = len(report.answers)
    out += [] if out[-1] == "" else [""]
    return "\n".join([*out, f"{total} device{'' if total == 1 else 's'}: {', '.join(words)}", "", CAUTION])


def _device(answer: ManagementAnswer, paint: Paint, *, whole: bool) -> list[str]:
    """Return the lines on one device."""
    where = f"{answer.device}" + (f"  {answer.address}" if answer.address is not None else "")
    if answer.why_not_judged is not None:
        return [f"not judged  {where}", f"  {answer.why_not_judged}", ""]
    words, colour = {
        True: ("manageable", Verdict.PERMITTED),
        False: ("NOT MANAGEABLE", Verdict.DENIED),
        None: ("UNCERTAIN", Verdict.UNCERTAIN),
    }[answer.holds]
    servers = [it for it in answer.servers if whole or answer.holds is not True or not it.need.holds]
    shown = answer.links if whole or not answer.holds else ()
    out = [f"{paint(words, colour)}  {where}"]
    width = max([len(_STATES[link.state][0]) for link in shown] + [len(_server_state(it)) for it in servers], default=0)
    for link in shown:
        out += _link(link, paint, width)
    if not answer.holds and answer.sample is not None:
        out.append(f"  {'':{width}}  for example {packet_words(answer.sample)}")
    for server in servers:
        out += _server(server, answer.told, paint, width)
    readings = answer.readings if whole or not answer.holds else ()
    out += [f"  {'':{width}}  assumed: {it.key} = {it.value} ({it.about})" for it in readings]
    return [*out, ""] if len(out) > 1 else out


def _link(link: ChainLink, paint: Paint, width: int) -> list[str]:
    """Return the lines on one link; one that breaks is quoted, with what to do."""
    word, colour = _STATES[link.state]
    place = f"  ({link.span})" if link.span is not None else ""
    head = f"  {paint(f'{word:{width}}', colour)}  {LINK_KINDS[link.kind]:{_WIDTH}}  {_clean(link.message)}{place}"
    if link.state in ("holds", "assumed"):
        return [head]
    indent = " " * (width + 4)
    out = [head]
    out += [quote_line(link.span, indent=indent)] if link.span is not None else []
    return [*out, f"{indent}help: {link.help}"] if link.help else out


def _server(server: ServerAnswer, told: Span | None, paint: Paint, width: int) -> list[str]:
    """Return the lines on one server."""
    state = _server_state(server)
    colour = {True: Verdict.PERMITTED, False: Verdict.DENIED, None: Verdict.UNCERTAIN}[server.need.holds]
    source = f" from {server.source}" if server.source is not None else ""
    subject = f"{server.kind} server"
    reached = f"{server.server} port {server.port}{source}"
    if server.need.holds:
        return [f"  {paint(f'{state:{width}}', colour)}  {subject:{_WIDTH}}  {reached}  ({server.span})"]
    place = f"  ({server.need.span})" if server.need.span is not None else ""
    if told is not None and told == server.need.span:
        return [f"  {paint(f'{state:{width}}', colour)}  {subject:{_WIDTH}}  {reached}: by the same line{place}"]
    return [
        f"  {paint(f'{state:{width}}', colour)}  {subject:{_WIDTH}}  {reached}: {_clean(server.need.message)}{place}",
        *([f"{' ' * (width + 4)}help: {server.need.help}"] if server.need.help else []),
    ]


def _server_state(server: ServerAnswer) -> str:
    """Return how a server stands, in a word."""
    return {True: "ok", False: "lost", None: "unknown"}[server.need.holds]


def _clean(text: str) -> str:
    """Text in one line, without characters that a terminal acts on."""
    return "".join(character if character.isprintable() else " " for character in text)
