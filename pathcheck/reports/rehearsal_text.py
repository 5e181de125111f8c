"""A rehearsal as text: whether the kernel agrees first, then what the two say of each group of packets."""

from __future__ import annotations

from pathcheck.model.flow import EntryPoint
from pathcheck.reports.caution import CAUTION
from pathcheck.reports.region_words import packet_words
from pathcheck.reports.terminal import Paint, flow_words
from pathcheck.results.rehearsal import Fate, Rehearsal, RehearsedGroup, Standing
from pathcheck.results.verdict import Reason, Verdict

__all__ = ["render_rehearsal"]

_MOST_GROUPS = 12
_MOST_WAYS = 4
_MOST_DEVICES = 16

_HEADLINES = {
    True: ("AGREES", Verdict.PERMITTED, "the kernel did with each packet what the model says"),
    False: ("DISAGREES", Verdict.DENIED, "the kernel did otherwise than the model says: one of the two is wrong"),
    None: ("UNCERTAIN", Verdict.UNCERTAIN, "the two could not be compared on all packets"),
}
_STANDING = {
    Standing.AGREE: "agree",
    Standing.DISAGREE: "DISAGREE",
    Standing.OPEN: "the model is uncertain",
    Standing.UNTOLD: "the kernel cannot judge",
}


def render_rehearsal(rehearsal: Rehearsal, paint: Paint) -> str:
    """Return the whole rehearsal as text."""
    word, colour, meaning = _HEADLINES[rehearsal.agrees]
    out = [f"{paint(word, colour)}  {meaning if rehearsal.obstacle is None else 'nothing was rehearsed'}"]
    out.append(f"  {flow_words(rehearsal.flow)}")
    said = _verdict(rehearsal.verdict, rehearsal.reason)
    if rehearsal.reply_verdict is not None:
        said += f"; the reply {_verdict(rehearsal.reply_verdict, rehearsal.reply_reason)}"
    out.append(f"  the model says: {said}")
    if rehearsal.obstacle is not None:
        out += ["", f"  not rehearsed: {rehearsal.obstacle}"]
    for group in rehearsal.groups[:_MOST_GROUPS]:
        out += ["", *_group(group)]
    if len(rehearsal.groups) > _MOST_GROUPS:
        out += ["", f"  and {len(rehearsal.groups) - _MOST_GROUPS} more groups of packets; --json shows all"]
    if rehearsal.groups:
        counts = ", ".join(f"{count} {_STANDING[it]}" for it, count in rehearsal.counts.items() if count)
        out += ["", f"  packets: {counts}"]
        more = len(rehearsal.devices) - _MOST_DEVICES
        names = ", ".join(rehearsal.devices[:_MOST_DEVICES]) + (f" and {more} more" if more > 0 else "")
        out.append(f"  loaded: {names} ({rehearsal.namespaces} namespaces)")
        out.append(f"  kernel: {rehearsal.kernel}")
    out += [f"  note: {note}" for note in rehearsal.notes]
    return "\n".join([*out, "", CAUTION])


def _verdict(verdict: Verdict, reason: Reason | None) -> str:
    return verdict.value if reason is None else f"{verdict.value}, {reason.value}"


def _group(group: RehearsedGroup) -> list[str]:
    """What the two say of packets that fared alike."""
    one = group.packets == 1
    noun = ("reply" if one else "replies") if group.reply else ("packet" if one else "packets")
    out = [f"  {group.packets} {noun} {_entered(group.at, one)}: {_STANDING[group.standing]}"]
    if group.standing is Standing.AGREE:
        out += _fate("both", group.kernel)
        if len(group.model) > 1:
            out.append(f"            one of {len(group.model)} equal ways that the model knows")
    else:
        for number, fate in enumerate(group.model[:_MOST_WAYS]):
            out += _fate("or" if number else "model", fate)
        if len(group.model) > _MOST_WAYS:
            out.append(f"    or      one of {len(group.model) - _MOST_WAYS} more equal ways")
        if not group.model:
            out.append("    model   knows no such packet here")
        out += _fate("kernel", group.kernel)
        if group.standing is Standing.OPEN:
            out.append("            which has nothing of the line that makes the model uncertain")
    if group.difference is not None:
        out.append(f"    they differ: {group.difference}")
    return [*out, f"    for example {packet_words(group.sample)}"]


def _entered(at: EntryPoint, one: bool) -> str:
    if at.interface is None:
        return f"that {at.device} sends itself"
    return f"that {'arrives' if one else 'arrive'} at {at.device}:{at.interface}"


def _fate(who: str, fate: Fate) -> list[str]:
    """What one of the two says: the verdict, the way, the line."""
    verdict = "cannot tell" if fate.reason is None else _verdict(fate.reason.verdict, fate.reason)
    ways = []
    for hop in fate.hops:
        inner = " > ".join(filter(None, (hop.into, hop.out)))
        ways.append(f"{hop.device}({inner})" if inner else hop.device)
    out = [f"    {who:<7} {verdict}  {' '.join(ways)}".rstrip()]
    if fate.line is not None:
        place = f"  ({fate.line.span.file}:{fate.line.span.line})" if fate.line.span else ""
        out.append(f"            by {fate.line.acl}: {fate.line.text.strip()}{place}")
    if fate.why:
        out.append(f"            {fate.why}")
    return out
