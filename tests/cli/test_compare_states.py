"""`pathcheck compare BEFORE AFTER`: folders and revisions of a real repository, what is answered, and its status."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from typer.testing import CliRunner

from pathcheck.cli.main import app
from pathcheck.errors import InputError, UsageError

SCHEMA = jsonschema.Draft202012Validator(
    json.loads((Path(__file__).parents[2] / "docs" / "schemas" / "compare.json").read_text("utf-8"))
)
needs_git = pytest.mark.skipif(shutil.which("git") is None, reason="git is not installed")

CORE = """\
hostname core-1
interface Ethernet1
 no switchport
 ip address 10.1.0.1 255.255.255.252
interface Vlan90
 ip address 10.1.90.1 255.255.255.0
interface Ethernet9
 switchport mode access
 switchport access vlan 90
vlan 90
ip route 10.1.20.0 255.255.255.0 10.1.0.2
"""
QUAY = """\
hostname quay-a
interface Ethernet1
 no switchport
 ip address 10.1.0.2 255.255.255.252
interface Ethernet2
 no switchport
 ip address 10.1.20.1 255.255.255.0
 ip access-group TILLS in
ip route 0.0.0.0 0.0.0.0 10.1.0.1
ip access-list extended TILLS
 remark tills sell through the booking server
 10 permit tcp 10.1.20.0 0.0.0.255 host 10.1.90.20 eq 443
 20 permit udp 10.1.20.0 0.0.0.255 host 10.1.90.32 eq 53
 30 deny ip any any log
"""
FLEET = """\
devices:
  core-1: {files: [core-1.cfg], management: 10.1.90.1}
  quay-a: {files: [quay-a.cfg], management: 10.1.20.1}
places:
  booking: 10.1.90.20
  tills: 10.1.20.0/24
"""
FLOWS = """\
flows:
  - {name: tills sell, flow: tcp tills booking:443, expect: open}
  - {name: tills open no sessions, flow: tcp tills booking:22, expect: closed}
