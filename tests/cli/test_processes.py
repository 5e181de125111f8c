"""Whatever ends a command ends it with a word and the right status, and leaves no half-written file.

Each test is a real process: streams that are full, closed or gone, signals at several moments,
memory and diagram nodes that run out, files that cannot be read or written.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path

import pytest
from typer.main import get_command

from pathcheck.cli.main import app
from pathcheck.parser.configuration import SourceText, read_configuration

Done = subprocess.CompletedProcess[bytes]
CONFIGURATION = b"""hostname quay-a
ip access-list extended TILLS-IN
 10 permit tcp 10.1.20.0 0.0.0.255 host 10.1.90.20 eq 443
 20 permit tcp 10.1.20.0 0.0.0.255 host 10.1.90.20 eq 443
 30 deny ip any any
interface Vlan20
 ip address 10.1.20.1 255.255.255.0
 ip access-group TILLS-IN in
interface Ethernet1
 no switchport
 ip address 10.1.90.1 255.255.255.0
ip route 0.0.0.0 0.0.0.0 10.1.90.2
"""
FLOW = ("tcp", "10.1.20.7", "10.1.90.20:443")
FLOWS = b"flows:\n  - {name: tills sell, flow: tcp 10.1.20.7 10.1.90.20:443, expect: open}\n"
FLEET = b"""places: {controller: 10.1.90.5}
devices: {quay-a: {management: 10.1.90.1}}
bootstrap:
  - {file: quay.boot, devices: [quay-a], vlan: 20, subnet: 10.1.20.0/24, pool: 10.1.20.100-10.1.20.199,
     gateway: 10.1.20.1, dhcp: 10.1.90.5, server: 10.1.90.5, protocols: [tftp]}
"""
BOOT = b"hostname quay-a\ninterface Vlan20\n ip address dhcp\n"

OF_A_FLEET = {
    "check": (), "parse": (), "flow": FLOW, "reach": (), "review": (), "tidy": ("TILLS-IN",), "routes": (),
    "require": (), "audit": (), "manageable": (), "bootstrap": (), "rehearse": FLOW,
}  # fmt: skip
"""The commands that read one fleet, with what they need besides."""
OF_TWO_STATES = ("compare", "rollout", "removals")
OTHERS = ("demo", "explain")
KNOWN = {*OF_A_FLEET, *OF_TWO_STATES, *OTHERS}
COMMANDS = sorted(get_command(app).commands)  # type: ignore[attr-defined]
READING = [name for name in COMMANDS if name in OF_A_FLEET or name in OF_TWO_STATES]
WITHOUT_OUTPUT = ("demo", "explain")

START = [sys.executable, "-m", "pathcheck"]
STEPPED = [sys.executable, "-c", """
import importlib.abc, os, signal, sys
moment, number = sys.argv[1], int(sys.argv[2])
del sys.argv[1:3]
if number == signal.SIGINT:  # ignored where the tests run in the background of a shell
    signal.signal(number, signal.default_int_handler)
else:
    signal.signal(number, signal.SIG_DFL)
class Moment(importlib.abc.MetaPathFinder):
    def find_spec(self, name, path=None, target=None):
        if name == moment:
            os.kill(os.getpid(), number)
sys.meta_path.insert(0, Moment())
from pathcheck.cli.process import run
run()
"""]  # fmt: skip
"""The program, to which a signal is sent at the moment when it wants a module for the first time."""
WITH_FAULT = [sys.executable, "-c", """
import signal, sys
signal.signal(signal.SIGINT, signal.default_int_handler)
exec(sys.argv.pop(1))
from pathcheck.cli.process import run
run()
"""]  # fmt: skip
"""The program, in which something was changed before it starts."""


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("fleet")
    (folder / "quay-a.cfg").write_bytes(CONFIGURATION)
    (folder / "required-flows.yaml").write_bytes(FLOWS)
    (folder / "fleet.yaml").write_bytes(FLEET)
    (folder / "quay.boot").write_bytes(BOOT)
    return folder


def run(
    words: list[str], *, start: list[str] = START, limits: str = "", cwd: Path | None = None, shell: str = ""
) -> Done:
    """Run the program; `limits` are options of the shell's `ulimit`, `shell` is what stands behind the command."""
    command = [*start, *words]
    if limits or shell:
        guard = f"ulimit {limits} && " if limits else ""
        command = ["bash", "-c", f'{guard}"$@" {shell}', "bash", *command]
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])}
    return subprocess.run(command, capture_output=True, timeout=240, cwd=cwd, env=environment, check=False)


