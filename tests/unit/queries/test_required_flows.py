"""What `open` and `closed` mean, by hand-made fleets; and what shows that one is broken."""

import pytest

from pathcheck.errors import InputError
from pathcheck.fleet import load_fleet_files
from pathcheck.parser.required_flows import read_required_flows
from pathcheck.queries.check import check_fleet
from pathcheck.queries.required_flows import ask_required_flows, required_flow_findings, required_flows_of
from pathcheck.results.requirement import Standing
from pathcheck.results.verdict import Reason, Verdict

QUAY = b"""\
hostname quay
ip routing
interface Ethernet1
 no switchport
 ip address 10.1.20.1 255.255.255.0
 ip access-group TILLS in
interface Ethernet2
 no switchport
 ip address 10.1.99.1 255.255.255.0
 ip access-group SERVERS in
interface Ethernet3
 no switchport
 ip address 10.1.3.1 255.255.255.252
ip route 0.0.0.0 0.0.0.0 10.1.3.2
ip route 10.66.0.0 255.255.0.0 Null0
ip access-list extended TILLS
 permit tcp 10.1.20.0 0.0.0.255 host 10.1.99.10 eq 443
 permit udp 10.1.20.0 0.0.0.255 host 10.1.99.10 eq 53
 permit tcp 10.1.20.0 0.0.0.255 host 10.1.99.10 eq 8080 time-range DAY
 permit tcp 10.1.20.0 0.0.0.127 host 10.1.99.10 eq 22
 permit icmp any any
 permit ip any 10.66.0.0 0.0.255.255
 permit tcp any host 198.51.100.7
ip access-list extended SERVERS
 permit tcp host 10.1.99.10 any established
 permit icmp any any
"""


def ask(*flows, quay=QUAY, **more):
    text = "flows:\n" + "".join(f"  - {{name: f{n}, flow: {flow}}}\n" for n, flow in enumerate(flows))
    loaded = load_fleet_files({"quay.cfg": quay, "required-flows.yaml": text.encode(), **more})
    return ask_required_flows(loaded).requirements


