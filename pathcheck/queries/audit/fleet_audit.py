"""The audit of a whole fleet: each subject once, what follows from another finding left out."""

from __future__ import annotations

from collections.abc import Iterator

from pathcheck.errors import UnknownNameError, nearest
from pathcheck.fleet import LoadedFleet
from pathcheck.model.fleet_config import LinkEnd
from pathcheck.queries.audit.addresses import (
    duplicate_addresses,
    duplicates,
    reserved_addresses,
    stray_virtual_addresses,
)
from pathcheck.queries.audit.cable_ends import cable_mismatches, uneven_trunks
from pathcheck.queries.audit.fleet_view import FleetView
from pathcheck.queries.audit.gateways import gateways
from pathcheck.queries.audit.identity import identity_findings
from pathcheck.queries.audit.names import (
    applied_lists,
    group_names,
    open_terminal_lines,
    unapplied_lists,
    vrf_names,
)
from pathcheck.queries.audit.subnets import different_masks, links_without_common_subnet, overlapping_subnets
from pathcheck.queries.audit.vlan_carriage import cut_vlans, vlans_not_carried
from pathcheck.queries.audit.vlan_database import (
    idle_settings,
    interfaces_without_port,
    undefined_vlans,
    unused_vlans,
)
from pathcheck.results.finding import Finding
from pathcheck.source import Span

__all__ = ["audit_fleet"]

_FOUND_BY_READING = frozenset({"PC304", "PC404", "PC411", "PC413", "PC414"})
"""Findings on addresses and names that reading meets first."""


def audit_fleet(loaded: LoadedFleet, *, device: str | None = None) -> tuple[Finding, ...]:
    """Return the findings on addresses, gateways, VLANs, cables and names, and on which switch becomes which host.

    Parameters
    ----------
    device
        Only findings on this device, and those in which a line of it has a part.

    Returns
    -------
    tuple
        In the order of file, line and code. What reading found of these subjects (PC304, PC404,
        PC411, PC413, PC414) is among them.

    Raises
    ------
    UnknownNameError
        The fleet has no such device.
    """
    devices = loaded.config.devices
    if device is not None and device not in devices:
        near = nearest(device, devices)
        raise UnknownNameError(f"no device `{device}` in the fleet", help=f"did you mean `{near}`?" if near else None)
    view = FleetView(loaded.config)
    found = [*_all_findings(view), *identity_findings(loaded, view), *_blank_switches(loaded), *loaded.secrets]
    found += [item for item in loaded.report.findings if item.code in _FOUND_BY_READING]
    if device is not None:
        files = set(devices[device].files)
        found = [item for item in found if item.device == device or any(span.file in files for span in item.because)]
    return tuple(sorted(dict.fromkeys(found), key=_place))


def _blank_switches(loaded: LoadedFleet) -> Iterator[Finding]:
    """Judge blank switches, where the fleet says how they start."""
    if loaded.config.bootstrap:
        from pathcheck.queries.bootstrap import bootstrap_findings, judge_bootstrap

        yield from bootstrap_findings(judge_bootstrap(loaded))


def _all_findings(view: FleetView) -> list[Finding]:
    """Ask each subject, those first that others need in order to leave something out."""
    shared = duplicates(view)
    duplicated = {item.end for group in shared for item in group}
    undefined = undefined_vlans(view)
    mismatches = cable_mismatches(view)
    mismatched = {end for item in mismatches for end in item.ends}
    wrong_modes = {end for item in mismatches if item.found.code == "PC323" for end in item.ends}
    cuts = cut_vlans(view)
    told: set[tuple[LinkEnd, int]] = {
        (end, cut.fault.vlan) for cut in cuts if cut.fault.vlan is not None for end in cut.fault.ends
    }
    return [
        *duplicate_addresses(view, shared),
        *overlapping_subnets(view),
        *different_masks(view),
        *reserved_addresses(view),
        *stray_virtual_addresses(view),
        *links_without_common_subnet(view, duplicated),
        *gateways(view, duplicated),
        *undefined.values(),
        *unused_vlans(view),
        *interfaces_without_port(view, undefined, {segment for cut in cuts for segment in cut.segments}),
        *idle_settings(view, wrong_modes),
        *vlans_not_carried(cuts, undefined=undefined, mismatched=mismatched),
        *(item.found for item in mismatches),
        *uneven_trunks(view, told),
        *applied_lists(view),
        *unapplied_lists(view),
        *group_names(view),
        *vrf_names(view),
        *open_terminal_lines(view),
    ]


def _place(item: Finding) -> tuple[str, int, str, str]:
    """File, line, code, message; findings without a place stand first."""
    span: Span | None = item.span
    return (span.file, span.line, item.code, item.message) if span else ("", 0, item.code, item.message)
