"""How pushes lock operators out, and how they do not: cases of practice (common practice, no source)."""

from __future__ import annotations

from pathlib import Path

import pytest

from pathcheck.errors import UsageError
from pathcheck.fleet import load_fleet_files
from pathcheck.fleet_source import FleetState, read_states
from pathcheck.queries.rollout import roll_out
from pathcheck.results.rollout import Rollout, RolloutAnswer, Step

CORPUS = Path(__file__).parents[4] / "corpora" / "ferry-rollout"
ANY, SOME, NONE, UNCERTAIN = RolloutAnswer

CORE = """hostname core-1
ip routing
vlan 90
vlan 99
interface Ethernet1
 switchport mode trunk
interface Ethernet9
 switchport mode access
 switchport access vlan 90
interface Vlan90
 ip address 10.10.90.1 255.255.255.0
interface Vlan99
 ip address 10.20.99.1 255.255.255.0
"""
QUAY = """hostname quay-a
no ip routing
vlan 99
interface Ethernet1
 switchport mode trunk
interface Vlan99
 ip address 10.20.99.11 255.255.255.0
ip default-gateway 10.20.99.1
"""
FLEET = """devices:
  core-1: {management: 10.20.99.1}
  quay-a: {management: 10.20.99.11}
links:
  - core-1:Ethernet1 quay-a:Ethernet1
places: {controller: 10.10.90.5}
"""
GUARD = "line vty 0 4\n access-class OPERATORS in\n"
LIST = "ip access-list extended OPERATORS\n"
CONTROLLER = " permit tcp 10.10.90.0 0.0.0.255 any eq 22\n"
OTHERS = " permit tcp 10.10.91.0 0.0.0.255 any eq 22\n"


def state(fleet: str = FLEET, **texts: str) -> FleetState:
    files = {f"{name.replace('_', '-')}.cfg": text.encode() for name, text in texts.items()}
    files["fleet.yaml"] = fleet.encode()
    if "flows" in texts:
        files["required-flows.yaml"] = files.pop("flows.cfg")
    return FleetState("a state", load_fleet_files(files), files.__getitem__)


def push(
    before: str, after: str, *, core: tuple[str, str] = (CORE, CORE), fleet: str = FLEET, **more: object
) -> Rollout:
    """A push to `quay-a`, and to `core-1` where its two texts differ."""
    one = state(fleet, core_1=core[0], quay_a=before)
    other = state(fleet, core_1=core[1], quay_a=after)
    return roll_out(one, other, **more)  # type: ignore[arg-type]


def jobs(steps: tuple[Step, ...]) -> list[str]:
    return [f"{step.device} {step.job}" for step in steps]


# ---- lists ----------------------------------------------------------------------------------


def test_a_bound_list_locks_out_at_its_first_line_when_the_permit_is_the_second():
    change = (QUAY + LIST + CONTROLLER + GUARD, QUAY + LIST + OTHERS + CONTROLLER + GUARD)
    assert push(*change).answer is ANY
    found = push(*change, by_line=True)
    assert found.answer is NONE
    assert found.lost.applied == (Step("quay-a", "lists", acl="OPERATORS", entered=1, of=2),)
    assert (found.lost.device, found.lost.span.file) == ("quay-a", "quay-a.cfg")
    assert found.lost.held.flow == "tcp controller 10.20.99.11:22"


def test_unbinding_first_does_not_lock_out():
    change = (QUAY + LIST + CONTROLLER + GUARD, QUAY + LIST + OTHERS + CONTROLLER)
    found = push(*change, by_line=True)
    assert found.answer is SOME
    assert jobs(found.plan) == ["quay-a bindings", "quay-a lists"]
    assert found.lost.applied[0].entered == 1


def test_the_controllers_permit_as_first_line_locks_nobody_out_where_an_undefined_list_permits():
    change = (QUAY + LIST + CONTROLLER + GUARD, QUAY + LIST + CONTROLLER + OTHERS + GUARD)
    assert push(*change, by_line=True).answer is ANY