def words_of(command: str, fleet: Path) -> list[str]:
    if command == "rollout":
        return [command, "--before", str(fleet), "--after", str(fleet)]
    if command in OF_TWO_STATES:
        return [command, str(fleet), str(fleet)]
    if command == "demo":
        return [command, str(fleet / "new" / "demo")]
    if command == "explain":
        return [command, "PC101"]
    return [command, "--fleet", str(fleet), *OF_A_FLEET[command]]


def is_told(done: Done, status: int, words: str) -> None:
    """The process ended so, said why, and showed no traceback."""
    said = done.stderr.decode()
    assert done.returncode == status, (done.returncode, said[-3000:], done.stdout[-300:])
    assert words in said, said
    assert "Traceback" not in said
    assert "panicked" not in said


class Runs:
    """All runs of a table, two at a time; each is asked for by its key."""

    def __init__(self, pool: ThreadPoolExecutor) -> None:
        self._pool = pool
        self._found: dict[object, Future[Done]] = {}

    def start(self, key: object, words: list[str], **how: object) -> None:
        self._found[key] = self._pool.submit(run, words, **how)  # type: ignore[arg-type]

    def __getitem__(self, key: object) -> Done:
        return self._found[key].result()


@pytest.fixture(scope="module")
def runs(fleet: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Runs]:
    with ThreadPoolExecutor(max_workers=2) as pool:
        found = Runs(pool)
        for command in COMMANDS:
            place = tmp_path_factory.mktemp(command)
            words = ["demo", str(place / "demo")] if command == "demo" else words_of(command, fleet)
            found.start((command, "full"), words, shell="> /dev/full")
            moment = "typer" if command == "explain" else "pathcheck.fleet"
            at = place / "stopped"
            stopped = ["demo", str(at)] if command == "demo" else words
            moment = "pathcheck.cli.check" if command == "demo" else moment
            found.start((command, "stopped"), [moment, str(int(signal.SIGINT)), *stopped], start=STEPPED)
            if command in READING:
                missing = words_of(command, Path("/nonexistent"))
                found.start((command, "missing"), missing)
            if command not in WITHOUT_OUTPUT:
                found.start((command, "output"), [*words, "--output", "/dev/full"])
        yield found


def test_each_command_has_a_row_here() -> None:
    assert set(COMMANDS) <= KNOWN, "say how the new command is called, so that it is tried as well"


@pytest.mark.parametrize("command", COMMANDS)
def test_a_full_disk_behind_standard_output(command: str, runs: Runs) -> None:
    is_told(runs[command, "full"], 2, "cannot be written: no space left on device")


@pytest.mark.parametrize("command", [name for name in COMMANDS if name not in WITHOUT_OUTPUT])
def test_a_full_disk_behind_an_output(command: str, runs: Runs) -> None:
    is_told(runs[command, "output"], 2, "`/dev/full` cannot be written: no space left on device")


@pytest.mark.parametrize("command", COMMANDS)
def test_an_interrupt(command: str, runs: Runs) -> None:
    is_told(runs[command, "stopped"], 130, "interrupted; nothing was decided")


@pytest.mark.parametrize("command", READING)
def test_a_fleet_that_is_not_there(command: str, runs: Runs) -> None:
    is_told(runs[command, "missing"], 2, "`/nonexistent` cannot be read: no such file or directory")


