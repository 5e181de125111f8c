"""The stages of a blank switch: a fleet in which one comes up, broken at one place at a time.

Common practice, no source, unless a check names an RFC; the RFCs are cited from memory.
"""

import pytest
from bootstrap_fleets import BOOT, bootstrap_fleet

from pathcheck.errors import UnknownNameError, UsageError
from pathcheck.fleet import load_fleet_files
from pathcheck.queries.audit import audit_fleet
from pathcheck.queries.bootstrap import judge_bootstrap

IN = " ip access-group BLANK in"
SERVERS = " ip access-group FROM-SERVERS in"
DHCP = " permit udp any eq bootpc any eq bootps\n"
STAGES = ["attachment", "lease", "file-name", "transfer", "call-home", "login", "first-push"]


def judged(**changes):
    (answer,) = judge_bootstrap(load_fleet_files(bootstrap_fleet(**changes))).answers
    assert [stage.kind for stage in answer.stages] == [
        kind for kind in STAGES if kind in {it.kind for it in answer.stages}
    ]
    return answer


def failing(**changes):
    """The stages that fail, each with the line that it rests on, and the words of the first."""
    answer = judged(**changes)
    found = {}
    for stage in answer.stages:
        if stage.state == "broken":
            span = stage.decisive.span
            found[stage.kind] = f"{span.file}: {span.words}" if span else None
    return found


def named(list_name, lines):
    return f"ip access-list extended {list_name}\n{lines}"


def test_a_sound_fleet_lets_a_blank_switch_through():
    answer = judged()
    assert {stage.kind: stage.state for stage in answer.stages} == dict.fromkeys(STAGES, "holds")
    assert (answer.device, answer.port, answer.state) == ("quay-a", "terminal-north:Ethernet10", "holds")
    assert not [item for item in audit_fleet(load_fleet_files(bootstrap_fleet())) if item.code.startswith("PC37")]


def test_a_discover_dies_on_a_list_that_permits_only_the_subnet():
    """RFC 2131 section 4.1: before it has an address a client sends from 0.0.0.0."""
    only_subnet = named("BLANK", " permit ip 10.20.200.0 0.0.0.255 any\n")
    assert failing(provisioning=IN, lists=only_subnet) == {"lease": "terminal-north.cfg: ip access-list extended BLANK"}
    written = named("BLANK", " permit ip 10.20.200.0 0.0.0.255 any\n deny ip any any log\n")
    assert failing(provisioning=IN, lists=written) == {"lease": "terminal-north.cfg: deny ip any any log"}
    assert failing(provisioning=IN, lists=named("BLANK", DHCP + " permit ip 10.20.200.0 0.0.0.255 any\n")) == {}


def test_established_passes_the_answer_of_tcp_and_none_of_udp():
    back = named(
        "FROM-SERVERS", " permit tcp any any established\n permit udp host 10.20.90.67 any\n permit tcp any any eq 22\n"
    )
    answer = judged(servers=SERVERS, lists=back)
    (transfer,) = [stage for stage in answer.stages if stage.kind == "transfer"]
    states = {flow.what: flow.state for flow in transfer.flows}
    assert states["the file is fetched by https"] == "holds"
    assert states["its data come from a new port of the server, and are acknowledged"] == "broken"
    assert [stage.kind for stage in answer.stages if stage.state == "broken"] == ["transfer"]


@pytest.mark.parametrize(
    ("changes", "who"),
    [
        (
            {
                "provisioning": IN,
                "lists": named("BLANK", DHCP + " permit udp any any eq tftp\n permit tcp any any\n"),
            },
            "acknowledge",
        ),
        (
            {
                "servers": SERVERS,
                "lists": named(
                    "FROM-SERVERS",
                    " permit udp any eq tftp any\n permit udp host 10.20.90.67 any\n permit tcp any any\n",
                ),
            },
            "data",
        ),
    ],
)  # fmt: skip
def test_port_69_alone_passes_the_request_and_no_data(changes, who):
    """RFC 1350 section 4: the answer comes from a port that the server chooses anew."""
    answer = judged(**changes)
    assert answer.broken.kind == "transfer"
    request, data, https = answer.broken.flows
    assert (request.state, data.state, https.state) == ("holds", "broken", "holds")
    assert who in data.message