def test_a_deleted_list_that_is_bound_locks_out_where_an_undefined_list_denies():
    change = (QUAY + LIST + CONTROLLER + GUARD, QUAY + LIST + CONTROLLER + OTHERS + GUARD)
    found = push(*change, by_line=True, fleet=FLEET + "assume: {undefined_list: denies-all}\n")
    assert found.answer is NONE
    assert found.lost.applied == (Step("quay-a", "lists", acl="OPERATORS", entered=0, of=2, detail="deleted"),)


@pytest.mark.parametrize("reading", ["permits-all", "denies-all"])
def test_a_new_name_and_one_rebind_is_safe(reading):
    change = (QUAY + LIST + CONTROLLER + GUARD, QUAY + LIST + OTHERS + CONTROLLER + GUARD)
    found = push(*change, by_line=True, fleet=FLEET + f"assume: {{undefined_list: {reading}}}\n")
    assert found.answer is NONE
    assert found.rewrite.lists == (("quay-a", "OPERATORS", "OPERATORS-2", ("terminal lines 0 4",)),)
    assert (found.rewrite.answer, found.rewrite.is_harmless) == (ANY, True)


def test_a_rewrite_to_a_list_that_locks_out_is_not_called_safe():
    found = push(QUAY + LIST + CONTROLLER + GUARD, QUAY + LIST + OTHERS + GUARD, by_line=True)
    assert found.answer is NONE
    assert (found.rewrite.answer, found.rewrite.is_harmless) == (NONE, False)


def test_lists_are_entered_in_the_order_of_their_names_and_other_jobs_come_between():
    old = QUAY + LIST + CONTROLLER + "ip access-list extended AFTER\n permit ip any any\n"
    new = QUAY + LIST + OTHERS + CONTROLLER + "ip access-list extended AFTER\n permit udp any any\n" + GUARD
    found = push(old, new, by_line=True)
    assert found.answer is SOME
    assert found.states.total == 2 * (1 + 2 + 3)  # bindings; delete and one line, delete and two lines
    assert jobs(found.plan) == ["quay-a lists", "quay-a bindings"]


@pytest.mark.parametrize(("reading", "answer"), [("permits-all", ANY), ("denies-all", SOME)])
def test_a_list_bound_before_it_is_there(reading, answer):
    fleet = FLEET + f"assume: {{undefined_list: {reading}}}\n"
    found = push(QUAY, QUAY + LIST + CONTROLLER + GUARD, fleet=fleet)
    assert found.answer is answer
    if answer is SOME:
        assert jobs(found.plan) == ["quay-a lists", "quay-a bindings"]
        assert jobs(found.lost.applied) == ["quay-a bindings"]


# ---- addresses, gateway, routes, VLANs ------------------------------------------------------

TWO_GATEWAYS = CORE + " ip address 10.20.98.1 255.255.255.0 secondary\n"


def test_the_gateway_before_the_address_on_its_subnet():
    after = QUAY.replace("10.20.99.11", "10.20.98.11").replace("10.20.99.1\n", "10.20.98.1\n")
    fleet = FLEET.replace("10.20.99.11", "10.20.98.11")
    before, later = state(core_1=TWO_GATEWAYS, quay_a=QUAY), state(fleet, core_1=TWO_GATEWAYS, quay_a=after)
    found = roll_out(before, later)
    # The one before the other leaves the switch without a gateway on its subnet.
    assert found.answer is NONE
    assert set(jobs(found.lost.applied)) < {"quay-a addresses", "quay-a gateway"}
    together = state(fleet + "jobs: [[addresses, gateway]]\n", core_1=TWO_GATEWAYS, quay_a=after)
    assert roll_out(before, together).answer is ANY


