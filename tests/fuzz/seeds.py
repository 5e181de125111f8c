"""What the fuzzer starts from: the corpora, the cases of the findings, the documentation and the published lists."""

from __future__ import annotations

import json
import re
from functools import cache
from pathlib import Path

import yaml
from fuzz.targets import BETWEEN_STATES, one_text

__all__ = ["FOUND", "seeds"]

TOP = Path(__file__).parents[2]
FOUND = Path(__file__).parent / "found"
"""By target: inputs that once showed a fault; each is named for it."""
_FLOWS = b"""tcp 10.20.20.7 10.10.90.20:443
tcp 10.30.20.0/24:1024-65535 10.10.90.21:https --flags ack,psh
udp 10.20.20.7 10.10.90.32:domain --at terminal-north:Vlan20
icmp 10.20.20.7 10.10.90.20 --icmp echo
tcp controller quay-c:22 --no-reply
ip any any --acl TILLS-IN --device terminal-north
47 10.1.0.0/16 any --fragment --dscp ef --vrf BLUE
tcp [2001:db8::1]:443 [2001:db8::/32]:80-90 --flags any
icmpv6 2001:db8::1 any --icmp 135/0
"""
_BASELINE = b"""findings:
  - {fingerprint: 0123456789abcdef0123456789abcdef, code: PC101, device: quay-a, acl: TILLS, text: "permit tcp any any"}
  - fingerprint: fedcba9876543210fedcba9876543210
    code: PC203
"""


def _blocks(kind: str) -> list[bytes]:
    """The blocks of code of one kind in the documentation, the pages of findings included."""
    found = []
    for page in sorted((TOP / "docs").glob("**/*.md")):
        blocks = re.findall(rf"^```{kind}[^\n]*\n(.*?)^```", page.read_text("utf-8"), re.MULTILINE | re.DOTALL)
        found += [block.encode() for block in blocks]
    return found


def _files(*endings: str) -> list[Path]:
    """The files of the corpora and cases, in a fixed order."""
    folders = ("corpora", "tests/cases", "tests/unit/parser/configurations", "tests/snapshots/fleet")
    paths = [path for folder in folders for path in (TOP / folder).glob("**/*") if path.suffix in endings]
    return sorted(paths, key=lambda path: path.as_posix())


@cache
def _published() -> list[bytes]:
    """The lists of RFC 8519 and the routes of RFC 8349 as JSON of their models."""
    head = {"rfc8519-acl-cases": "ietf-access-control-list:acls", "rfc8349-static-routes": "ietf-routing:routing"}
    data = TOP / "tests" / "references" / "data"
    sets = yaml.safe_load((data / "rfc8519-acl-cases.yaml").read_text("utf-8"))["rule_sets"].values()
    found = [{head["rfc8519-acl-cases"]: {"acl": [one]}} for one in sets]
    bound = {"interface": [{"interface-id": "Vlan20", "ingress": {"acl-sets": {"acl-set": [{"name": "A"}]}}}]}
    found.append({head["rfc8519-acl-cases"]: {"acl": [], "attachment-points": bound}})
    for version, prefix, hop in (("ipv4", "0.0.0.0/0", "192.0.2.2"), ("ipv6", "::/0", "2001:db8:0:1::2")):
        route = {"destination-prefix": prefix, "next-hop": {"next-hop-address": hop}}
        discard = {"destination-prefix": prefix, "next-hop": {"special-next-hop": "blackhole"}}
        several = {"destination-prefix": prefix, "next-hop": {"next-hop-list": {"next-hop": [
            {"index": "1", "next-hop-address": hop, "outgoing-interface": "Vlan20"}]}}}  # fmt: skip
        static = {f"ietf-{version}-unicast-routing:{version}": {"route": [route, discard, several]}}
        protocol = {"type": "ietf-routing:static", "name": "st0", "static-routes": static}
        found.append(
            {head["rfc8349-static-routes"]: {"control-plane-protocols": {"control-plane-protocol": [protocol]}}}
        )
    return [json.dumps(one, indent=1, default=str).encode() for one in found]


@cache
def seeds(target: str) -> tuple[bytes, ...]:
    """Return the inputs that a target starts from, those that once failed included; always in the same order."""
    found: list[bytes] = []
    if target == "configuration":
        found = [path.read_bytes() for path in _files(".cfg")] + _blocks("cfg")
    elif target == "data-form":
        found = [path.read_bytes() for path in _files(".yaml")] + _blocks("yaml")
    elif target == "standard-models":
        found = _published() + _blocks("json")
    elif target == "fleet-file":
        found = [path.read_bytes() for path in _files(".yaml") if path.name == "fleet.yaml"] + _blocks("yaml")
    elif target == "required-flows":
        found = [path.read_bytes() for path in _files(".yaml") if b"flows:" in path.read_bytes()]
        found += [block for block in _blocks("yaml") if b"flow" in block]
    elif target == "waivers":
        found = [path.read_bytes() for path in _files(".yaml") if b"waivers:" in path.read_bytes()]
        found += [block for block in _blocks("yaml") if b"waive" in block]
    elif target == "baseline":
        found = [_BASELINE]
    elif target == "flow-words":
        found = [line + b"\n" for line in _FLOWS.splitlines()]
    elif target in ("fleet", "change"):
        folders = sorted({path.parent for path in _files(".cfg")}, key=lambda path: path.as_posix())
        for folder in folders:
            texts = {path.name: path.read_bytes() for path in sorted(folder.iterdir()) if path.suffix != ".py"}
            if sum(map(len, texts.values())) < 8000:
                found.append(one_text(texts))
        if target == "change":
            found = [folder + BETWEEN_STATES + folder for folder in found if len(folder) < 4000]
    found += [path.read_bytes() for path in sorted((FOUND / target).glob("*"))]
    return tuple(dict.fromkeys(found))