def test_relayed_requests_and_their_answers():
    """RFC 2131 section 4.1: a relay and a server speak from port 67 to port 67."""
    lists = named(
        "FROM-SERVERS",
        " permit udp host 10.20.90.67 any eq bootpc\n permit tcp any any\n permit udp host 10.20.90.6 any\n",
    )
    assert failing(servers=SERVERS, lists=lists)["lease"] == "terminal-north.cfg: ip access-list extended FROM-SERVERS"
    assert failing(replaced={" ip helper-address 10.20.90.67\n": ""}) == {
        "lease": "terminal-north.cfg: ip address 10.20.200.1 255.255.255.0"
    }
    assert failing(replaced={"helper-address 10.20.90.67": "helper-address 10.20.90.68"}) == {
        "lease": "terminal-north.cfg: ip helper-address 10.20.90.68"
    }


def test_a_renewal_that_fails_is_a_note():
    """RFC 2131 section 4.4.5: a lease that cannot be renewed by unicast is asked for by broadcast again."""
    lists = named(
        "BLANK",
        " permit udp host 0.0.0.0 eq bootpc host 255.255.255.255 eq bootps\n"
        " deny udp any any eq bootps\n permit ip any any\n",
    )
    answer = judged(provisioning=IN, lists=lists)
    assert answer.state == "holds"
    (note,) = [flow.note for stage in answer.stages for flow in stage.flows if "4.4.5" in flow.note]
    assert "denies the renewal" in note


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ("native vlan 900\n switchport trunk allowed", "native vlan 1\n switchport trunk allowed",
         "terminal-north.cfg: switchport trunk native vlan 1"),
        ("allowed vlan 99,900", "allowed vlan 99", "terminal-north.cfg: switchport trunk allowed vlan 99"),
        ("interface Ethernet10\n", "interface Ethernet10\n shutdown\n", "terminal-north.cfg: shutdown"),
    ],
)  # fmt: skip
def test_the_port_of_the_switch(old, new, line):
    assert failing(replaced={old: new})["attachment"] == line


def test_the_vlan_must_lead_to_the_router():
    between = {
        "links:\n": "links:\n  - quay-b:Ethernet1 terminal-north:Ethernet11\n",
        "terminal-north:Ethernet10 quay-a": "quay-b:Ethernet10 quay-a",
        "interface Vlan90\n": "interface Ethernet11\n switchport mode trunk\n switchport trunk allowed vlan 99\n"
        "interface Vlan90\n",
    }
    files = bootstrap_fleet(replaced=between)
    files["quay-b.cfg"] = (
        b"hostname quay-b\nno ip routing\nvlan 99\nvlan 900\ninterface Ethernet1\n switchport mode trunk\n"
        b"interface Ethernet10\n switchport mode trunk\n switchport trunk native vlan 900\n"
    )
    (answer,) = judge_bootstrap(load_fleet_files(files)).answers
    assert answer.broken.kind == "attachment"
    assert answer.broken.decisive.span.words == "switchport trunk allowed vlan 99"
    files["terminal-north.cfg"] = (
        files["terminal-north.cfg"]
        .replace(b"vlan allowed vlan 99\n", b"")
        .replace(b" switchport trunk allowed vlan 99\n", b" switchport trunk allowed vlan 99,900\n")
    )
    (answer,) = judge_bootstrap(load_fleet_files(files)).answers
    assert answer.state == "holds"


def test_without_a_link_the_subnet_is_taken_for_reached_and_said_so():
    answer = judged(replaced={"links:\n  - terminal-north:Ethernet10 quay-a:Ethernet1\n": ""})
    assert answer.stages[0].state == "assumed"
    assert "no link says where quay-a is cabled" in answer.stages[0].decisive.message
    assert answer.broken is None


def test_each_address_of_the_pool_counts():
    half = named("BLANK", DHCP + " permit ip 10.20.200.96 0.0.0.31 any\n permit ip 10.20.200.128 0.0.0.63 any\n")
    answer = judged(provisioning=IN, lists=half)
    assert answer.broken.kind == "transfer"
    sample = answer.broken.decisive.sample
    assert sample is None or int(str(sample.source).rpartition(".")[2]) >= 192
    whole = half + " permit ip 10.20.200.192 0.0.0.63 any\n"
    assert judged(provisioning=IN, lists=whole).state == "holds"


def test_packets_from_some_ports_only_leave_it_open():
    some = named("BLANK", DHCP + " permit udp any range 49152 65535 any\n permit tcp any any\n")
    answer = judged(provisioning=IN, lists=some)
    assert answer.broken is None
    assert answer.uncertain.kind == "transfer"
    assert "which are sent is not known" in answer.uncertain.decisive.message


