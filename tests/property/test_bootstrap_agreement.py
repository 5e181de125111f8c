"""The stages of a blank switch against the evaluator: packet by packet over lists that are drawn at random."""

from bootstrap_fleets import bootstrap_fleet
from hypothesis import given, settings
from hypothesis import strategies as st

from pathcheck.evaluator import evaluate_list
from pathcheck.evaluator.fleet import evaluate_packet
from pathcheck.fleet import load_fleet_files
from pathcheck.model.access_list import Action
from pathcheck.model.flow import EntryPoint
from pathcheck.packet.address import Address
from pathcheck.packet.packet import Packet
from pathcheck.packet.tcp_flags import ACK, SYN
from pathcheck.queries.bootstrap import judge_bootstrap
from pathcheck.results.verdict import Reason

SWITCHES = [Address.parse(f"10.20.200.{host}") for host in (100, 127, 128, 199)]
SERVER, DHCP, CONTROLLER = (Address.parse(f"10.20.90.{host}") for host in (6, 67, 5))
ENDS = ["any", "10.20.200.0 0.0.0.127", "host 10.20.90.6", "10.20.90.0 0.0.0.255", "host 10.20.200.199", "host 0.0.0.0"]
PORTS = ["", " eq tftp", " eq 443", " eq bootps", " eq 22", " gt 1023", " eq bootpc"]


@st.composite
def lists(draw, name):
    lines = draw(
        st.lists(
            st.builds(
                lambda action, protocol, source, source_port, destination, port, established: (
                    f" {action} {protocol} {source}{source_port if protocol != 'ip' else ''}"
                    f" {destination}{port if protocol != 'ip' else ''}"
                    + (" established" if protocol == "tcp" and established else "")
                ),
                st.sampled_from(["permit", "permit", "permit", "deny"]),
                st.sampled_from(["ip", "udp", "tcp"]),
                st.sampled_from(ENDS),
                st.sampled_from(PORTS),
                st.sampled_from(ENDS),
                st.sampled_from(PORTS),
                st.booleans(),
            ),
            min_size=1,
            max_size=5,
        )
    )
    end = draw(st.sampled_from(["", " permit ip any any\n"]))
    return f"ip access-list extended {name}\n" + "\n".join(lines) + "\n" + end


def passes(config, packet, at):
    """Whether the evaluator lets a packet arrive on every way."""
    found = evaluate_packet(config, packet, EntryPoint(*at))
    return bool(found) and all(it.reason is Reason.ARRIVED for it in found)


@settings(max_examples=15, deadline=None)
@given(lists("BLANK"), lists("FROM-SERVERS"))
def test_a_stage_that_holds_passes_each_packet_and_one_that_fails_does_not(blank, servers):
    loaded = load_fleet_files(
        bootstrap_fleet(
            provisioning=" ip access-group BLANK in", servers=" ip access-group FROM-SERVERS in", lists=blank + servers
        )
    )
    config = loaded.config
    router = config.devices["terminal-north"]
    (answer,) = judge_bootstrap(loaded).answers
    stages = {stage.kind: stage for stage in answer.stages}
    inward, outward = ("terminal-north", "Vlan900"), ("terminal-north", "Vlan90")

    discover = Packet(Address.parse("0.0.0.0"), Address.parse("255.255.255.255"), 17, 68, 67)
    heard = evaluate_list(router, "ipv4", "BLANK", discover).action is Action.PERMIT
    relay = Address.parse("10.20.200.1")
    answered = passes(config, Packet(DHCP, relay, 17, 67, 67), outward)
    assert (stages["lease"].state == "holds") == (heard and answered)

    def both(protocol, other, port, own=50_000, first=0, second=0, towards=False):
        """Packets from each address, and their answers."""
        for switch in SWITCHES:
            there = Packet(switch, other, protocol, own, port, flags=first)
            back = Packet(other, switch, protocol, port, own, flags=second)
            if towards:
                there = Packet(switch, other, protocol, port, own, flags=second)
                back = Packet(other, switch, protocol, own, port, flags=first)
            yield passes(config, there, inward) and (second == -1 or passes(config, back, outward))

    if stages["transfer"].state == "holds":
        assert all(both(17, SERVER, 50_001))
        assert all(both(6, SERVER, 443, first=SYN, second=SYN | ACK))
    if stages["call-home"].state == "holds":
        assert all(both(6, CONTROLLER, 443, first=SYN, second=SYN | ACK))
    if stages["login"].state == "holds":
        assert all(both(6, CONTROLLER, 22, first=SYN, second=SYN | ACK, towards=True))
    for stage in answer.stages:
        if stage.state == "broken" and stage.decisive.sample is not None and stage.kind != "lease":
            sample = stage.decisive.sample
            assert not passes(config, sample, inward if str(sample.source).startswith("10.20.200.") else outward)