def test_a_session_goes_to_the_address_in_force():
    after = QUAY.replace("10.20.99.11", "10.20.98.11").replace("10.20.99.1\n", "10.20.98.1\n")
    fleet = FLEET.replace("10.20.99.11", "10.20.98.11")
    found = roll_out(state(core_1=TWO_GATEWAYS, quay_a=QUAY), state(fleet, core_1=TWO_GATEWAYS, quay_a=after))
    address = "10.20.98.11" if jobs(found.lost.applied) == ["quay-a addresses"] else "10.20.99.11"
    assert found.lost.held.flow == f"tcp controller {address}:22"
    assert any("management address changes: quay-a" in note for note in found.notes)


def test_the_new_gateway_on_the_core_before_the_switch_goes_there():
    core = CORE + " ip address 10.20.99.254 255.255.255.0 secondary\n"
    found = push(QUAY, QUAY.replace("gateway 10.20.99.1", "gateway 10.20.99.254"), core=(CORE, core))
    assert found.answer is SOME
    assert jobs(found.plan) == ["core-1 addresses", "quay-a gateway"]
    assert jobs(found.lost.applied) == ["quay-a gateway"]
    assert (found.lost.span.file, found.lost.side) == ("quay-a.cfg", "after")


def test_a_route_before_the_address_that_resolves_its_next_hop():
    router = QUAY.replace("no ip routing", "ip routing").replace("ip default-gateway 10.20.99.1\n", "")
    old = router + "ip route 0.0.0.0 0.0.0.0 10.20.99.1\n"
    new = router + "interface Vlan98\n ip address 10.20.98.11 255.255.255.0\nip route 0.0.0.0 0.0.0.0 10.20.98.1\n"
    new = new.replace("vlan 99\n", "vlan 98\nvlan 99\n", 1)
    core = (
        CORE.replace("vlan 99\n", "vlan 98\nvlan 99\n", 1) + "interface Vlan98\n ip address 10.20.98.1 255.255.255.0\n"
    )
    found = push(old, new, core=(core, core))
    assert found.answer is SOME
    assert jobs(found.lost.applied) == ["quay-a routes"]
    assert jobs(found.plan) == ["quay-a vlans", "quay-a addresses", "quay-a routes"]


def test_ports_before_the_vlan_that_they_carry():
    switch = "hostname pier-1\nvlan 99\ninterface Ethernet1\n switchport access vlan 99\n switchport mode access\n"
    switch += "interface Ethernet2\n switchport access vlan 99\n switchport mode access\n"
    moved = switch.replace("vlan 99", "vlan 199").replace("vlan 199\n", "vlan 99\nvlan 199\n", 1)
    fleet = FLEET.replace("  - core-1:Ethernet1 quay-a:Ethernet1", "  - core-1:Ethernet1 pier-1:Ethernet1")
    fleet = fleet.replace("places:", "  - pier-1:Ethernet2 quay-a:Ethernet1\nplaces:")
    core = CORE.replace("interface Vlan99\n ip address 10.20.99.1 255.255.255.0\n", "")
    quay = QUAY.replace("interface Vlan99\n ip address 10.20.99.11 255.255.255.0\n", "")
    trunk, routed = "switchport mode trunk\n", "no switchport\n ip address 10.20.99.{} 255.255.255.0\n"
    core, quay = core.replace(trunk, routed.format(1)), quay.replace(trunk, routed.format(11))
    found = roll_out(
        state(fleet, core_1=core, quay_a=quay, pier_1=switch), state(fleet, core_1=core, quay_a=quay, pier_1=moved)
    )
    assert found.answer is SOME
    assert jobs(found.lost.applied) == ["pier-1 ports"]
    assert jobs(found.plan) == ["pier-1 vlans", "pier-1 ports"]
    assert found.lost.device == "quay-a"