# -- signals


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
@pytest.mark.parametrize(
    "moment",
    ["typer", "pathcheck.fleet", "pathcheck.parser.configuration", "oxidd.bdd", "pathcheck.reports.findings_text"],
)
def test_a_signal_at_any_moment(moment: str, number: signal.Signals, fleet: Path) -> None:
    if number is not signal.SIGINT and moment != "oxidd.bdd":
        pytest.skip("the others are heard like an interrupt, so one moment shows it")
    done = run([moment, str(int(number)), *words_of("check", fleet)], start=STEPPED)
    is_told(done, 128 + number, "interrupted" if number is signal.SIGINT else "stopped; nothing was decided")
    assert done.stdout == b""


def test_an_interrupt_while_a_file_is_written_leaves_what_stood_there(fleet: Path, tmp_path: Path) -> None:
    report = tmp_path / "report.json"
    report.write_text("as it was")
    change = "import os, signal; os.fsync = lambda _: os.kill(os.getpid(), signal.SIGINT)"
    done = run([change, *words_of("check", fleet), "--output", str(report)], start=WITH_FAULT)
    is_told(done, 130, "interrupted")
    assert report.read_text() == "as it was"
    assert os.listdir(tmp_path) == ["report.json"]


def test_an_interrupt_while_the_demo_is_written_leaves_no_part_of_it(tmp_path: Path) -> None:
    change = (
        "import os, shutil, signal\n"
        "def part(_, folder, **__):\n    os.mkdir(folder)\n    os.kill(os.getpid(), signal.SIGTERM)\n"
        "shutil.copytree = part"
    )
    is_told(run([change, "demo", str(tmp_path / "demo")], start=WITH_FAULT), 143, "stopped")
    assert os.listdir(tmp_path) == []


def test_a_signal_that_is_ignored_stays_so(fleet: Path) -> None:
    change = "import signal; signal.signal(signal.SIGHUP, signal.SIG_IGN)"
    hangs_up = "; import os, pathcheck.fleet as f; g = f.load_fleet; f.load_fleet = lambda *a, **k: (os.kill(os.getpid(), 1), g(*a, **k))[1]"  # noqa: E501
    assert run([change + hangs_up, *words_of("parse", fleet)], start=WITH_FAULT).returncode == 0


def test_a_signal_after_the_answer_changes_nothing(fleet: Path) -> None:
    change = "import atexit, os, signal; atexit.register(lambda: os.kill(os.getpid(), signal.SIGINT))"
    done = run([change, *words_of("parse", fleet)], start=WITH_FAULT)
    assert (done.returncode, done.stderr) == (0, b"")


# -- streams


@pytest.mark.parametrize("command", ["parse", "explain"])
def test_a_reader_that_has_gone(command: str, fleet: Path) -> None:
    done = run(words_of(command, fleet), shell='| exec true; exit "${PIPESTATUS[0]}"')
    is_told(done, 130, "")
    assert done.stderr == b""


def test_closed_streams(fleet: Path) -> None:
    assert run(words_of("parse", fleet), shell=">&-").returncode == 0
    assert run(words_of("parse", Path("/nonexistent")), shell="2>&-").returncode == 2
    assert run(words_of("check", fleet), shell="<&- >&- 2>&-").returncode == 1


def test_a_full_disk_behind_standard_error(fleet: Path) -> None:
    assert run(words_of("parse", Path("/nonexistent")), shell="2> /dev/full").returncode == 2
    assert run(["parse", "--nonsense"], shell="2> /dev/full").returncode == 2


# -- files that are written


