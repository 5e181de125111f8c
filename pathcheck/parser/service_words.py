"""The words of a service: `tcp/443`, `udp/53`, `icmp/echo`, `ip`.

A service is a flow without its ends, so it is read by the reader of flows: what
a port, a protocol or a message may be called is the same in both.
"""

from __future__ import annotations

from dataclasses import replace

from pathcheck.errors import FlowError
from pathcheck.model.fleet_config import FleetConfig
from pathcheck.model.flow import Flow
from pathcheck.packet.address import IPVersion
from pathcheck.packet.prefix import Prefix
from pathcheck.packet.protocol import ICMP, ICMPV6, protocol_number
from pathcheck.parser.flow_words import flow_question

__all__ = ["service_flows"]

_NO_NAMES = FleetConfig({})


def service_flows(text: str) -> dict[IPVersion, Flow]:
    """Read a service as the flows from anywhere to anywhere, for each IP version that has it.

    Parameters
    ----------
    text
        `PROTO` or `PROTO/WHAT`: behind tcp, udp and sctp destination ports by number, range or
        name, several with commas; behind icmp a message by name or as `TYPE[/CODE]`. `ip` is each
        protocol, `icmp` the ICMP of the IP version; a type by number is that of IPv4 behind
        `icmp` and that of IPv6 behind `icmpv6`. TCP is a new connection.

    Raises
    ------
    FlowError
        It cannot be read.

    Examples
    --------
    >>> flows = service_flows("tcp/443,8000-8080")
    >>> sorted(flows), str(flows[4].destination_ports)
    ([4, 6], '443,8000-8080')
    >>> [str(flow.icmp) for flow in service_flows("icmp/echo").values()]
    ['2048-2303', '32768-33023']
    >>> service_flows("443/tcp")
    Traceback (most recent call last):
    ...
    pathcheck.errors.FlowError: expected a service `PROTO[/PORT]`, found `443/tcp` (did you mean `tcp/443`?)
    """
    protocol, slash, what = text.partition("/")
    if (slash and not what) or not protocol:
        raise FlowError(f"expected a service `PROTO[/PORT]`, found `{text}`")
    if protocol[:1].isdigit() and slash and protocol_number(what.lower(), 4) is not None and not what[:1].isdigit():
        raise FlowError(f"expected a service `PROTO[/PORT]`, found `{text}`", help=f"did you mean `{what}/{protocol}`?")
    number = protocol_number(protocol.lower(), 4)
    found: dict[IPVersion, Flow] = {}
    problems: list[FlowError] = []
    for version, anywhere in _ANYWHERE.items():
        is_icmp = bool(slash) and number in (ICMP, ICMPV6)
        if is_icmp and number == ICMP and version == 6 and what[:1].isdigit():
            continue  # a type by number means one thing in IPv4 and another in IPv6
        port = f":{what}" if slash and not is_icmp else ""
        end = f"{anywhere}{port}" if version == 4 or not port else f"[{anywhere}]{port}"
        try:
            question = flow_question(
                protocol, str(anywhere), end, config=_NO_NAMES, icmp=what if is_icmp else None
            )  # fmt: skip
        except FlowError as error:
            message = error.message.replace(f"`{end}`", f"`{text}`")
            problems.append(type(error)(message, help=error.help))
        else:
            found[version] = replace(question.flow, source_named="any", destination_named="any")
    if not found:
        raise problems[0]
    return found


_ANYWHERE: dict[IPVersion, Prefix] = {4: Prefix.everything(4), 6: Prefix.everything(6)}