@pytest.mark.parametrize(
    ("flow", "standing"),
    [
        ("tcp 10.1.20.0/24 10.1.99.10:443, expect: open", "holds"),
        ("tcp 10.1.20.0/24 10.1.99.10:443, expect: open, reply: true", "holds"),
        ("tcp 10.1.20.0/24 10.1.99.10:443, expect: closed", "broken"),
        ("tcp 10.1.20.0/24 10.1.99.10:25, expect: closed", "holds"),
        ("tcp 10.1.20.0/24 10.1.99.10:25, expect: open", "broken"),
        # A part passes: neither open nor closed.
        ("tcp 10.1.20.0/24 10.1.99.10:22, expect: open", "broken"),
        ("tcp 10.1.20.0/24 10.1.99.10:22, expect: closed", "broken"),
        ("tcp 10.1.20.0/25 10.1.99.10:22, expect: open", "holds"),
        # The question gets through, its answer does not.
        ("udp 10.1.20.7 10.1.99.10:53, expect: open", "holds"),
        ("udp 10.1.20.7 10.1.99.10:53, expect: open, reply: true", "broken"),
        # What is uncertain is neither.
        ("tcp 10.1.20.7 10.1.99.10:8080, expect: open", "uncertain"),
        ("tcp 10.1.20.7 10.1.99.10:8080, expect: closed", "uncertain"),
        # Some of it passes for certain, so it is not closed, whatever the rest.
        ('"tcp 10.1.20.7 10.1.99.10:443,8080", expect: closed', "broken"),
        ('"tcp 10.1.20.7 10.1.99.10:443,8080", expect: open', "uncertain"),
        # Some of it does not pass for certain.
        ('"tcp 10.1.20.7 10.1.99.10:25,8080", expect: open', "broken"),
        ('"tcp 10.1.20.7 10.1.99.10:25,8080", expect: closed', "uncertain"),
        # Several flows in one entry: each of them.
        ("[tcp 10.1.20.7 10.1.99.10:443, udp 10.1.20.7 10.1.99.10:53], expect: open", "holds"),
        ("[tcp 10.1.20.7 10.1.99.10:443, tcp 10.1.20.7 10.1.99.10:25], expect: open", "broken"),
        ("[tcp 10.1.20.7 10.1.99.10:8080, tcp 10.1.20.7 10.1.99.10:25], expect: open", "broken"),
        ("[tcp 10.1.20.7 10.1.99.10:25, tcp nobody 10.1.99.10:25], expect: open", "unanswered"),
        # At one device and list.
        ("tcp 10.1.20.0/24 10.1.99.10:443, expect: open, acl: TILLS", "holds"),
        ("tcp 10.1.20.0/24 10.1.99.10:443 --acl TILLS --device quay, expect: open", "holds"),
        ("tcp 10.1.20.0/24 10.1.99.10, expect: closed, acl: TILLS, device: quay", "broken"),
        ("tcp 10.1.20.0/24 10.1.99.10:25, expect: closed, acl: TILLS", "holds"),
        ("tcp 10.1.20.0/24 10.1.99.10:8080, expect: closed, acl: TILLS", "uncertain"),
        ("tcp 10.1.20.0/24 10.1.99.10:8080, expect: open, acl: TILLS", "uncertain"),
        ("tcp 10.1.20.0/24 10.1.99.10, expect: open, acl: TILLS", "broken"),
        # At an entry.
        ("tcp 10.9.9.9 10.1.99.10:443, expect: closed, at: quay:Ethernet1", "holds"),
        ("tcp 10.9.9.9 10.1.99.10:443, expect: open, at: quay", "holds"),
        # Handed to somebody outside the fleet is through; dropped by a route is not.
        ("tcp 10.1.20.7 198.51.100.7:443, expect: open", "holds"),
        ("ip 10.1.20.7 10.66.1.1, expect: closed", "holds"),
        ("ip 10.1.20.7 10.66.1.1, expect: open", "broken"),
        # Ping is answered, a report on unreachability is not.
        ("icmp 10.1.20.7 10.1.99.10 --icmp echo, expect: open, reply: true", "holds"),
        ("icmp 10.1.20.7 10.1.99.10 --icmp unreachable, expect: open", "holds"),
        ("icmp 10.1.20.7 10.1.99.10 --icmp unreachable, expect: open, reply: true", "unanswered"),
        # What cannot be asked.
        ("tcp nobody 10.1.99.10:443, expect: open", "unanswered"),
        ("tcp 10.9.9.9 10.1.99.10:443, expect: closed", "unanswered"),
        ("tcp 10.1.20.7 10.1.99.10:443 --no-reply, expect: open, reply: true", "unanswered"),
        ("tcp 10.1.20.7 10.1.99.10:443 --acl TILLS, expect: open, reply: true", "unanswered"),
        ("tcp 10.1.20.7 10.1.99.10:443, expect: open, acl: TILSL", "unanswered"),
        ("tcp 10.1.20.7 10.1.99.10:443 --at quay, expect: open, at: quay", "unanswered"),
        ("tcp 10.1.20.7, expect: open", "unanswered"),
    ],
)
def test_standing(flow, standing):
    (item,) = ask(flow)
    assert item.standing == standing
    assert item.holds == (standing == "holds")
    part = item.gravest
    assert (part.evidence is not None) == (standing in ("broken", "uncertain"))
    assert (part.fault is not None) == (standing == "unanswered") == (item.verdict is None)


def test_evidence_of_a_broken_flow():
    (item,) = ask("tcp 10.1.20.0/24 10.1.99.10:22, expect: open")
    evidence = item.gravest.evidence
    assert (item.verdict, item.reason) == (Verdict.PARTLY, None)
    assert (evidence.direction, evidence.device) == ("flow", "quay")
    assert (evidence.line.text, evidence.span) == ("implicit deny", None)
    assert evidence.why == "denied at quay by the list TILLS, implicit deny"
    assert (evidence.sample.destination_port, evidence.sample.source.value & 128) == (22, 128)
    assert [hop.device for hop in evidence.path.hops] == ["quay"]


def test_evidence_of_a_reply_that_does_not_come_back():
    (item,) = ask("udp 10.1.20.7 10.1.99.10:53, expect: open, reply: true")
    evidence = item.gravest.evidence
    assert (item.verdict, item.reason) == (Verdict.PERMITTED, Reason.ARRIVED)
    assert evidence.direction == "reply"
    assert (str(evidence.sample.destination), evidence.sample.source_port) == ("10.1.20.7", 53)
    assert evidence.why == "denied at quay by the list SERVERS, implicit deny"


def test_evidence_of_a_closed_flow_names_the_last_list_and_its_device():
    (item,) = ask("tcp 10.1.20.7 10.1.99.10:443, expect: closed")
    evidence = item.gravest.evidence
    assert evidence.why == "permitted, it arrives at quay; the last list on its way is TILLS on quay, quay.cfg:17"
    assert (evidence.line.acl, evidence.device, evidence.span.line) == ("TILLS", "quay", 17)


