"""All devices of a fleet: can each be managed, and what does each reach of what its lines name."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

from pathcheck.errors import UnknownNameError, nearest
from pathcheck.model.fleet_config import FleetConfig
from pathcheck.packet.protocol import protocol_name
from pathcheck.queries.flow import network_of
from pathcheck.queries.manageability.judging import judge_management
from pathcheck.queries.manageability.session import controller_prefixes
from pathcheck.queries.own_traffic.servers import judge_servers
from pathcheck.results.catalogue import finding
from pathcheck.results.finding import Finding
from pathcheck.results.manageability import LINK_KINDS, ManageabilityReport, ManagementAnswer
from pathcheck.source import Span

__all__ = ["judge_fleet", "management_findings"]


def judge_fleet(
    config: FleetConfig,
    devices: Sequence[str] = (),
    *,
    servers: bool = True,
    chain: bool | None = True,
    advance: Callable[[int], None] = lambda _: None,
) -> ManageabilityReport:
    """Judge the controller's session to each device, and the servers that the devices' lines name.

    Parameters
    ----------
    devices
        By name; all where none is named.
    servers
        Whether servers are judged.
    chain
        As for :func:`judge_management`.
    advance
        Hears of each device that is done, by 1.

    Raises
    ------
    UnknownNameError
        The fleet has no such device.
    CapacityError, InternalFault
        As :func:`judge_management`.
    """
    for name in devices:
        if name not in config.devices:
            near = nearest(name, config.devices)
            raise UnknownNameError(f"no device `{name}` in the fleet", help=f"did you mean `{near}`?" if near else None)
    answers = []
    for name in dict.fromkeys(devices) if devices else config.devices:
        answer = judge_management(config, name, chain=chain)
        if answer.holds is not True and answer.why_not_judged is None:
            answer = replace(answer, flow=judge_management(config, name, chain=False, answer=True).flow)
        if servers:
            answer = replace(answer, servers=judge_servers(network_of(config), name))
        answers.append(answer)
        advance(1)
    why, help_ = _why_not(config, answers)
    session = config.session
    prefixes = ", ".join(str(it.first) if it.size == 1 else str(it) for it in controller_prefixes(config))
    named = session.source in config.places
    return ManageabilityReport(
        f"{session.source} ({prefixes})" if named else session.source,
        f"{protocol_name(session.protocol, 4)} port {session.ports}",
        tuple(answers),
        why,
        help_,
    )


def _why_not(config: FleetConfig, answers: Sequence[ManagementAnswer]) -> tuple[str | None, str | None]:
    """Return why no device could be judged, and what to add; nothing where one was."""
    if not answers or any(answer.why_not_judged is None for answer in answers):
        return None, None
    source = config.session.source
    if not controller_prefixes(config):
        return (
            f"no place `{source}` says where the controller's sessions come from",
            f"add `places: {{{source}: ADDRESS}}` to `fleet.yaml`, or `session: {{source: ADDRESS}}`",
        )
    if all(answer.address is None for answer in answers):
        return (
            "no device has a management address",
            "give each device `management: ADDRESS` in `fleet.yaml`",
        )
    return answers[0].why_not_judged, "put the controller on a subnet of the fleet, by the text of the router there"


def management_findings(config: FleetConfig, report: ManageabilityReport) -> Iterator[Finding]:
    """Return PC340 and PC341 for the devices that are not manageable, or may not be, and PC342 once."""
    if report.why_not_judged is not None:
        spans = [it.management_span for it in config.devices.values() if it.management_span is not None]
        yield finding(
            "PC342",
            f"whether the devices can be managed was not judged: {report.why_not_judged}",
            span=spans[0] if spans else None,
            help=report.help,
        )
        return
    for answer in report.answers:
        asked = f"{answer.device} at {answer.address}"
        own = config.devices[answer.device].management_span
        if answer.broken is not None:
            link = answer.broken
            yield finding(
                "PC340",
                f"the controller cannot manage {asked}: {link.message} ({LINK_KINDS[link.kind]})",
                span=link.span or own,
                device=answer.device,
                acl=link.acl,
                because=_others((*link.because, own), link.span or own),
                sample=answer.sample,
                help=link.help,
            )
        elif answer.uncertain is not None:
            link = answer.uncertain
            yield finding(
                "PC341",
                f"whether the controller can manage {asked} is not known: {link.message}",
                span=link.span or own,
                device=answer.device,
                because=_others((own,), link.span or own),
            )


def _others(spans: Sequence[Span | None], span: Span | None) -> tuple[Span, ...]:
    """Return lines once each, without one of them, by file and line."""
    known = {
        (it.file, it.line): it
        for it in spans
        if it is not None and (span is None or (it.file, it.line) != (span.file, span.line))
    }
    return tuple(known[key] for key in sorted(known))
