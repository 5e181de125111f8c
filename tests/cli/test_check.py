"""`pathcheck check`: what fails, what comes first, what is known or waived, and where reports go."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from pathcheck.cli.main import app
from pathcheck.errors import InputError, UsageError
from pathcheck.fleet import load_fleet
from pathcheck.queries.audit import audit_fleet
from pathcheck.queries.check import check_fleet
from pathcheck.queries.line_review import review_fleet, without_covered
from pathcheck.queries.required_flows import required_flow_findings
from pathcheck.queries.route_review import review_routes

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "corpora" / "ferry-operator" / "fleet"
CASES = sorted(path for path in (ROOT / "tests" / "cases").glob("PC*/fires*"))
LIST = """hostname quay-a
interface Ethernet1
 no switchport
 ip address 10.1.20.1 255.255.255.0
 ip access-group TILLS in
ip access-list extended TILLS
 permit tcp 10.1.20.0 0.0.0.255 host 10.1.99.10 eq 443
 deny ip any any log
{0}"""
DEAD = " permit udp 10.1.20.0 0.0.0.255 host 10.1.99.10 eq 53\n"


def run(*words: str) -> tuple[int, str]:
    result = CliRunner().invoke(app, list(words), standalone_mode=False)
    if result.exception is not None:
        raise result.exception
    return result.return_value, result.stdout


def codes(document: dict[str, Any], part: str = "findings") -> list[str]:
    return [item["code"] for item in document[part]]


@pytest.fixture
def fleet(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A fleet with one dead permit, in a working folder of its own."""
    folder = tmp_path / "fleet"
    folder.mkdir()
    (folder / "quay-a.cfg").write_text(LIST.format(DEAD))
    monkeypatch.chdir(tmp_path)
    return folder


def check(*words: str) -> tuple[int, dict[str, Any]]:
    status, text = run("check", "--fleet", "fleet", *words, "--json")
    return status, json.loads(text)


@pytest.mark.parametrize("place", [DEMO, *CASES], ids=lambda path: path.parent.name)
def test_it_holds_each_finding_of_the_other_commands_once(place: Path) -> None:
    loaded = load_fleet(place)
    found = check_fleet(loaded)
    assert len(set(found)) == len(found)
    others = {*loaded.report.findings, *review_fleet(loaded), *audit_fleet(loaded), *review_routes(loaded.config)}
    expected = set(without_covered([*others, *required_flow_findings(loaded)]))
    # Sessions, servers and what interfaces need are only looked for here, and so is what is wrong in bootstrap texts.
    own = {
        item
        for item in found
        if item.code.startswith(("PC34", "PC35", "PC384", "PC385"))
        or (item.code[:3] == "PC4" and item.span is not None and item.span.file in loaded.bootstrap_texts)
    }
    assert set(found) - own == expected


@pytest.mark.parametrize(("severity", "status"), [("error", 0), ("warning", 1), ("note", 1)])
def test_fail_on(fleet: Path, severity: str, status: int) -> None:
    (fleet / "quay-a.cfg").write_text(LIST.format(" deny ip any any log\n"))
    assert codes(check()[1]) == ["PC105"]
    assert check("--fail-on", severity)[0] == status
    shutil.copy(ROOT / "tests" / "cases" / "PC338" / "fires.cfg", fleet / "quay-a.cfg")
    assert check()[1]["counts"] == {"error": 0, "warning": 0, "note": 2}
    assert check("--fail-on", severity)[0] == (severity == "note")


def test_baseline(fleet: Path) -> None:
    assert check()[0] == 1
    status, document = check("--write-baseline", "known.yaml")
    assert (status, codes(document)) == (0, ["PC101"]), "what was written down is known from now on"
    status, document = check("--baseline", "known.yaml")
    assert (status, codes(document), codes(document, "known")) == (0, [], ["PC101"])
    (fleet / "quay-a.cfg").write_text("\n!\n" + LIST.format("!\n" + DEAD + DEAD.replace("53", "54")))
    status, document = check("--baseline", "known.yaml")
    assert (status, len(document["findings"]), len(document["known"])) == (1, 1, 1)
    assert document["findings"][0]["text"].endswith("eq 54")
    (fleet / "quay-a.cfg").write_text(LIST.format(""))
    status, document = check("--baseline", "known.yaml")
    assert (status, document["baseline"]) == (0, {"file": "known.yaml", "gone": 1})
    with pytest.raises(InputError, match=r"the baseline `none\.yaml` cannot be read: no such file"):
        check("--baseline", "none.yaml")


WAIVER = "waivers:\n  - {{code: PC101, device: quay-a, acl: TILLS, reason: why, owner: net, until: {0}}}\n"