def test_management_moves_to_a_new_vlan_only_if_the_old_one_stays_until_then():
    moved = QUAY.replace("99", "199")
    core = (
        CORE.replace("vlan 99\n", "vlan 99\nvlan 199\n", 1)
        + "interface Vlan199\n ip address 10.20.199.1 255.255.255.0\n"
    )
    fleet = FLEET.replace("10.20.99.11", "10.20.199.11")
    before = state(core_1=core, quay_a=QUAY)
    assert roll_out(before, state(fleet, core_1=core, quay_a=moved)).answer is NONE
    # Both at once, the old one removed by a later push.
    both = (
        QUAY.replace("vlan 99\n", "vlan 99\nvlan 199\n", 1)
        + "interface Vlan199\n ip address 10.20.199.11 255.255.255.0\n"
    )
    found = roll_out(before, state(core_1=core, quay_a=both))
    assert found.answer is ANY


def test_parts_that_run_together_are_one_job():
    found = push(QUAY, QUAY + LIST + CONTROLLER + GUARD, fleet=FLEET + "jobs: [[lists, bindings]]\n")
    assert jobs(found.jobs) == ["quay-a lists+bindings"]
    assert found.states.total == 2


# ---- what was lost before, what is new, what is uncertain -----------------------------------


def test_what_was_lost_before_the_first_job_is_said_and_its_own_job_cannot_be_pushed():
    found = push(QUAY + LIST + OTHERS + GUARD, QUAY + LIST + CONTROLLER + GUARD)
    assert found.answer is NONE
    assert [one.held.device for one in found.already] == ["quay-a"]
    assert (found.lost.device, found.lost.applied) == ("quay-a", ())


def test_another_devices_job_can_bring_back_what_was_lost_before():
    bound = CORE.replace("interface Vlan99\n", "interface Vlan99\n ip access-group TO-QUAYS out\n")
    core = [bound + f"ip access-list extended TO-QUAYS\n {word} tcp any any eq 22\n" for word in ("deny", "permit")]
    found = push(QUAY, QUAY + LIST + CONTROLLER, core=(core[0], core[1]))
    assert found.answer is SOME
    assert jobs(found.plan) == ["core-1 lists", "quay-a lists"]
    assert [one.held.device for one in found.already] == ["quay-a"]


def test_what_is_lost_in_the_end_is_lost_in_each_order():
    found = push(QUAY, QUAY + LIST + OTHERS + GUARD, fleet=FLEET + "jobs: [[lists, bindings]]\n")
    assert found.answer is NONE
    assert jobs(found.lost.applied) == ["quay-a lists+bindings"]
    assert found.plan == ()


def test_a_new_device_is_judged_when_all_its_jobs_have_run():
    only_core = FLEET.replace("  quay-a: {management: 10.20.99.11}\n", "").replace(
        "links:\n  - core-1:Ethernet1 quay-a:Ethernet1\n", ""
    )
    before = state(only_core, core_1=CORE)
    found = roll_out(before, state(core_1=CORE, quay_a=QUAY))
    assert found.answer is ANY
    assert found.sessions == 2
    assert any("only in the later state: quay-a" in note for note in found.notes)
    wrong = roll_out(before, state(core_1=CORE, quay_a=QUAY.replace("gateway 10.20.99.1", "gateway 10.20.97.1")))
    assert wrong.answer is NONE
    assert len(wrong.lost.applied) == len(wrong.jobs)


def test_a_device_that_is_taken_away_is_missed_in_the_end():
    """The core of before is gone in the later state, and nobody else has the controller's subnet."""
    beside = (
        CORE.replace("core-1", "core-2").replace("10.10.90.1 ", "10.10.91.1 ").replace("10.20.99.1 ", "10.20.98.1 ")
    )
    fleet = "devices: {quay-a: {management: 10.20.99.11}}\nplaces: {controller: 10.10.90.5}\n"
    before = state(fleet, core_1=CORE, core_2=beside, quay_a=QUAY)
    found = roll_out(before, state(fleet, core_2=beside, quay_a=QUAY + LIST + CONTROLLER))
    assert found.answer is UNCERTAIN or found.answer is NONE
    assert roll_out(before, state(fleet, core_1=CORE, quay_a=QUAY + LIST + CONTROLLER)).answer is ANY