"""
NAMES = {"core-1.cfg": CORE, "quay-a.cfg": QUAY, "fleet.yaml": FLEET, "required-flows.yaml": FLOWS}
TILLS = " 10 permit tcp 10.1.20.0 0.0.0.255 host 10.1.90.20 eq 443\n"


def write(folder: Path, **changed: str) -> Path:
    """Write the fleet; a keyword is a device whose text is another one."""
    folder.mkdir(parents=True, exist_ok=True)
    texts = {**NAMES, **{f"{name.replace('_', '-')}.cfg": text for name, text in changed.items()}}
    for name, text in texts.items():
        (folder / name).write_text(text)
    return folder


def run(*words: str | Path) -> tuple[int, str]:
    result = CliRunner().invoke(app, ["compare", *map(str, words)], standalone_mode=False)
    if result.exception is not None:
        raise result.exception
    return result.return_value, result.stdout


def asked(*words: str | Path) -> tuple[int, dict[str, Any]]:
    status, text = run(*words, "--json")
    document = json.loads(text)
    assert not [error.message for error in SCHEMA.iter_errors(document)]
    return status, document


def ports(document: dict[str, Any], kind: str) -> list[str]:
    return sorted({f"{item['protocol']}/{item['destination_port']}" for item in document[kind]})


@pytest.fixture
def before(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return write(tmp_path / "before")


# ---- what is answered -----------------------------------------------------------------------------------------------


def test_openings_and_closings_with_the_lines_of_both_sides(before: Path, tmp_path: Path) -> None:
    after = write(
        tmp_path / "after", quay_a=QUAY.replace("eq 443", "range 443 444").replace("20 permit udp", "20 deny udp")
    )
    status, document = asked("before", "after")
    assert status == 1
    assert (ports(document, "opened"), ports(document, "closed")) == (["tcp/444"], ["udp/53", "udp/any"])
    opened = document["opened"][0]
    assert (opened["source"], opened["destination"]) == ("10.1.20.0/24", "10.1.90.20/32")
    # 253 stations, 65,536 source ports, 64 code points, and the flags: 2 to the power of 8.
    assert opened["size"] == 253 * 65536 * 64 * 256
    assert (opened["before"]["line"], opened["before"]["action"]) == (14, "deny")
    assert (opened["after"]["line"], opened["after"]["action"]) == (12, "permit")
    assert document["sizes"]["opened"] == opened["size"]
    assert {(one["device"], one["acl"]) for one in document["acls"]} == {("quay-a", "TILLS")}
    assert document["required_flows"] == document["routes"] == document["bindings"] == []
    back, reverse = asked(after, before)
    assert back == 1
    told = ("sample", "before", "after")
    for kind, other in (("opened", "closed"), ("closed", "opened")):
        there, again = (
            [{key: value for key, value in one.items() if key not in told} for one in items]
            for items in (document[kind], reverse[other])
        )
        assert there == again


def test_text_has_required_flows_then_openings_then_closings(before: Path, tmp_path: Path) -> None:
    write(tmp_path / "after", quay_a=QUAY.replace(TILLS, TILLS.replace("443", "22")))
    status, text = run("before", "after")
    assert status == 1
    assert text.startswith("CHANGED")
    order = ("required flows that stand otherwise", "opened from end", "closed from end", "access lists")
    assert [text.index(words) for words in order] == sorted(text.index(words) for words in order)
    assert max(text.index("tills open no sessions"), text.index("tills sell")) < text.index("opened from end")
    assert "opened tcp from 10.1.20.0/24 (tills) to 10.1.90.20 (booking) port 22" in text


def test_routes_and_bindings_are_told_where_they_are(before: Path, tmp_path: Path) -> None:
    write(tmp_path / "routed", core_1=CORE.replace("ip route 10.1.20.0 255.255.255.0 10.1.0.2\n", ""))
    status, document = asked("before", "routed")
    assert status == 1
    assert [(one["device"], one["prefixes"], one["after"]["kind"]) for one in document["routes"]] == [
        ("core-1", ["10.1.20.0/24"], "none")
    ]
    assert document["opened"] == []
    assert {one["after"]["why"] for one in document["closed"]} == {"denied at core-1, no route matches"}
    write(tmp_path / "unbound", quay_a=QUAY.replace(" ip access-group TILLS in\n", ""))
    status, document = asked("before", "unbound")
    assert status == 1
    assert [(one["at"], one["before"], one["after"]) for one in document["bindings"]] == [
        ("Ethernet2 in", ["TILLS"], [])
    ]
    assert document["closed"] == []
    assert document["opened"]


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (" 10 permit", " 15 permit"),
        (" 20 permit udp", " 5 permit udp"),
        ("remark tills sell", "remark the tills sell"),
        (" host 10.1.90.20 ", " 10.1.90.20 0.0.0.0 "),
        (" eq 443", " eq https"),
        (" log\n", "\n"),
        ("interface Ethernet2\n", "interface eth2\n"),
        ("ip route 0.0.0.0 0.0.0.0", "ip route 0.0.0.0/0"),
        (" 30 deny ip any any log\n", " 30 deny ip any any log\n 40 deny udp any any\n"),
        ("hostname quay-a\n", "! the quay\nhostname quay-a\n\n\n"),
        ("TILLS", "COUNTERS"),
    ],
)  # fmt: skip
def test_edits_without_effect_are_said_and_proven_to_be(before: Path, tmp_path: Path, old: str, new: str) -> None:
    assert old in QUAY
    write(tmp_path / "after", quay_a=QUAY.replace(old, new))
    status, text = run("before", "after")
    assert status == 0, text
    assert text.startswith("NO EFFECT  each packet fares as before\n")
    assert "edited: quay-a" in text
    assert "so nothing can fare otherwise" in text or "end alike" in text
    status, document = asked("before", "after")
    assert (document["opened"], document["closed"], document["uncertain"]) == ([], [], [])


def test_a_moved_file_is_the_same_device(before: Path, tmp_path: Path) -> None:
    after = write(tmp_path / "after")
    (after / "quays").mkdir()
    (after / "quay-a.cfg").rename(after / "quays" / "the-first.cfg")
    (after / "fleet.yaml").write_text(FLEET.replace("quay-a.cfg", "quays/the-first.cfg"))
    status, document = asked("before", "after")
    assert (status, document["devices"]["added"], document["devices"]["removed"]) == (0, [], [])


def test_a_state_and_itself(before: Path, tmp_path: Path) -> None:
    status, text = run("before", "before")
    assert (status, text.split("\n")[0]) == (0, "NO EFFECT  each packet fares as before")
    assert "the configuration of each device is the same" in text
    # A copy is read once more and is the same.
    write(tmp_path / "copy")
    assert run("before", "copy")[0] == 0


def test_two_files_are_one_device_whatever_it_is_called(before: Path, tmp_path: Path) -> None:
    nameless = QUAY.replace("hostname quay-a\n", "")
    (tmp_path / "old.cfg").write_text(nameless)
    (tmp_path / "new.cfg").write_text(nameless.replace("eq 443", "range 443 444"))
    (tmp_path / "named.cfg").write_text(QUAY)
    status, document = asked("old.cfg", "new.cfg")
    assert (status, ports(document, "opened"), document["closed"]) == (1, ["tcp/444"], [])
    assert document["devices"] == {"added": [], "removed": [], "edited": ["new"]}
    assert run("old.cfg", "named.cfg")[0] == 0


def test_added_and_removed_devices(before: Path, tmp_path: Path) -> None:
    after = write(tmp_path / "after")
    (after / "quay-a.cfg").unlink()
    (after / "fleet.yaml").write_text(FLEET.replace("  quay-a: {files: [quay-a.cfg], management: 10.1.20.1}\n", ""))
    status, document = asked("before", "after")
    assert (status, document["devices"]["removed"]) == (1, ["quay-a"])
    assert document["closed"]
    assert document["opened"] == []
    status, document = asked("after", "before")
    assert (status, document["devices"]["added"]) == (1, ["quay-a"])


SIX = """\
hostname quay-a
ipv6 unicast-routing
interface Ethernet1
 no switchport
 ipv6 address 2001:db8:0:1::1/64
 ipv6 traffic-filter TILLS6 in