def test_waivers_hold_to_their_last_day(fleet: Path) -> None:
    (fleet / "waivers.yaml").write_text(WAIVER.format("2026-05-31"))
    status, document = check("--today", "2026-05-31")
    assert (status, codes(document), codes(document, "waived")) == (0, [], ["PC101"])
    assert document["waived"][0]["waiver"] == {
        "reason": "why", "owner": "net", "until": "2026-05-31", "file": "waivers.yaml", "line": 2,
    }  # fmt: skip
    status, document = check("--today", "2026-06-01")
    assert (status, codes(document)) == (1, ["PC101", "PC384"])
    assert "(1 finding)" in document["findings"][1]["message"]
    assert check("--today", "2026-06-01", "--write-baseline", "known.yaml")[0] == 0
    status, document = check("--today", "2026-06-01", "--baseline", "known.yaml")
    assert (status, codes(document)) == (1, ["PC384"]), "that a waiver has expired is never known"
    (fleet / "quay-a.cfg").write_text(LIST.format(""))
    assert codes(check("--today", "2026-05-31")[1]) == ["PC385"]
    assert codes(check("--today", "2026-06-01")[1]) == ["PC384"]


def test_a_waived_finding_is_not_in_a_new_baseline(fleet: Path) -> None:
    (fleet / "waivers.yaml").write_text(WAIVER.format("2026-05-31"))
    check("--today", "2026-05-31", "--write-baseline", "known.yaml")
    assert codes(check("--today", "2026-06-01", "--baseline", "known.yaml")[1]) == ["PC101", "PC384"]


def test_waivers_by_fingerprint_by_text_and_for_others(fleet: Path) -> None:
    (found,) = check()[1]["findings"]
    rest = "reason: why, owner: net, until: 9999-12-31"
    for key, waived in (
        (f"fingerprint: {found['fingerprint']}", True),
        ("code: PC101, text: permit udp  10.1.20.0 0.0.0.255 host 10.1.99.10 eq 53", True),
        ("code: PC101, text: permit udp 10.1.20.0 0.0.0.255 host 10.1.99.10", False),
        ("code: PC101, acl: TILLS", True),
        ("code: PC101, device: quay-b", False),
        ("code: PC102, acl: TILLS", False),
    ):
        (fleet / "waivers.yaml").write_text(f"waivers:\n  - {{{key}, {rest}}}\n")
        status, document = check()
        assert (status, codes(document)) == ((0, []) if waived else (1, ["PC101", "PC385"])), key


def test_faults_of_waivers_are_told_with_their_place(fleet: Path) -> None:
    (fleet / "exceptions.yaml").write_text("waivers:\n  - {code: PC101, reason: why}\n")
    (fleet / "fleet.yaml").write_text("waivers: exceptions.yaml\n")
    with pytest.raises(InputError, match=r"^exceptions\.yaml:2:5: a waiver needs the key `owner`"):
        check()
    (fleet / "fleet.yaml").write_text("waivers: none.yaml\n")
    with pytest.raises(InputError, match=r"fleet\.yaml:1:10: no file `none\.yaml` in the fleet's folder"):
        check()


def test_a_refused_file_is_status_2_unless_it_is_waived(fleet: Path) -> None:
    (fleet / "quay-a.cfg").write_text(LIST.format(""))
    (fleet / "other.cfg").write_bytes(bytes(range(256)))
    status, document = check("--fail-on", "error")
    assert (status, codes(document)) == (2, ["PC403"])
    check("--write-baseline", "known.yaml")
    assert check("--baseline", "known.yaml")[0] == 2, "nobody looked at it when the baseline was written"
    waiver = (
        WAIVER.format("9999-12-31").replace("PC101", "PC403").replace("device: quay-a, acl: TILLS", "file: other.cfg")
    )
    (fleet / "waivers.yaml").write_text(waiver)
    assert check()[0] == 0


# ---- changed lines --------------------------------------------------------------------------


def git(*words: str) -> None:
    settings = ("-c", "user.name=ferry", "-c", "user.email=ferry@example.net")
    environment = {key: value for key, value in os.environ.items() if not key.startswith("GIT_")}
    environment |= {"GIT_CONFIG_GLOBAL": os.devnull, "GIT_CONFIG_SYSTEM": os.devnull}
    subprocess.run(["git", *settings, *words], check=True, capture_output=True, env=environment)


@pytest.mark.skipif(shutil.which("git") is None, reason="git is not installed")
def test_changed_lines_come_first_and_can_decide_alone(fleet: Path) -> None:
    git("init", "-q", "-b", "main")
    git("add", ".")
    git("commit", "-qm", "start")
    new = DEAD.replace("53", "54")
    (fleet / "quay-a.cfg").write_text(LIST.format(DEAD + new))
    status, document = check("--changed-since", "main")
    assert (status, document["changed_since"]) == (1, "main")
    assert [(item["text"][-2:], item["changed"]) for item in document["findings"]] == [("54", True), ("53", False)]
    assert check("--changed-since", "main", "--fail-on-changed")[0] == 1
    git("commit", "-aqm", "more")
    status, document = check("--changed-since", "main", "--fail-on-changed")
    assert (status, len(document["findings"])) == (0, 2)
    text = run("check", "--fleet", "fleet", "--changed-since", "HEAD~1")[1]
    assert text.startswith("== on lines changed since HEAD~1: 1 error, 0 warnings, 0 notes\n")
    assert "\n== elsewhere: 1 error, 0 warnings, 0 notes\n" in text