def test_a_line_that_is_not_modelled_leaves_it_open():
    answer = judged(provisioning=" ip policy route-map BLANK")
    assert answer.broken is None
    assert answer.uncertain.kind == "lease"
    assert answer.uncertain.decisive.span.words == "ip policy route-map BLANK"


def test_call_home_and_login_are_other_stages():
    lists = named("BLANK", DHCP + " permit udp any host 10.20.90.6\n permit tcp any host 10.20.90.6\n")
    assert list(failing(provisioning=IN, lists=lists)) == ["call-home", "login"]
    lists += " permit tcp any any eq 443\n"
    assert list(failing(provisioning=IN, lists=lists)) == ["login"]
    assert list(
        failing(
            provisioning=IN,
            lists=lists,
            replaced={"protocols: [tftp, https]": "protocols: [tftp]\n    call_home: none"},
        )
    ) == ["login"]
    other = {"protocols: [tftp, https]": "protocols: [tftp]\n    call_home: tcp/8443"}
    assert list(failing(provisioning=IN, lists=lists, replaced=other)) == ["call-home", "login"]


def test_the_bootstrap_text_decides_too():
    tagged = BOOT.replace(
        "switchport mode access\n switchport access vlan 900", "switchport mode trunk\n switchport trunk native vlan 1"
    )
    assert list(failing(boot=tagged)) == ["call-home", "login"]
    guarded = BOOT + "access-list 10 permit 10.20.90.9\nline vty 0 4\n access-class 10 in\n"
    assert (
        failing(boot=guarded) == {"login": "quay.boot: access-list 10 permit 10.20.90.9"}
        or "quay.boot" in failing(boot=guarded)["login"]
    )
    without = BOOT.replace(" ip address dhcp\n", "")
    assert list(failing(boot=without)) == ["call-home", "login"]
    assert list(failing(boot=None)) == ["file-name"]


def test_a_fixed_bootstrap_address_is_the_one_that_is_asked_for():
    fixed = (
        BOOT.replace("ip address dhcp", "ip address 10.20.200.50 255.255.255.0") + "ip default-gateway 10.20.200.1\n"
    )
    assert failing(boot=fixed) == {}
    assert list(failing(boot=fixed.replace("ip default-gateway 10.20.200.1\n", ""))) == ["call-home", "login"]


def test_after_the_first_push_the_session_is_opened_anew():
    found = failing(replaced={"trunk allowed vlan 99,900": "trunk allowed vlan 900"})
    assert list(found) == ["first-push"]
    answer = judged(replaced={"trunk allowed vlan 99,900": "trunk allowed vlan 900"})
    assert not [it for it in audit_fleet(load_fleet_files(bootstrap_fleet())) if it.code == "PC370"]
    assert answer.broken.decisive.span.words == "switchport trunk allowed vlan 900"


def test_what_the_fleet_does_not_say_is_not_judged():
    answer = judged(replaced={"    server: 10.20.90.6\n": "", "places: {controller: 10.20.90.5}": "places: {}"})
    assert answer.broken is None
    assert {stage.kind for stage in answer.stages if stage.state == "not-judged"} == {
        "transfer", "call-home", "login", "first-push"
    }  # fmt: skip


def test_a_switch_with_two_cables_starts_over_the_one_that_works():
    two = {
        "links:\n": "links:\n  - terminal-north:Ethernet12 quay-a:Ethernet2\n",
        "interface Vlan90\n": "interface Ethernet12\n switchport mode access\n switchport access vlan 99\n"
        "interface Vlan90\n",
    }
    answer = judged(replaced=two)
    assert (answer.port, answer.state) == ("terminal-north:Ethernet10", "holds")


def test_an_entry_for_whatever_switch_comes():
    answer = judged(replaced={"    devices: [quay-a]\n": ""})
    assert answer.device is None
    assert answer.broken is None
    assert "first-push" not in {stage.kind for stage in answer.stages}


def test_names_that_nobody_has():
    loaded = load_fleet_files(bootstrap_fleet())
    assert judge_bootstrap(loaded, "quay.boot").answers == judge_bootstrap(loaded, "quay-a").answers
    with pytest.raises(UnknownNameError, match="did you mean `quay-a`"):
        judge_bootstrap(loaded, "quay-b")
    with pytest.raises(UsageError, match="no part `bootstrap`"):
        judge_bootstrap(load_fleet_files({"quay-a.cfg": b"vlan 20\n"}))