interface Ethernet2
 no switchport
 ipv6 address 2001:db8:0:2::1/64
ipv6 access-list TILLS6
 permit tcp 2001:db8:0:1::/64 host 2001:db8:0:2::20 eq 443
ipv6 route 2001:db8:77::/48 2001:db8:0:2::9
"""


def test_ipv6(before: Path, tmp_path: Path) -> None:
    for name, text in (
        ("one", SIX),
        ("two", SIX.replace("eq 443", "eq 80")),
        ("three", SIX.replace("db8:77::", "db8:78::")),
    ):
        (tmp_path / name).mkdir()
        (tmp_path / name / "quay-a.cfg").write_text(text)
    status, document = asked("one", "two")
    assert (status, ports(document, "opened"), ports(document, "closed")) == (1, ["tcp/80"], ["tcp/443"])
    opened = document["opened"][0]
    assert (opened["source"], opened["destination"]) == ("2001:db8:0:1::/64", "2001:db8:0:2::20/128")
    # All addresses of the subnet but the device's own, and no more flags, ports and code points than IPv4 has.
    assert opened["size"] == (2**64 - 1) * 65536 * 64 * 256
    status, document = asked("one", "three")
    assert status == 1
    assert sorted(prefix for one in document["routes"] for prefix in one["prefixes"]) == [
        "2001:db8:77::/48",
        "2001:db8:78::/48",
    ]


def test_other_cables_are_told(before: Path, tmp_path: Path) -> None:
    write(tmp_path / "after")
    for name, far in (("before", "core-1:Ethernet1"), ("after", "core-1:Ethernet9")):
        (tmp_path / name / "fleet.yaml").write_text(FLEET + f"links:\n  - quay-a:Ethernet1 {far}\n")
    status, text = run("before", "after")
    assert status == 1
    assert "the cabling differs" in text


# ---- never "no effect" where nobody knows ---------------------------------------------------------------------------

POLICY = """\
interface Ethernet3
 no switchport
 ip address 10.1.30.1 255.255.255.0
 ip policy route-map DETOUR
 ip nat inside
 service-policy input LIMIT
 ip ospf cost 10
 bandwidth 1000
ip nat inside source list ADDRESSES pool STREET
ip nat pool STREET 192.0.2.10 192.0.2.20 netmask 255.255.255.0
ip access-list extended ADDRESSES
 10 permit ip 10.1.30.0 0.0.0.255 any
route-map DETOUR permit 10
 match ip address prefix-list FERRIES
 set ip next-hop 10.1.0.1