@pytest.mark.parametrize(
    ("flow", "why", "line"),
    [
        ("ip 10.1.20.7 10.66.1.1", "denied at quay, a discard route matches, quay.cfg:15", 15),
        ("tcp 10.1.20.7 10.1.99.10:8080", "uncertain at quay: ", 19),
        ("tcp 10.1.20.7 10.1.99.10:8080 --acl TILLS", "uncertain: ", 19),
        ("tcp 10.1.20.7 10.1.99.10:25 --acl TILLS", "denied by the list TILLS, implicit deny", None),
    ],
)
def test_what_decides_is_named(flow, why, line):
    (item,) = ask(f"{flow}, expect: open")
    evidence = item.gravest.evidence
    assert evidence.why.startswith(why)
    assert (evidence.span.line if evidence.span else None) == line


def test_a_reply_that_leaves_the_fleet_has_not_come_back_for_certain():
    """The way back to a subnet of the fleet goes over a router that nobody knows."""
    north = b"hostname north\nip routing\ninterface Ethernet1\n no switchport\n ip address 10.1.20.1 255.255.255.0\n"
    north += b"interface Ethernet2\n no switchport\n ip address 10.1.3.1 255.255.255.252\n"
    north += b"ip route 10.1.99.0 255.255.255.0 10.1.3.2\n"
    south = b"hostname south\nip routing\ninterface Ethernet1\n no switchport\n ip address 10.1.99.1 255.255.255.0\n"
    south += b"interface Ethernet2\n no switchport\n ip address 10.1.3.2 255.255.255.252\n"
    south += b"interface Ethernet3\n no switchport\n ip address 10.1.4.1 255.255.255.252\n"
    south += b"ip route 0.0.0.0 0.0.0.0 10.1.4.2\n"
    flows = [f"tcp 10.1.20.7 10.1.99.10:443{at}, expect: open{reply}"
             for at in ("", " --at north:Ethernet1") for reply in ("", ", reply: true")]  # fmt: skip
    flows.append("tcp 198.51.100.7 10.1.99.10:443 --at north:Ethernet1, expect: open, reply: true")
    found = ask(*flows, quay=north, **{"south.cfg": south})
    assert [item.standing.value for item in found] == ["holds", "uncertain", "holds", "uncertain", "holds"]
    evidence = found[1].gravest.evidence
    assert evidence.direction == "reply"
    assert evidence.why.startswith("uncertain, it is handed at south to a device outside the fleet, although")


def test_findings_point_at_the_required_flow_and_at_what_decides():
    files = {
        "quay.cfg": QUAY,
        "required-flows.yaml": b"""flows:
  - name: closed
    flow: tcp 10.1.20.7 10.1.99.10:443
    expect: closed
    owner: till team
    reason: audit 7
  - {name: unsure, flow: tcp 10.1.20.7 10.1.99.10:8080, expect: open}
  - name: of nobody
    expect: open
    flow: tcp nobody 10.1.99.10:443
""",
    }
    loaded = load_fleet_files(files)
    found = required_flow_findings(loaded)
    assert [(it.code, it.span.line) for it in found] == [("PC381", 2), ("PC382", 7), ("PC383", 10)]
    assert [(it.file, it.line) for it in found[0].because] == [("quay.cfg", 17)]
    assert (found[0].device, found[0].acl, found[0].help) == ("quay", "TILLS", "owner: till team; reason: audit 7")
    assert set(found) <= set(check_fleet(loaded))


def test_faults_of_the_file_do_not_hide_other_findings():
    loaded = load_fleet_files({"quay.cfg": QUAY, "required-flows.yaml": b"flows:\n  - {}\n  - {flow: x, expect: y}\n"})
    with pytest.raises(InputError):
        required_flows_of(loaded)
    codes = [(it.code, it.span.line) for it in check_fleet(loaded) if it.code == "PC383"]
    assert codes == [("PC383", 2), ("PC383", 3)]


def test_where_the_file_is():
    flows = b"flows:\n  - {flow: ip 10.1.20.7 10.66.0.1, expect: closed}\n"
    files = {"quay.cfg": QUAY, "wanted/all.yaml": flows, "fleet.yaml": b"required_flows: wanted/all.yaml\n"}
    assert [it.span.file for it in required_flows_of(load_fleet_files(files))] == ["wanted/all.yaml"]
    del files["fleet.yaml"]
    assert required_flows_of(load_fleet_files(files)) == ()
    files["required-flows.yaml"] = files.pop("wanted/all.yaml")
    assert len(required_flows_of(load_fleet_files(files))) == 1
    assert list(load_fleet_files(files).config.devices) == ["quay"]


def test_flows_of_another_file_can_be_asked():
    loaded = load_fleet_files({"quay.cfg": QUAY})
    assert ask_required_flows(loaded).requirements == ()
    flows = read_required_flows("x", b"flows:\n  - {flow: ip 10.1.20.7 10.66.0.1, expect: closed, always: true}\n")
    heard = []
    report = ask_required_flows(loaded, flows, file="x", advance=heard.append)
    assert (report.file, report.counts[Standing.HOLDS], heard) == ("x", 1, [1])
