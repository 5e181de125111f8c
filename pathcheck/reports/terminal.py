"""Results as text for a terminal: the verdict first, then the way, then the line that decides."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping

from pathcheck.reports.caution import CAUTION
from pathcheck.reports.diagnostic import quote_line
from pathcheck.reports.region_words import box_words, packet_words
from pathcheck.results.account import LineClass, ReadingReport
from pathcheck.results.finding import Finding, Severity
from pathcheck.results.path import Doubt, FlowAnswer, Hop, LineUse, ListAnswer, Path, Reading, RouteUse
from pathcheck.results.region import Region
from pathcheck.results.verdict import Reason, Verdict

__all__ = [
    "Paint",
    "count_words",
    "finding_lines",
    "flow_words",
    "render_flow",
    "render_list_answer",
    "render_parse",
]

_MEANING = {
    Reason.ARRIVED: "it reaches its destination",
    Reason.HANDED_OVER: "it is handed to a next hop that is no device of the fleet",
    Reason.FILTERED: "an access list drops it",
    Reason.UNROUTED: "no route matches",
    Reason.DISCARDED: "a discard route matches",
    Reason.STRANDED: "the next hop cannot be reached",
    Reason.LOOPING: "it comes back to where it was",
    Reason.UNMODELLED: "configuration that is not modelled could change the answer",
}
_COLOURS = {
    Verdict.PERMITTED: "1;32",
    Verdict.DENIED: "1;31",
    Verdict.PARTLY: "1;35",
    Verdict.UNCERTAIN: "1;33",
    Severity.ERROR: "1;31",
    Severity.WARNING: "1;33",
    Severity.NOTE: "1;36",
}
_MOST_PATHS = 8
_MOST_REGIONS = 4


class Paint:
    """Colours for a terminal, or none.

    Parameters
    ----------
    on
        Whether to colour: standard output is a terminal and NO_COLOR is not set.
    """

    def __init__(self, on: bool = False) -> None:
        self.on = on

    def __call__(self, text: str, what: Verdict | Severity) -> str:
        """Return the text in the colour of a verdict or a severity."""
        return f"\033[{_COLOURS[what]}m{text}\033[0m" if self.on else text


def render_flow(answer: FlowAnswer, paint: Paint) -> str:
    """Return the answer for one flow and its reply."""
    out = [_headline(answer, paint, "flow"), *_answer_body(answer, paint)]
    if answer.reply is not None:
        out += ["", _headline(answer.reply, paint, "reply"), *_answer_body(answer.reply, paint)]
    return "\n".join([*out, "", CAUTION])


def render_list_answer(answer: ListAnswer, paint: Paint) -> str:
    """Return what one list alone decides."""
    verdict = paint(answer.verdict.value.upper(), answer.verdict)
    out = [f"{verdict} by list {answer.acl} of {answer.device} alone, no routing", f"  {flow_words(answer.flow)}"]
    shown = [(use, part) for use, part in answer.lines]
    for use, part in shown[:_MOST_PATHS]:
        out += ["", *_deciding(use)]
        if len(shown) > 1:
            out += _regions(part, "decides")
    if len(shown) > _MOST_PATHS:
        out += ["", f"  and {len(shown) - _MOST_PATHS} more lines that decide a part; --json shows all"]
    if answer.sample is not None:
        out += ["", f"  for example {packet_words(answer.sample)}"]
    out += _remarks(answer.doubts, answer.readings, answer.notes)
    return "\n".join([*out, "", CAUTION])


def render_parse(report: ReadingReport, paint: Paint, *, most: int = 40) -> str:
    """Return the account of lines, each line that is not modelled or ignored, then what else reading found."""
    rows = [["file", "device", "lines", *(kind.value for kind in LineClass)]]
    for account in report.files:
        if account.refused is None:
            counts = (str(account.counts.get(kind, 0)) for kind in LineClass)
            rows.append([account.file, account.device or "", str(account.lines), *counts])
    out = [_table(rows)] if len(rows) > 1 else []
    refused = [account for account in report.files if account.refused is not None]
    out += [f"{account.file}: refused: {account.refused}" for account in refused]
    if not report.files:
        out.append("no configuration was found")
    marked = [record for account in report.files for record in account.records]
    for kind in (LineClass.WRONG, LineClass.UNKNOWN, LineClass.UNMODELLED):
        records = [record for record in marked if record.line_class is kind]
        if records:
            out += ["", f"{kind.value} ({len(records)})"]
            for record in records[:most]:
                out.append(f"  {record.span.file}:{record.span.line}: {_short(record.span.words)}")
                if record.why:
                    out.append(f"      {record.why}")
            if len(records) > most:
                out.append(f"  and {len(records) - most} more; --json shows all findings")
    listed = {(record.span.file, record.span.line) for record in marked}
    others = [item for item in report.findings if not _is_listed(item, listed)]
    for item in others[:most]:
        out += ["", *finding_lines(item, paint)]
    if len(others) > most:
        out += ["", f"and {len(others) - most} more findings; --json shows all"]
    number = {severity: sum(item.severity is severity for item in report.findings) for severity in Severity}
    return "\n".join([*out, "", count_words(number)])


_LISTED_CODES = ("PC401", "PC402", "PC412")
"""Findings that say of a line what its row in the account says."""


def _is_listed(item: Finding, lines: Collection[tuple[str, int]]) -> bool:
    """Whether the account of lines shows a finding by itself."""
    if item.code == "PC403":
        return True
    return item.code in _LISTED_CODES and item.span is not None and (item.span.file, item.span.line) in lines


def finding_lines(item: Finding, paint: Paint) -> list[str]:
    """Return the lines on one finding: what and where, the line quoted, why, a packet, what to do."""
    place = f"{item.span.file}:{item.span.line}" if item.span else item.device or ""
    where = " ".join(filter(None, [item.device, f"list {item.acl}" if item.acl else ""]))
    severity = paint(item.severity.value, item.severity)
    out = [f"{severity} {item.title}  {place}" + (f"  ({where})" if where else "")]
    if item.span:
        out.append(quote_line(item.span))
    out.append(f"  {item.message}")
    out += [f"  because of {span.file}:{span.line}: {_short(span.words)}" for span in item.because]
    if item.sample is not None:
        out.append(f"  for example {packet_words(item.sample)}")
    if item.help:
        out.append(f"  help: {item.help}")
    return out


def count_words(counts: Mapping[Severity, int]) -> str:
    """Return how many findings there are of each severity, in words."""
    if not any(counts.values()):
        return "no findings"
    return ", ".join(_count(number, severity.value) for severity, number in counts.items())


def _headline(answer: FlowAnswer, paint: Paint, what: str) -> str:
    """The verdict, its reason, and the flow in words."""
    verdict = paint(answer.verdict.value.upper(), answer.verdict)
    because = f"  {answer.reason.value}: {_MEANING[answer.reason]}" if answer.reason else ""
    if answer.reason is None and answer.verdict is not Verdict.PARTLY:
        because = "  " + ", ".join(dict.fromkeys(path.reason.value for path in answer.paths))
    if answer.verdict is Verdict.PARTLY:
        because = "  some of it passes and some does not"
    lead = "" if what == "flow" else "reply "
    return f"{lead}{verdict}{because}\n  {flow_words(answer.flow)}"


def _answer_body(answer: FlowAnswer, paint: Paint) -> list[str]:
    """Paths and notes of one direction; what paths have in common is said once, behind the last of them."""
    out: list[str] = []
    shown = answer.paths[:_MOST_PATHS]
    for number, path in enumerate(shown, 1):
        out.append("")
        if len(answer.paths) > 1:
            verdict = paint(path.verdict.value, path.verdict)
            share = "" if path.share == "all" else f", {_SHARE[path.share]}"
            out.append(f"  path {number} of {len(answer.paths)}: {verdict}, {path.reason.value}{share}")
            if path.share == "part":
                out += _regions(path.regions, "carries")
        out += _way(path)
        ending = _ending(path)
        if number == len(shown) or _ending(shown[number]) != ending:
            out += ending
    if len(answer.paths) > _MOST_PATHS:
        out += ["", f"  and {len(answer.paths) - _MOST_PATHS} more paths; --json shows all"]
    if answer.notes:
        out += ["", *(f"  note: {note}" for note in answer.notes)]
    return out


_SHARE = {"part": "a part of the packets", "equal-cost": "one of several equal ways"}


def _way(path: Path) -> list[str]:
    """The hops of a path, a row for each thing that was decided."""
    rows: list[list[str]] = []
    for number, hop in enumerate(path.hops, 1):
        ends_in_doubt = number == len(path.hops) and path.reason is Reason.UNMODELLED
        rows += _hop_rows(hop, ends_in_doubt=ends_in_doubt)
    width = max((len(row[0]) for row in rows), default=0)
    middle = max((len(row[1]) for row in rows), default=0)
    out = [f"    {row[0]:<{width}}  {row[1]:<{middle}}  {row[2]}".rstrip() for row in rows]
    if path.cycle:
        out.append(f"    the loop: {' > '.join(path.cycle)}")
    # A fault with its line is told where the path ends.
    told = {f"{fault.why} ({fault.span})" for hop in path.hops for fault in hop.faults if fault.span}
    return out + [f"    note: {note}" for hop in path.hops for note in hop.notes if note not in told]


def _ending(path: Path) -> list[str]:
    """The line that decides a path, a packet of it, and what makes it uncertain or was assumed."""
    out: list[str] = []
    decisive = _decisive_line(path)
    faults = [fault for hop in path.hops for fault in hop.faults]
    if decisive is not None:
        out += ["", *_deciding(decisive)]
    elif faults:
        for fault in faults:
            out += ["", f"  {path.reason.value}: {fault.why}" + (f", {fault.span}" if fault.span else "")]
            if fault.span is not None:
                out.append(quote_line(fault.span, indent="    "))
    elif path.reason in (Reason.DISCARDED, Reason.STRANDED) and path.hops and path.hops[-1].route:
        span = path.hops[-1].route.span
        if span is not None:
            out += ["", f"  decided by the route at {span.file}:{span.line}", quote_line(span, indent="    ")]
    if path.sample is not None and path.share != "all":
        out.append(f"    for example {packet_words(path.sample)}")
    return out + _remarks(path.doubts, path.readings, path.notes)


def _hop_rows(hop: Hop, *, ends_in_doubt: bool) -> list[list[str]]:
    """The rows of one device: where packets come in, the route, where they go out.

    Where nobody can say how packets go on, lists that stand behind that point were not asked, so nothing is said
    of them.
    """
    entered = "" if ends_in_doubt and hop.route is None and hop.in_line is None else _list_words(hop.in_line)
    rows = [[hop.device, f"in {hop.into}" if hop.into else "starts here", entered]]
    if hop.port_line is not None:
        rows.append(["", "", _list_words(hop.port_line)])
    if hop.route is not None:
        rows.append(["", "route", _route_words(hop.route)])
    if hop.out is not None:
        left = "" if ends_in_doubt and hop.out_line is None else _list_words(hop.out_line)
        rows.append(["", f"out {hop.out}", left])
    return rows


def _route_words(route: RouteUse) -> str:
    """A route in one phrase with its place."""
    via = f" via {route.next_hop}" if route.next_hop else ""
    place = f"  ({route.span.file}:{route.span.line})" if route.span else ""
    return f"{route.prefix} {route.source}{via}{place}"


def _list_words(use: LineUse | None) -> str:
    """What a list decided, in one phrase with its place."""
    if use is None:
        return "no list"
    place = f"  ({use.span.file}:{use.span.line})" if use.span else ""
    return f"{use.acl}: {_short(use.text)}{place}"


def _decisive_line(path: Path) -> LineUse | None:
    """The line that drops the packets; for a permitted path the last one that let them through."""
    uses = [use for hop in path.hops for use in (hop.in_line, hop.port_line, hop.out_line) if use is not None]
    if path.reason is Reason.FILTERED:
        return next((use for use in reversed(uses) if use.action == "deny"), None)
    return uses[-1] if uses and path.verdict is Verdict.PERMITTED else None


def _deciding(use: LineUse) -> list[str]:
    """The deciding line, quoted from the file."""
    verb = {"permit": "permitted", "deny": "denied"}.get(use.action, "left open")
    if use.span is None:
        return [f"  {verb} by list {use.acl}: {use.text}"]
    return [f"  {verb} by list {use.acl}, {use.span.file}:{use.span.line}", quote_line(use.span, indent="    ")]


def _remarks(doubts: Iterable[Doubt], readings: Iterable[Reading], notes: Iterable[str]) -> list[str]:
    """What makes it uncertain, what it rested on, what else to know."""
    out = []
    for doubt in doubts:
        out += ["", f"  uncertain: {doubt.why}" + (f", {doubt.span.file}:{doubt.span.line}" if doubt.span else "")]
        if doubt.span is not None:
            out.append(quote_line(doubt.span, indent="    "))
    out += [f"  assumed: {item.key} = {item.value} ({item.about})" for item in readings]
    return out + [f"  note: {note}" for note in notes]


def _regions(regions: tuple[Region, ...], verb: str) -> list[str]:
    """A few rows of packets."""
    out = []
    for region in regions[:_MOST_REGIONS]:
        words = box_words(region.box)
        ends = [
            _bare_hosts(str(words[end])) + ("" if words[f"{end}_port"] == "any" else f" port {words[f'{end}_port']}")
            for end in ("source", "destination")
        ]
        extra = "".join(f", {key} {words[key]}" for key in ("flags", "icmp", "dscp") if key in words)
        extra += ", non-initial fragments" if words.get("fragment") is True else ""
        out.append(f"    {verb} {words['protocol']} {ends[0]} to {ends[1]}{extra}")
    if len(regions) > _MOST_REGIONS:
        out.append(f"    and {len(regions) - _MOST_REGIONS} more rows")
    return out


def flow_words(flow: dict[str, str]) -> str:
    """Return a flow in one line."""
    ends = [
        _bare_hosts(flow[end]) + ("" if flow.get(f"{end}_port", "any") == "any" else f" port {flow[f'{end}_port']}")
        for end in ("source", "destination")
    ]
    basic = {"protocol", "source", "source_port", "destination", "destination_port"}
    narrow = {key: value for key, value in flow.items() if key not in basic}
    fragment = ", non-initial fragments" if narrow.pop("fragment", None) == "true" else ""
    extra = "".join(f", {key} {value}" for key, value in narrow.items()) + fragment
    return f"{flow['protocol']} from {ends[0]} to {ends[1]}{extra}"


def _bare_hosts(addresses: str) -> str:
    """Addresses as people write them: a prefix of full length is one address."""
    return ",".join(
        word.removesuffix("/128" if ":" in word else "/32") for word in addresses.split(",")
    )  # fmt: skip


def _table(rows: list[list[str]]) -> str:
    """Columns side by side, numbers to the right."""
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    return "\n".join(
        "  ".join(cell.ljust(width) if column < 2 else cell.rjust(width)
                  for column, (cell, width) in enumerate(zip(row, widths, strict=True))).rstrip()
        for row in rows
    )  # fmt: skip


def _count(number: int, noun: str) -> str:
    """A number with its noun in the right form."""
    return f"{number} {noun}" + ("" if number == 1 else "s")


def _short(text: str, most: int = 110) -> str:
    """A line cut to what fits, unprintable characters replaced."""
    clean = "".join(character if character.isprintable() else " " for character in text).strip()
    return clean if len(clean) <= most else f"{clean[: most - 3]}..."