ip prefix-list FERRIES seq 5 permit 10.1.90.0/24
policy-map LIMIT
 class class-default
  police 8000
router ospf 1
 network 10.1.0.0 0.0.255.255 area 0
ip route 10.1.40.0 255.255.255.0 10.1.0.1 track 1
track 1 ip sla 1 reachability
ip sla 1
 icmp-echo 10.1.0.1
time-range OPENING
 periodic daily 6:00 to 22:00
ip access-list extended TIMED
 permit tcp any any eq 80 time-range OPENING
interface Ethernet4
 no switchport
 ip address 10.1.50.1 255.255.255.0
 ip access-group TIMED in
 ip nat outside
"""


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("set ip next-hop 10.1.0.1", "set ip next-hop 10.1.0.3"),
        ("permit 10.1.90.0/24", "permit 10.1.0.0/16 le 24"),
        ("192.0.2.20", "192.0.2.21"),
        ("police 8000", "police 16000"),
        ("network 10.1.0.0 0.0.255.255", "network 10.0.0.0 0.255.255.255"),
        ("ospf cost 10", "ospf cost 100"),
        (" ip ospf cost 10\n", ""),
        (" bandwidth 1000", " bandwidth 2000"),
        ("icmp-echo 10.1.0.1", "icmp-echo 10.1.0.3"),
        ("sla 1 reachability", "sla 1 state"),
        ("to 22:00", "to 23:00"),
        ("time-range OPENING\n periodic daily 6:00 to 22:00\n", ""),
        (" ip nat inside\n", ""),
    ],
)
@pytest.mark.parametrize("form", ["as it is", "at the margin", "cut short"])
def test_what_unmodelled_lines_rest_on_counts(before: Path, tmp_path: Path, old: str, new: str, form: str) -> None:
    both = [QUAY + POLICY, QUAY + POLICY.replace(old, new)]
    assert both[0] != both[1]
    for name, text in zip(("before", "after"), both, strict=True):
        if form == "at the margin":  # a text without indentation
            text = "\n".join(line.strip() for line in text.split("\n"))
        elif form == "cut short":
            text = text.replace("\nroute-map", "\nroute-m").replace("ip prefix-list", "ip prefix-l")
            text = text.replace("\npolicy-map", "\npolicy-m").replace("\ntime-range", "\ntime-r")
        write(tmp_path / name, quay_a=text)
    status, text = run("before", "after")
    assert status == 3, text
    assert text.startswith("UNCERTAIN  something may fare otherwise than before\n")


def test_what_a_routing_protocol_carries_may_be_other_routes_everywhere(before: Path, tmp_path: Path) -> None:
    speaking = "router ospf 1\n network 10.1.0.0 0.0.255.255 area 0\n"
    quay = QUAY.replace("ip route 0.0.0.0 0.0.0.0 10.1.0.1\n", speaking)
    write(tmp_path / "before", core_1=CORE + speaking, quay_a=quay)
    write(tmp_path / "same", core_1=CORE.replace("Vlan90", "Vlan90\n description servers") + speaking, quay_a=quay)
    write(
        tmp_path / "other",
        core_1=CORE.replace("10.1.90.1 255.255.255.0", "10.1.91.1 255.255.255.0") + speaking,
        quay_a=quay,
    )
    assert run("before", "same")[0] == 0
    status, document = asked("before", "other")
    assert status == 1
    # What the quay learns from the core is in another file than the one that was edited.
    assert "quay-a.cfg" in {doubt["file"] for one in document["uncertain"] for doubt in one["doubts"]}
    assert document["devices"]["edited"] == ["core-1"]


def test_what_they_do_not_rest_on_does_not_count(before: Path, tmp_path: Path) -> None:
    write(tmp_path / "before", quay_a=QUAY + POLICY)
    write(
        tmp_path / "after",
        quay_a=QUAY.replace("log\n", "\n") + "logging host 10.1.90.30\nroute-map OTHER permit 10\n" + POLICY,
    )
    assert run("before", "after")[0] == 0


def test_an_opening_that_is_certain_beside_an_uncertain_one(before: Path, tmp_path: Path) -> None:
    timed = QUAY.replace("eq 53", "eq 53 time-range OPENING").replace("eq 443", "range 443 444")
    write(tmp_path / "after", quay_a=timed)
    status, document = asked("before", "after")
    assert status == 1
    assert ports(document, "opened") == ["tcp/444"]
    assert ports(document, "uncertain") == ["udp/53", "udp/any"]


def test_a_refused_file_is_no_effect_only_where_it_is_the_same(before: Path, tmp_path: Path) -> None:
    after = write(tmp_path / "after")
    refused = "set system host-name slip\nset interfaces ge-0/0/0 unit 0 family inet address 10.1.77.1/24\n"
    for folder in (before, after):
        (folder / "slip.cfg").write_text(refused)
    status, text = run("before", "after")
    assert status == 0
    assert "refused in both states, with the same content: slip.cfg" in text
    (after / "slip.cfg").write_text(refused.replace("10.1.77.1", "10.1.20.9"))
    for form in ((), ("--format", "markdown"), ("--format", "junit"), ("--json",)):
        status, text = run("before", "after", *form)
        assert status == 2
        assert "slip.cfg" in text
    (after / "slip.cfg").unlink()
    assert run("before", "after")[0] == 2
    assert run("after", "before")[0] == 2
    (after / "slip.cfg").write_bytes(bytes(range(256)) * 20)
    assert run("before", "after")[0] == 2


# ---- a real repository ----------------------------------------------------------------------------------------------


def git(folder: Path, *words: str) -> str:
    settings = ("-c", "user.name=ferry", "-c", "user.email=ferry@example.net", "-c", "protocol.file.allow=always")
    environment = {key: value for key, value in os.environ.items() if not key.startswith("GIT_")}
    environment |= {"GIT_CONFIG_GLOBAL": os.devnull, "GIT_CONFIG_SYSTEM": os.devnull}
    done = subprocess.run(["git", *settings, *words], cwd=folder, check=True, capture_output=True, env=environment)
    return done.stdout.decode().strip()


def opened_port(folder: Path, port: int) -> None:
    """Commit a fleet whose tills may also reach another port."""
    write(folder, quay_a=QUAY.replace("eq 443", f"range 443 {port}"))
    git(folder, "add", "-A", ".")
    git(folder, "commit", "-qm", f"open up to {port}")


@pytest.fixture
def repository(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A repository with the fleet in a folder below its top: four commits on main, the working folder in it."""
    fleet = write(tmp_path / "site" / "fleet")
    (tmp_path / "site" / "notes.md").write_text("about the site\n")
    git(tmp_path / "site", "init", "-q", "-b", "main")
    git(tmp_path / "site", "add", ".")
    git(tmp_path / "site", "commit", "-qm", "start")
    for port in (444, 445, 446):
        opened_port(fleet, port)
    monkeypatch.chdir(fleet)
    return fleet