@pytest.mark.parametrize("fault", ["limit", "disk"])
def test_no_room_for_an_output(fault: str, fleet: Path, tmp_path: Path) -> None:
    place = tmp_path / "small"
    place.mkdir()
    mounted = fault == "disk"
    if (
        mounted
        and subprocess.run(["mount", "-t", "tmpfs", "-o", "size=8k", "none", place], capture_output=True).returncode
    ):
        pytest.skip("no right to mount a small disk")
    try:
        (place / "report.txt").write_text("as it was")
        words = [*words_of("check", fleet), "--format", "sarif", "--output", str(place / "report.txt")]
        done = run(words, limits="" if mounted else "-f 1")
        is_told(
            done, 2, f"`{place / 'report.txt'}` cannot be written: {'no space left' if mounted else 'file too large'}"
        )
        assert (place / "report.txt").read_text() == "as it was"
        assert os.listdir(place) == ["report.txt"]
        if mounted:
            is_told(run(["demo", str(place / "demo")]), 2, "no space left on device")
            assert os.listdir(place) == ["report.txt"]
    finally:
        if mounted:
            subprocess.run(["umount", place], check=True)


def test_a_tidied_file_is_written_whole_or_not_at_all(tmp_path: Path) -> None:
    (tmp_path / "quay-a.cfg").write_bytes(CONFIGURATION)
    change = "import os\ndef full(_): raise OSError(28, 'No space left on device')\nos.fsync = full"
    words = ["tidy", "--fleet", str(tmp_path), "TILLS-IN", "--write"]
    is_told(run([change, *words], start=WITH_FAULT), 2, "cannot be written: no space left on device")
    assert (tmp_path / "quay-a.cfg").read_bytes() == CONFIGURATION
    assert os.listdir(tmp_path) == ["quay-a.cfg"]


# -- files that are read


def strange_files(folder: Path) -> dict[str, str]:
    """Make files that cannot be read in a folder; return why not, by name."""
    (folder / "folder.cfg").mkdir()
    os.mkfifo(folder / "pipe.cfg")
    (folder / "loop.cfg").symlink_to("loop.cfg")
    (folder / "nothing.cfg").symlink_to("nowhere")
    (folder / "device.cfg").symlink_to("/dev/zero")
    with open(folder / "huge.cfg", "wb") as file:
        file.truncate(300 << 20)
    reasons = {
        "pipe.cfg": "it is no regular file", "loop.cfg": "too many levels of symbolic links",
        "nothing.cfg": "no such file or directory", "device.cfg": "it is no regular file", "huge.cfg": "more than the",
    }  # fmt: skip
    if os.geteuid():
        (folder / "locked.cfg").write_bytes(CONFIGURATION)
        (folder / "locked.cfg").chmod(0)
        reasons["locked.cfg"] = "permission denied"
    return reasons


def test_strange_files_in_a_fleet_are_refused_and_the_others_read(tmp_path: Path) -> None:
    reasons = strange_files(tmp_path)
    (tmp_path / "quay-a.cfg").write_bytes(CONFIGURATION)
    done = run(["parse", "--fleet", str(tmp_path), "--json"])
    assert done.returncode == 2
    shown = done.stdout.decode()
    for name, why in reasons.items():
        assert name in shown and why in shown
    assert '"modelled": 12' in shown


@pytest.mark.parametrize("place", ["--fleet", "--baseline", "FILE", "--batch", "compare"])
@pytest.mark.parametrize("kind", ["/dev/zero", "folder", "loop", "missing", "locked"])
def test_a_strange_file_that_is_named(place: str, kind: str, fleet: Path, tmp_path: Path) -> None:
    if kind == "locked" and not os.geteuid():
        pytest.skip("root may read everything")
    if (kind, place) in (("folder", "--fleet"), ("folder", "compare"), ("/dev/zero", "--batch")):
        pytest.skip("a fleet is a folder, and a batch has no end to wait for")
    file = Path(kind) if kind.startswith("/") else tmp_path / kind
    if kind == "folder":
        file.mkdir()
    elif kind == "loop":
        file.symlink_to(file)
    elif kind == "locked":
        file.write_bytes(CONFIGURATION)
        file.chmod(0)
    words = {
        "--fleet": ["parse", "--fleet", str(file)],
        "--baseline": ["check", "--fleet", str(fleet), "--baseline", str(file)],
        "FILE": ["require", "--fleet", str(fleet), str(file)],
        "--batch": ["flow", "--fleet", str(fleet), "--batch", str(file)],
        "compare": ["compare", str(fleet), str(file)],
    }[place]
    # A file of a fleet is refused in its report, one that is named by itself is an error.
    done = run(words)
    assert done.returncode == 2, done.stderr.decode()[-2000:]
    assert "cannot be read" in (done.stderr + done.stdout).decode()
    assert b"Traceback" not in done.stderr


