"""The pytest plugin, by runs of pytest in folders of their own.

Each run is a process: inside this one it would import numpy and others a second time.
"""

from __future__ import annotations

from importlib.metadata import entry_points

import pytest

pytest_plugins = ["pytester"]

QUAY = """
hostname quay
ip routing
interface Ethernet1
 no switchport
 ip address 10.1.20.1 255.255.255.0
 ip access-group TILLS in
interface Ethernet2
 no switchport
 ip address 10.1.99.1 255.255.255.0
ip access-list extended TILLS
 permit tcp any any eq 443
 permit tcp any any eq 8080 time-range DAY
"""
HOLDS = "  - {name: holds, flow: 'tcp 10.1.20.7 10.1.99.10:443', expect: open}\n"
BROKEN = "  - {name: is broken, flow: 'tcp 10.1.20.7 10.1.99.10:443', expect: closed, owner: tills}\n"
UNSURE = "  - {name: unsure, flow: 'tcp 10.1.20.7 10.1.99.10:8080', expect: open}\n"
UNASKED = "  - {name: unasked, flow: 'tcp 10.1.20.7 booking:8080', expect: open}\n"


HAND_WRITTEN = """
    def test_tills(pathcheck_fleet):
        assert pathcheck_fleet.flow("tcp 10.1.20.7 10.1.99.10:443").verdict == "permitted"
"""


@pytest.fixture
def run(pytester):
    """Write a fleet to the folder `net` and required flows to some files, and run pytest over all."""

    def run(files, *arguments, ini=""):
        files = {"net/quay.cfg": QUAY, "net/fleet.yaml": "places: {}\n"} | files
        for name, text in files.items():
            place = pytester.path / name
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_text(text if isinstance(text, str) else "flows:\n" + "".join(text))
        pytester.makeini(f"[pytest]\n{ini}\n")
        return pytester.runpytest_subprocess("-p", "no:cacheprovider", *arguments)

    return run


def test_pytest_finds_the_plugin_by_itself():
    (found,) = entry_points(group="pytest11", name="pathcheck")
    assert found.value == "pathcheck.pytest_plugin"


def test_it_costs_nothing_where_there_are_no_required_flows(pytester):
    pytester.makepyfile("""
        import sys
        def test_nothing_heavy_is_there():
            mine = {name for name in sys.modules if name.startswith("pathcheck.")}
            assert mine <= {"pathcheck.pytest_plugin"}, mine
            assert not {"numpy", "networkx", "oxidd", "pyparsing", "netaddr", "typer"} & set(sys.modules)
    """)
    pytester.path.joinpath("other.yaml").write_text("a: [")
    pytester.runpytest_subprocess("-p", "no:cacheprovider").assert_outcomes(passed=1)


def test_one_item_for_each_required_flow_beside_hand_written_tests(run, pytester):
    pytester.makepyfile(test_hand=HAND_WRITTEN)
    files = {"net/required-flows.yaml": [HOLDS, BROKEN, UNSURE, UNASKED], "net/flows/deep/tills.flows.yaml": [HOLDS]}
    result = run(files, "-v")
    result.assert_outcomes(passed=2, failed=3, errors=1)
    result.stdout.fnmatch_lines(
        [
            "net/flows/deep/tills.flows.yaml::holds PASSED*",
            "net/required-flows.yaml::holds PASSED*",
            "net/required-flows.yaml::is broken FAILED*",
            "net/required-flows.yaml::unsure FAILED*",
            "net/required-flows.yaml::unasked FAILED*",
            "test_hand.py::test_tills ERROR*",
            "which fleet? set `pathcheck_fleet` in pytest's configuration file*",
            "*is broken*",
            "tcp 10.1.20.7:49152 to 10.1.99.10:443 (syn) must not pass, and is permitted, it arrives at quay; "
            "the last list on its way is TILLS on quay, quay.cfg:12",
            "required closed: tcp 10.1.20.7 10.1.99.10:443  (required-flows.yaml:3)",
            "  12 |  permit tcp any any eq 443",
            "packet: tcp 10.1.20.7:49152 to 10.1.99.10:443 (syn)",
            "path: quay (Ethernet1 > Ethernet2)",
            "owner: tills",
            "*unsure*",
            "*must pass, and is uncertain at quay*",
            "*unasked*",
            "cannot be asked: *found `booking`",
        ]
    )
    result.stdout.no_fnmatch_line("*Traceback*")


def test_the_settings(run, pytester):
    pytester.makepyfile(test_hand=HAND_WRITTEN)
    files = {"elsewhere/required-flows.yaml": [BROKEN], "elsewhere/tills.wanted.yml": [HOLDS, UNSURE]}
    ini = "pathcheck_fleet = net\npathcheck_uncertain = tolerate\npathcheck_flows = *.wanted.yml"
    result = run(files, "-rs", ini=ini)
    result.assert_outcomes(passed=2, skipped=1)
    result.stdout.fnmatch_lines(["*may hold or not: tcp 10.1.20.7:49152 to 10.1.99.10:8080*uncertain at quay*"])


def test_the_command_line_beats_the_settings(run, pytester):
    pytester.makepyfile(test_hand=HAND_WRITTEN)
    result = run(
        {"elsewhere/required-flows.yaml": [HOLDS]}, "--pathcheck-fleet", "net", ini="pathcheck_fleet = nowhere"
    )
    result.assert_outcomes(passed=2)


def test_faulty_files_are_told_without_a_traceback(run):
    files = {
        "net/required-flows.yaml": ["  - {name: a, flow: ip any any, expct: open}\n", "  - {}\n"],
        "other/quay.cfg": QUAY,
        "other/fleet.yaml": "plces: {}\n",
        "other/required-flows.yaml": [HOLDS],
    }
    result = run(files, "--continue-on-collection-errors")
    result.assert_outcomes(errors=1, failed=1)
    result.stdout.fnmatch_lines(
        ["*unknown key `expct`*", "*required-flows.yaml:2:33", "*did you mean `expect`?", "*required-flows.yaml:3:5"]
    )
    result.stdout.fnmatch_lines(["error: unknown key `plces`*", "*fleet.yaml:1:1"])
    result.stdout.no_fnmatch_line("*Traceback*")


def test_a_wrong_setting_is_refused(run, pytester):
    pytester.makepyfile(test_hand=HAND_WRITTEN)
    ini = "pathcheck_uncertain = maybe\npathcheck_fleet = nowhere"
    result = run({"net/required-flows.yaml": [UNSURE]}, ini=ini)
    assert result.ret == pytest.ExitCode.USAGE_ERROR
    result.stderr.fnmatch_lines(["*`pathcheck_uncertain` must be `refuse` or `tolerate`, found `maybe`*"])
    result = run({}, "test_hand.py", ini="pathcheck_fleet = nowhere")
    result.stdout.fnmatch_lines(["error: the fleet `*nowhere` cannot be read: no such file or directory"])


def test_the_fixture_takes_the_folder_of_the_configuration_file(run, pytester):
    pytester.makepyfile(test_hand=HAND_WRITTEN)
    run({"quay.cfg": QUAY, "fleet.yaml": "{}\n"}, "--ignore", "net").assert_outcomes(passed=1)