def state_of(folder: Path) -> str:
    """Everything that git or the file system could show of the work tree, the repository's index included."""
    digest = hashlib.sha256()
    top = Path(git(folder, "rev-parse", "--show-toplevel"))
    for path in sorted(top.rglob("*")):
        about = path.lstat()
        digest.update(f"{path} {about.st_mode} {about.st_mtime_ns} {about.st_size}".encode())
        if path.is_file() and not path.is_symlink():
            digest.update(path.read_bytes())
    return digest.hexdigest()


@needs_git
def test_revisions_against_the_work_tree_and_each_other(repository: Path) -> None:
    assert run("git:HEAD", ".")[0] == 0
    assert ports(asked("git:HEAD~3", ".")[1], "opened") == ["tcp/444-446"]
    assert ports(asked("git:HEAD~3", "git:HEAD~1")[1], "opened") == ["tcp/444-445"]
    assert ports(asked("git:HEAD", "git:HEAD~2")[1], "closed") == ["tcp/445-446"]
    (repository / "quay-a.cfg").write_text(QUAY)
    assert ports(asked("git:main", ".")[1], "closed") == ["tcp/444-446"]
    git(repository, "tag", "harvest", "HEAD~1")
    assert ports(asked("git:harvest", "git:main")[1], "opened") == ["tcp/446"]