def test_a_line_that_is_not_modelled_leaves_it_open():
    diverted = CORE.replace("interface Vlan90\n", "interface Vlan90\n ip policy route-map VIA-SOUTH\n")
    found = push(QUAY, QUAY + LIST + CONTROLLER + GUARD, core=(diverted, diverted))
    assert found.answer is UNCERTAIN
    assert found.open.span.file == "core-1.cfg"
    assert found.plan == ()


def test_a_line_that_is_not_modelled_beside_the_way_leaves_nothing_open():
    beside = CORE + "interface Vlan50\n ip address 10.50.0.1 255.255.255.0\n ip policy route-map VIA-SOUTH\n"
    assert push(QUAY, QUAY + LIST + CONTROLLER + GUARD, core=(beside, beside)).answer is ANY


FLOWS = """flows:
  - {name: printers reach booking, flow: "tcp 10.20.99.50 10.10.90.20:443", expect: open, always: true}
  - {name: names, flow: "udp 10.20.99.50 10.10.90.20:53", expect: open}
"""


def test_a_required_flow_holds_in_each_state_only_where_it_is_marked():
    old = CORE.replace("interface Vlan99\n", "interface Vlan99\n ip access-group QUAYS in\n")
    old += "ip access-list extended QUAYS\n permit tcp any any\n"
    new = old.replace("permit tcp any any", "permit tcp any any eq 22\n permit tcp any any")
    before = state(core_1=old, quay_a=QUAY, flows=FLOWS)
    after = state(core_1=new, quay_a=QUAY, flows=FLOWS)
    assert roll_out(before, after).answer is ANY
    found = roll_out(before, after, by_line=True)
    assert found.answer is NONE
    assert found.flows == 1
    assert found.lost.applied[0].entered == 1
    assert {found.lost.held.name, *(one.name for one in found.lost.others)} >= {"printers reach booking"}


def test_a_bound_on_judgements_leaves_it_open_and_says_so():
    core = CORE + " ip address 10.20.99.254 255.255.255.0 secondary\n"
    found = push(QUAY, QUAY.replace("gateway 10.20.99.1", "gateway 10.20.99.254"), core=(CORE, core), most=2)
    assert found.answer is UNCERTAIN
    assert not found.states.complete
    assert "bound" in found.open.why


def test_the_same_on_both_sides_is_nothing_to_push():
    found = push(QUAY, QUAY)
    assert (found.answer, found.jobs, found.plan, found.states.total) == (ANY, (), (), 1)


def test_no_session_and_no_flow_is_no_question():
    with pytest.raises(UsageError, match="nothing to judge"):
        push(QUAY, QUAY, fleet="places: {controller: 10.10.90.5}\n")


def test_jobs_beside_the_way_rule_out_states_without_a_walk():
    new = QUAY + "vlan 50\ninterface Ethernet7\n switchport access vlan 50\n switchport mode access\n"
    new += "ip access-list extended SPARE\n permit ip any any\n"
    found = push(QUAY, new)
    assert found.answer is ANY
    assert (found.states.total, found.states.judged) == (8, 1)
    assert jobs(found.idle) == jobs(found.jobs)


def test_the_example_of_the_documentation():
    before, after = read_states(str(CORPUS / "before"), str(CORPUS / "after"), Path())
    found = roll_out(before, after)
    assert found.answer is SOME
    assert jobs(found.lost.applied) == ["quay-b bindings"]
    first = [(jobs(one.first), jobs(one.then), one.lost) for one in found.precedences]
    assert first == [
        (["quay-b lists"], ["quay-b bindings"], ("quay-b",)),
        (["core-1 addresses"], ["quay-b gateway"], ("quay-b",)),
    ]
    by_line = roll_out(before, after, by_line=True)
    assert by_line.answer is NONE
    assert (by_line.lost.applied[0].acl, by_line.lost.applied[0].entered) == ("OPERATORS", 1)
    assert by_line.rewrite.answer is SOME
