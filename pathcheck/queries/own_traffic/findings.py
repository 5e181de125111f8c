"""What devices cannot reach of what they need, as findings."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from pathcheck.results.catalogue import finding
from pathcheck.results.finding import Finding
from pathcheck.results.own_traffic import ServerAnswer
from pathcheck.source import Span

__all__ = ["server_findings"]


def server_findings(answers: tuple[ServerAnswer, ...], told: Span | None = None) -> Iterator[Finding]:
    """Return PC343 for servers of one device that are not reached, and PC344 where that is not known.

    Servers that are lost for one and the same reason are one finding.

    Parameters
    ----------
    told
        A line that keeps the device from everything, which is a finding already: servers that are lost
        by it are left out.
    """
    groups: dict[tuple[bool | None, str, Span | None], list[ServerAnswer]] = {}
    for answer in answers:
        need = answer.need
        if not need.holds and (need.span is None or need.span != told):
            # What is not known is told at the line that names the server.
            groups.setdefault((need.holds, need.message, need.span), []).append(answer)
    for (holds, message, span), lost in groups.items():
        device, need = lost[0].device, lost[0].need
        words = _listed([f"{it.kind} {it.server}" for it in lost])
        one = len(lost) == 1
        if holds is None:
            yield finding(
                "PC344",
                f"whether {device} reaches its server{'' if one else 's'} {words} is not known: {message}",
                span=lost[0].span,
                device=device,
                because=_others((*(it.span for it in lost), span), lost[0].span),
            )
            continue
        place = span or lost[0].span
        yield finding(
            "PC343",
            f"{device} does not reach its server{'' if one else 's'} {words}: {message}",
            span=place,
            device=device,
            acl=need.acl,
            because=_others((*need.because, *(it.span for it in lost)), place),
            sample=need.sample,
            help=need.help,
        )


def _listed(words: list[str]) -> str:
    """Words with commas and an `and`."""
    return " and ".join((", ".join(words[:-1]), words[-1])) if len(words) > 1 else words[0]


def _others(spans: tuple[Span | None, ...], span: Span) -> tuple[Span, ...]:
    """Return lines once each, without one of them, by file and line."""
    known: Mapping[tuple[str, int], Span] = {
        (it.file, it.line): it for it in spans if it is not None and (it.file, it.line) != (span.file, span.line)
    }
    return tuple(known[key] for key in sorted(known))