def test_lists_on_switch_ports_meet_the_request_and_the_answer():
    """The list of the switch's own port, and that of a port between it and the router."""
    on_port = {"interface Ethernet10\n": "interface Ethernet10\n ip access-group PORT in\n"}
    only_subnet = named("PORT", " permit ip 10.20.0.0 0.0.255.255 any\n")
    assert failing(replaced=on_port, lists=only_subnet)["lease"] == "terminal-north.cfg: ip access-list extended PORT"
    assert failing(replaced=on_port, lists=only_subnet + DHCP) == {}
    out = {"interface Ethernet10\n": "interface Ethernet10\n ip access-group PORT out\n"}
    no_answer = named("PORT", " deny udp any any eq bootpc\n permit ip any any\n")
    assert failing(replaced=out, lists=no_answer)["lease"] == "terminal-north.cfg: deny udp any any eq bootpc"


def test_a_list_on_a_port_between():
    between = {
        "links:\n": "links:\n  - quay-b:Ethernet1 terminal-north:Ethernet11\n",
        "terminal-north:Ethernet10 quay-a": "quay-b:Ethernet10 quay-a",
        "interface Vlan90\n": "interface Ethernet11\n switchport mode trunk\n ip access-group PORT in\n"
        "interface Vlan90\n",
    }
    files = bootstrap_fleet(replaced=between, lists=named("PORT", " permit ip 10.20.0.0 0.0.255.255 any\n"))
    files["quay-b.cfg"] = (
        b"hostname quay-b\nno ip routing\nvlan 99\nvlan 900\ninterface Ethernet1\n switchport mode trunk\n"
        b"interface Ethernet10\n switchport mode trunk\n switchport trunk native vlan 900\n"
    )
    (answer,) = judge_bootstrap(load_fleet_files(files)).answers
    assert answer.broken.kind == "lease"
    assert answer.broken.decisive.acl == "PORT"


def test_own_answers_of_a_relay_meet_its_list_where_the_device_is_said_to_do_so():
    out = " ip access-group TO-BLANK out"
    lists = named(
        "TO-BLANK", " permit tcp any any\n permit udp host 10.20.90.6 any\n permit udp host 10.20.90.67 any\n"
    )
    assert failing(provisioning=out, lists=lists) == {}
    meets = {"places:": "assume: {own_packets: meet-out}\nplaces:"}
    assert list(failing(provisioning=out, lists=lists, replaced=meets)) == ["lease"]


def test_many_switches_are_judged_as_each_alone():
    names = [f"quay-{each}" for each in "abcd"]
    links = "".join(f"  - terminal-north:Ethernet1{n} {name}:Ethernet1\n" for n, name in enumerate(names))
    ports = "".join(
        f"interface Ethernet1{n}\n switchport mode trunk\n switchport trunk native vlan {vlan}\n"
        + (" ip access-group PORT in\n" if n == 3 else "")
        for n, vlan in ((1, 900), (2, 99), (3, 900))
    )
    files = bootstrap_fleet(
        replaced={
            "links:\n  - terminal-north:Ethernet10 quay-a:Ethernet1\n": f"links:\n{links}",
            "devices: [quay-a]": f"devices: [{', '.join(names)}]",
            "interface Vlan90\n": ports + "interface Vlan90\n",
            "  terminal-north: {serial": "".join(
                f"  {name}: {{management: 10.20.99.{12 + n}}}\n" for n, name in enumerate(names[1:])
            )
            + "  terminal-north: {serial",
        },
        lists=named("PORT", " permit udp any any\n"),
    )
    for n, name in enumerate(names[1:]):
        text = files["quay-a.cfg"].decode().replace("quay-a", name).replace("99.11", f"99.{12 + n}")
        files[f"{name}.cfg"] = text.encode()
    loaded = load_fleet_files(files)
    together = judge_bootstrap(loaded).answers
    alone = [judge_bootstrap(loaded, name).answers[0] for name in names]

    def fate(answer):
        return [(stage.kind, stage.state, stage.decisive.span) for stage in answer.stages]

    assert [fate(answer) for answer in together] == [fate(answer) for answer in alone]
    assert [answer.broken and answer.broken.kind for answer in together] == [None, None, "attachment", "transfer"]