@pytest.mark.parametrize("words", [[], ["--baseline", "known.yaml"]])
def test_no_right_to_read_a_file(words: list[str], fleet: Path) -> None:
    """Said by the system in the place of the file, since root may read everything."""
    change = (
        "import pathcheck.file_content as f\n"
        "def locked(path, mode):\n"
        "    if path.name in ('quay-a.cfg', 'known.yaml'): raise PermissionError(13, 'Permission denied')\n"
        "    return open(path, mode)\n"
        "f.open = locked"
    )
    done = run([change, "check", "--fleet", str(fleet), *words], start=WITH_FAULT)
    assert done.returncode == 2
    assert "cannot be read: permission denied" in (done.stdout + done.stderr).decode()
    assert b"Traceback" not in done.stderr


def test_a_pipe_stands_for_a_file_that_is_named(fleet: Path) -> None:
    command = f"{sys.executable} -m pathcheck require --fleet {fleet} <(cat {fleet}/required-flows.yaml)"
    done = subprocess.run(["bash", "-c", command], capture_output=True, cwd=Path(__file__).parents[2], check=False)
    named = run(["require", "--fleet", str(fleet), str(fleet / "required-flows.yaml")])
    assert (done.returncode, done.stderr) == (named.returncode, b"")
    assert named.returncode in (0, 1)


def test_a_file_that_is_written_to_while_it_is_read(fleet: Path, tmp_path: Path) -> None:
    (tmp_path / "quay-a.cfg").write_bytes(CONFIGURATION)
    change = (
        "import os\nf = os.fstat\n"
        f"def grows(number):\n    about = f(number)\n    open({str(tmp_path / 'quay-a.cfg')!r}, 'ab').write(b'!\\n')\n"
        "    return about\nos.fstat = grows"
    )
    done = run([change, "parse", "--fleet", str(tmp_path)], start=WITH_FAULT)
    assert done.returncode == 2
    assert b"it was written to while it was read" in done.stdout


# -- memory, nodes, depth


@pytest.mark.parametrize("megabytes", [40, 100, 250, 600, 1200])
def test_little_room_for_addresses(megabytes: int, fleet: Path) -> None:
    """Native code aborts, gives up with status 1, or raises, by how little there is; Python may not even start."""
    done = run(words_of("check", fleet), limits=f"-v {megabytes << 10}")
    is_told(done, 2, "out of memory; nothing was decided")
    assert done.stdout == b""


def test_enough_room_for_addresses(fleet: Path) -> None:
    done, free = run(words_of("check", fleet), limits="-v 4000000"), run(words_of("check", fleet))
    assert (done.returncode, done.stdout, done.stderr) == (free.returncode, free.stdout, free.stderr)
    is_told(run(words_of("parse", Path("/nonexistent")), limits="-v 4000000"), 2, "cannot be read")


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_where_the_room_is_bounded(number: signal.Signals, fleet: Path) -> None:
    words = ["pathcheck.fleet", str(int(number)), *words_of("check", fleet)]
    is_told(run(words, start=STEPPED, limits="-v 4000000"), 128 + number, "nothing was decided")


@pytest.mark.parametrize("where", ["pathcheck.fleet.load_fleet", "pathcheck.queries.check.full_check"])
@pytest.mark.parametrize("fault", ["MemoryError()", "OSError(12, 'Cannot allocate memory')",
                                   "ImportError('x.so: failed to map segment from shared object')"])  # fmt: skip