@needs_git
def test_from_elsewhere(repository: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(repository.parent)
    assert ports(asked("git:HEAD~1", "fleet")[1], "opened") == ["tcp/446"]
    assert ports(asked("git:HEAD~1", "git:HEAD", "--fleet", "fleet")[1], "opened") == ["tcp/446"]
    assert ports(asked("git:HEAD~1:fleet", "git:HEAD:fleet")[1], "opened") == ["tcp/446"]
    monkeypatch.chdir(repository.parent.parent)
    with pytest.raises(InputError, match="is in no repository"):
        run("git:HEAD~1", "git:HEAD")
    write(repository.parent.parent / "outside")
    with pytest.raises(InputError, match="is in no repository"):
        run("git:HEAD", "outside")


@needs_git
def test_nothing_is_touched(repository: Path) -> None:
    (repository / "quay-a.cfg").write_text(QUAY.replace("443", "8443"))
    (repository / "core-1.cfg").write_text(CORE + "! staged\n")
    git(repository, "add", "core-1.cfg")
    (repository / "core-1.cfg").touch()  # the index is older than the file: git would like to refresh it
    was = state_of(repository)
    run("git:HEAD~2", ".")
    run("git:HEAD~2", "git:HEAD")
    assert state_of(repository) == was
    status = git(repository, "status", "--porcelain")
    assert status.split("\n") == ["M  fleet/core-1.cfg", " M fleet/quay-a.cfg"]


@needs_git
def test_branches_and_a_detached_head(repository: Path) -> None:
    git(repository, "switch", "-qc", "work", "HEAD~2")
    opened_port(repository, 500)
    git(repository, "switch", "-q", "--detach", "main~1")
    assert ports(asked("git:main", "git:work")[1], "opened") == ["tcp/447-500"]
    assert ports(asked("git:work", ".")[1], "closed") == ["tcp/446-500"]
    assert run("git:HEAD", ".")[0] == 0


@needs_git
def test_renamed_and_deleted_files(repository: Path) -> None:
    git(repository, "mv", "quay-a.cfg", "quay-one.cfg")
    (repository / "fleet.yaml").write_text(FLEET.replace("quay-a.cfg", "quay-one.cfg"))
    git(repository, "commit", "-qam", "rename")
    assert run("git:HEAD~1", ".")[0] == 0
    git(repository, "rm", "-q", "quay-one.cfg")
    (repository / "fleet.yaml").write_text("places: {booking: 10.1.90.20, tills: 10.1.20.0/24}\n")
    git(repository, "commit", "-qam", "gone")
    status, document = asked("git:HEAD~1", "git:HEAD")
    assert (status, document["devices"]["removed"]) == (1, ["quay-a"])
    # The whole folder may be gone by now.
    shutil.rmtree(repository)
    os.chdir(repository.parent)
    assert ports(asked("git:HEAD~5", "git:HEAD~3", "--fleet", str(repository))[1], "opened") == ["tcp/444-445"]


@needs_git
@pytest.mark.parametrize(
    "word", ["git:--output=owned", "git:-h", "git:", "git:--upload-pack=touch owned", "git: ", "git:main\nHEAD"]
)
def test_a_revision_that_looks_like_an_option_is_refused(repository: Path, word: str) -> None:
    was = state_of(repository)
    with pytest.raises(UsageError, match="is no revision"):
        run(word, ".")
    with pytest.raises(UsageError, match="is no revision"):
        run(".", word)
    assert state_of(repository) == was


@needs_git
@pytest.mark.parametrize(
    "word", ["git:nowhere", "git:HEAD~99", "git:HEAD^{tree}", "git:HEAD:elsewhere", "git:HEAD:../up"]
)
def test_a_revision_that_is_none_is_an_error(repository: Path, word: str) -> None:
    with pytest.raises(InputError):
        run(word, ".")


@needs_git
def test_a_bare_repository(repository: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    git(tmp_path, "clone", "-q", "--bare", str(repository.parent), "bare.git")
    monkeypatch.chdir(tmp_path / "bare.git")
    assert ports(asked("git:main~1:fleet", "git:main:fleet")[1], "opened") == ["tcp/446"]


@needs_git
def test_a_shallow_clone_says_what_is_missing(
    repository: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    git(tmp_path, "clone", "-q", "--depth", "1", repository.parent.as_uri(), "shallow")
    monkeypatch.chdir(tmp_path / "shallow" / "fleet")
    assert run("git:HEAD", ".")[0] == 0
    with pytest.raises(InputError) as caught:
        run("git:HEAD~2", ".")
    assert "shallow" in (caught.value.help or "")


@needs_git
def test_a_submodule(repository: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = tmp_path / "whole"
    whole.mkdir()
    git(whole, "init", "-q", "-b", "main")
    git(whole, "submodule", "--quiet", "add", repository.parent.as_uri(), "ferries")
    git(whole, "commit", "-qm", "with the fleet")
    # Inside the submodule it is a repository like any other.
    monkeypatch.chdir(whole / "ferries" / "fleet")
    assert ports(asked("git:HEAD~1", ".")[1], "opened") == ["tcp/446"]
    # From outside its files are not part of the revision: that is said, and not taken for an empty fleet.
    monkeypatch.chdir(whole)
    with pytest.raises(InputError, match="`ferries` is a submodule"):
        run("git:HEAD", ".")
    with pytest.raises(InputError, match="is a submodule"):
        run("git:HEAD:ferries", ".")


@needs_git
def test_links_and_modes(repository: Path) -> None:
    (repository / "quay-a.cfg").rename(repository / "quay.text")
    (repository / "quay-a.cfg").symlink_to("quay.text")
    git(repository, "add", "-A", ".")
    git(repository, "commit", "-qm", "a link")
    (repository / "core-1.cfg").chmod(0o755)
    git(repository, "commit", "-qam", "a mode")
    for word in ("git:HEAD~2", "git:HEAD~1", "git:HEAD"):
        assert run(word, ".")[0] == 0
    (repository / "core-1.cfg").unlink()
    (repository / "core-1.cfg").symlink_to("core-1.cfg")
    git(repository, "commit", "-qam", "a link to itself")
    # Nobody can read it, so that nobody knows what it changes.
    assert run("git:HEAD~1", "git:HEAD")[0] == 2


@needs_git
def test_variables_of_a_hook_do_not_lead_elsewhere(repository: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GIT_DIR", str(repository.parent.parent / "nowhere"))
    monkeypatch.setenv("GIT_INDEX_FILE", str(repository / "index"))
    assert ports(asked("git:HEAD~1", ".")[1], "opened") == ["tcp/446"]
    assert not (repository / "index").exists()


# ---- formats --------------------------------------------------------------------------------------------------------


def test_several_formats_at_once(before: Path, tmp_path: Path) -> None:
    write(tmp_path / "after", quay_a=QUAY.replace("eq 443", "range 443 444"))
    words = ["--format", "text", "--format", "json", "--output", "c.json", "--format", "markdown", "--output", "c.md",
             "--format", "sarif", "--output", "c.sarif", "--format", "junit", "--output", "c.xml",
             "--format", "annotations", "--output", "c.txt"]  # fmt: skip
    status, text = run("before", "after", *words)
    assert (status, text.split()[0]) == (1, "CHANGED")
    assert ports(json.loads(Path("c.json").read_text()), "opened") == ["tcp/444"]
    for name in ("c.md", "c.sarif", "c.xml", "c.txt"):
        assert "444" in Path(name).read_text(), name


def test_a_comment_is_short_with_openings_first_and_details_folded(before: Path, tmp_path: Path) -> None:
    write(tmp_path / "after", quay_a=QUAY.replace(TILLS, TILLS.replace("443", "22")))
    _, text = run("before", "after", "--format", "markdown")
    top, _, folds = text.partition("<details>")
    order = ("### pathcheck compare: ", "**Required flows that stand otherwise**", "**Opened: ", "**Closed: ")
    assert [top.index(words) for words in order] == sorted(top.index(words) for words in order)
    assert "`after/quay-a.cfg:12`" in top
    assert len(top.splitlines()) < 30
    assert folds.count("</details>") == text.count("<details>") >= 3
    assert "for example tcp 10.1.20.2:49152 to 10.1.90.20:22 (syn)" in folds
    _, text = run("before", "before", "--format", "markdown")
    assert text.startswith("### pathcheck compare: each packet fares as before\n")


def test_wrong_use(before: Path) -> None:
    for words in ((), ("before",), ("before", "before", "before"), ("before", "before", "--acl", "A", "B")):
        with pytest.raises(UsageError):
            run(*words)
    with pytest.raises(InputError):
        run("before", "nowhere")