@pytest.mark.skipif(shutil.which("git") is None, reason="git is not installed")
def test_the_line_that_explains_a_finding_counts_and_required_flows_always_do(fleet: Path) -> None:
    flows = "flows:\n  - {name: names, flow: udp 10.1.20.7 10.1.99.10:53, expect: open}\n"
    (fleet / "required-flows.yaml").write_text(flows)
    dead_later = LIST.format(DEAD).replace(" deny ip any any log\n", "")
    (fleet / "quay-a.cfg").write_text(dead_later)
    git("init", "-q", "-b", "main")
    git("add", ".")
    git("commit", "-qm", "start")
    (fleet / "quay-a.cfg").write_text(LIST.format(DEAD))
    document = check("--changed-since", "main")[1]
    assert {item["code"]: item["changed"] for item in document["findings"]} == {"PC101": True, "PC381": True}
    (fleet / "quay-a.cfg").write_text(dead_later)
    git("switch", "-qc", "work")
    (fleet / "quay-a.cfg").write_text(dead_later.replace(DEAD, ""))
    assert check("--changed-since", "main", "--fail-on-changed")[0] == 1


def test_refusals() -> None:
    with pytest.raises(UsageError, match="`--fail-on-changed` needs to know since when"):
        check("--fail-on-changed")
    with pytest.raises(UsageError, match="`--upload-pack=x` is no revision"):
        run("check", "--fleet", str(DEMO), "--changed-since", "--upload-pack=x")
    with pytest.raises(UsageError, match="a baseline is written to a file"):
        run("check", "--fleet", str(DEMO), "--write-baseline", "-")


# ---- formats and files ----------------------------------------------------------------------

SIX = ("text", "json", "junit", "sarif", "markdown", "annotations")


@pytest.mark.parametrize("command", ["check", "review", "routes", "audit", "require"])
def test_all_formats_in_one_run(command: str, tmp_path: Path) -> None:
    options = [word for kind in SIX[1:] for word in ("--format", kind, "--output", str(tmp_path / kind))]
    status, text = run(command, "--fleet", str(DEMO), *options, "--format", "text")
    assert status == 1
    assert text == run(command, "--fleet", str(DEMO))[1]
    for kind in SIX[1:]:
        alone = run(command, "--fleet", str(DEMO), "--format", kind)
        assert alone == (1, (tmp_path / kind).read_text("utf-8"))
    assert (tmp_path / "json").read_text("utf-8") == run(command, "--fleet", str(DEMO), "--json")[1]
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(SIX[1:]), "nothing is left behind"


def test_same_input_same_bytes_in_another_process(tmp_path: Path) -> None:
    words = ["check", "--fleet", str(DEMO), "--format", "sarif", "--format", "junit", "--output"]
    command = [sys.executable, "-m", "pathcheck", *words, str(tmp_path / "there")]
    done = subprocess.run(command, capture_output=True, check=False, env={**os.environ, "PYTHONHASHSEED": "7"})
    assert done.stdout.decode() == run(*words, str(tmp_path / "here"))[1]
    assert (tmp_path / "there").read_bytes() == (tmp_path / "here").read_bytes()


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--output", "nowhere/x"], "no folder `nowhere` to write `nowhere/x` to"),
        (["--output", "."], "`.` is a folder"),
        (["--format", "sarf"], "unknown format `sarf`"),
        (["--format", "sarif", "--format", "junit"], "two reports go to standard output"),
        (["--write-baseline", "nowhere/x"], "no folder `nowhere`"),
    ],
)
def test_where_reports_cannot_go_is_told_before_any_work(
    options: list[str], words: str, fleet: Path
) -> None:  # fmt: skip
    with pytest.raises(UsageError, match=words):
        run("check", "--fleet", "no-such-fleet", *options)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs the device /dev/full")
@pytest.mark.parametrize("command", ["check", "parse"])
def test_a_full_disk_is_status_2(command: str) -> None:
    with open("/dev/full", "wb") as full:
        done = subprocess.run(
            [sys.executable, "-m", "pathcheck", command, "--fleet", str(DEMO)], stdout=full, stderr=subprocess.PIPE,
            check=False,
        )  # fmt: skip
    assert (done.returncode, done.stderr) == (2, b"error: the output cannot be written: no space left on device\n")
    with pytest.raises(UsageError, match="`/dev/full` cannot be written: no space left on device"):
        run("check", "--fleet", str(DEMO), "--format", "sarif", "--output", "/dev/full")


def test_an_old_report_stays_if_the_new_one_cannot_be_written(fleet: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    Path("report").write_text("old")

    def fail(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", fail)
    with pytest.raises(UsageError, match="`report` cannot be written: no space left on device"):
        run("check", "--fleet", "fleet", "--format", "sarif", "--output", "report")
    assert Path("report").read_text() == "old"
    assert sorted(os.listdir()) == ["fleet", "report"]