def test_memory_that_runs_out(where: str, fault: str, fleet: Path) -> None:
    module, _, name = where.rpartition(".")
    change = f"import {module} as m\ndef full(*_, **__): raise {fault}\nm.{name} = full"
    is_told(run([change, *words_of("check", fleet)], start=WITH_FAULT), 2, "out of memory; nothing was decided")


@pytest.mark.parametrize(
    "words",
    [
        ["reach"],
        ["flow", "ip", "any", "any", "--at", "quay-a:Ethernet1"],
        ["flow", "ip", "any", "any", "--acl", "TILLS-IN"],
        ["tidy", "TILLS-IN"],
    ],
)
def test_diagram_nodes_that_run_out(words: list[str], tmp_path: Path) -> None:
    """Arrays of bounds answer what the other commands ask of a list of this size."""
    ranges = [
        f" permit tcp 10.{n}.0.0 0.{n}.255.{n} 10.{n * 7 % 256}.0.0 0.{n * 3 % 256}.{n}.255 range {n} {9 * n + 50}"
        for n in range(1, 250)
    ]
    start, end = CONFIGURATION.split(b" 30 deny")
    (tmp_path / "quay-a.cfg").write_bytes(start + "\n".join(ranges).encode() + b"\n 9000 deny" + end)
    change = (
        "import pathcheck.packetset.bdd as b\nb.Diagrams.__init__.__defaults__ = (500, 1024)\n"
        "import pathcheck.packetset.algebra as a\n"
        "a.PacketSpace.__init__.__kwdefaults__.update(nodes=500, cache=1024)"
    )
    done = run([change, *words, "--fleet", str(tmp_path)], start=WITH_FAULT)
    is_told(done, 2, "the sets of packets need more than the 500 nodes that there is room for")
    assert b"ask about fewer packets" in done.stderr
    assert done.stdout == b""


DEEP = {
    "groups.cfg": lambda: "hostname a\n" + "".join(
        f"object-group network G{n}\n group-object G{n + 1}\n" for n in range(5000)
    ) + "ip access-list extended A\n permit ip object-group G0 any\ninterface Vlan20\n ip address 10.1.20.1/24\n"
    " ip access-group A in\n",
    "cycle.cfg": lambda: "object-group network A\n group-object B\nobject-group network B\n group-object A\n"
    "ip access-list extended A\n permit ip object-group A any\n",
    "vlans.cfg": lambda: "interface Ethernet1\n switchport trunk allowed vlan " + ",".join(["1-4094"] * 30000) + "\n",
    "line.cfg": lambda: "hostname a\n" + "permit " * 3_000_000 + "\n",
    "word.cfg": lambda: "hostname a\nip route " + "1" * 20_000_000 + "\n",
    "indent.cfg": lambda: "".join(" " * n + "interface Vlan20\n" for n in range(3000)),
    "data.yaml": lambda: "hostname: a\nx: " + "[" * 100_000,
    "models.json": lambda: '{"ietf-access-control-list:acls": ' + '{"acl":' * 100_000,
    "fleet.yaml": lambda: "places:\n" + "".join(f"  p{n}: p{n + 1}\n" for n in range(20_000)),
    "required-flows.yaml": lambda: "flows: " + "{a: " * 100_000,
}  # fmt: skip


@pytest.mark.parametrize("name", DEEP)
def test_depth_and_length(name: str, tmp_path: Path) -> None:
    (tmp_path / "quay-a.cfg").write_bytes(CONFIGURATION)
    (tmp_path / name).write_text(DEEP[name]())
    done = run(["check", "--fleet", str(tmp_path)], limits="-t 120")
    assert done.returncode in (1, 2), done.stderr.decode()[-2000:]
    assert b"Traceback" not in done.stderr
    assert len(done.stdout + done.stderr) < 200_000
    assert name in (done.stdout + done.stderr).decode() or name == "indent.cfg"  # nothing is wrong with that one


def test_the_configuration_of_this_file_is_read() -> None:
    (account,) = read_configuration([SourceText("quay-a.cfg", CONFIGURATION)], default_name="a").accounts
    assert account.counts["modelled"] == account.lines == 12
