"""`pathcheck rollout`: its status, its text, its document, and the states it can be asked about."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import jsonschema
import pytest
from typer.testing import CliRunner

import pathcheck
from pathcheck.cli.main import app
from pathcheck.errors import InputError, UsageError

ROOT = Path(__file__).parents[2]
CORPUS = ROOT / "corpora" / "ferry-rollout"
SCHEMA = json.loads((ROOT / "docs" / "schemas" / "rollout.json").read_text("utf-8"))
STATES = ("--before", str(CORPUS / "before"), "--after", str(CORPUS / "after"))


def run(*words: str) -> tuple[int, str]:
    result = CliRunner().invoke(app, ["rollout", *words], standalone_mode=False)
    if result.exception is not None:
        raise result.exception
    return result.return_value, result.stdout


def document(*words: str) -> dict:
    found = json.loads(run(*words, "--json")[1])
    jsonschema.validate(found, SCHEMA)
    return found


def changed(folder: Path, name: str, old: str, new: str) -> None:
    text = (folder / name).read_text()
    assert old in text
    (folder / name).write_text(text.replace(old, new))


def test_the_document_has_the_keys_of_the_contract():
    found = document(*STATES)
    assert found["schema"] == "pathcheck/rollout/1"
    assert found["answer"] == "some"
    assert sorted((step["device"], step["job"]) for step in found["plan"]) == sorted(
        (step["device"], step["job"]) for step in found["jobs"]
    )
    lost = found["lost"]
    assert (lost["device"], lost["applied"]) == ("quay-b", [{"device": "quay-b", "job": "bindings"}])
    assert (lost["flow"], lost["file"], lost["line"]) == ("tcp controller 10.20.99.12:22", "quay-b.cfg", 28)
    assert found["states"]["total"] == 128
    assert found["states"]["judged"] < 128


@pytest.mark.parametrize(
    ("options", "status"),
    [((), 0), (("--require-any",), 1), (("--apply", "lines"), 1), (("--apply", "lines", "--require-any"), 1)],
)
def test_status(options, status):
    assert run(*STATES, *options)[0] == status


def test_any_order_is_0_even_if_it_is_required(tmp_path):
    shutil.copytree(CORPUS / "before", tmp_path / "after")
    changed(tmp_path / "after", "quay-a.cfg", " 10 permit", " 5 permit tcp host 10.10.91.5 any eq 22\n 10 permit")
    words = ("--before", str(CORPUS / "before"), "--after", str(tmp_path / "after"))
    assert run(*words, "--require-any")[0] == 0
    found = document(*words)
    assert (found["answer"], found["lost"], found["plan"]) == ("any", None, [{"device": "quay-a", "job": "lists"}])


def test_what_is_not_modelled_is_3(tmp_path):
    for side in ("before", "after"):
        shutil.copytree(CORPUS / side, tmp_path / side)
        changed(tmp_path / side, "core-1.cfg", "interface Vlan90\n", "interface Vlan90\n ip policy route-map ASIDE\n")
    words = ("--before", str(tmp_path / "before"), "--after", str(tmp_path / "after"))
    status, text = run(*words)
    assert status == 3
    assert text.startswith("UNCERTAIN")
    assert "ip policy route-map ASIDE" in text
    assert document(*words)["open"]["file"] == "core-1.cfg"


def test_a_plan_that_is_safe_is_0_though_each_order_may_not_be(tmp_path):
    """Only the states after the one job are uncertain before the other has run."""
    for side in ("before", "after"):
        shutil.copytree(CORPUS / "before", tmp_path / side)
    folder = tmp_path / "after"
    changed(
        folder, "quay-a.cfg", "10 permit tcp 10.10.90.0 0.0.0.255 any eq 22", "10 permit tcp any any eq 22 reflect X"
    )
    changed(folder, "quay-a.cfg", " access-class OPERATORS in", " transport input ssh")
    words = ("--before", str(tmp_path / "before"), "--after", str(folder))
    found = document(*words)
    assert (found["answer"], found.get("any"), found["lost"]) == ("some", "uncertain", None)
    assert [step["job"] for step in found["plan"]] == ["bindings", "lists"]
    assert run(*words)[0] == 0
    assert run(*words, "--require-any")[0] == 3


def test_a_bound_on_judgements_is_3_and_said():
    status, text = run(*STATES, "--most", "3")
    assert status == 3
    assert "not all were judged" in text
    assert document(*STATES, "--most", "3")["states"]["complete"] is False


def test_revisions(tmp_path, monkeypatch):
    folder = tmp_path / "site"
    shutil.copytree(CORPUS / "before", folder)

    def git(*words: str) -> None:
        identity = ("-c", "user.name=quay", "-c", "user.email=quay@example.org")
        subprocess.run(["git", *identity, *words], cwd=folder, check=True, capture_output=True)

    git("init", "-q", "-b", "main")
    git("add", ".")
    git("commit", "-q", "-m", "before")
    shutil.copytree(CORPUS / "after", folder, dirs_exist_ok=True)
    monkeypatch.chdir(folder)
    for words in (("--before", "main"), ("--before", "git:main", "--after", ".")):
        found = document(*words)
        assert (found["answer"], found["lost"]["line"], found["lost"]["side"]) == ("some", 28, "after")
    git("commit", "-q", "-a", "-m", "after")
    assert document("--before", "main~1", "--after", "main", "--fleet", str(folder))["answer"] == "some"
    with pytest.raises(InputError, match="nowhere"):
        run("--before", "nowhere")


def test_a_cut_that_is_no_job_is_refused_with_its_place(tmp_path):
    shutil.copytree(CORPUS / "after", tmp_path / "after")
    with (tmp_path / "after" / "fleet.yaml").open("a") as file:
        file.write("jobs: [[vlans, port]]\n")
    with pytest.raises(InputError) as caught:
        run("--before", str(CORPUS / "before"), "--after", str(tmp_path / "after"))
    assert str(caught.value.span) == "fleet.yaml:11"


def test_nothing_to_judge_is_wrong_use(tmp_path):
    (tmp_path / "quay-a.cfg").write_text("hostname quay-a\n")
    with pytest.raises(UsageError, match="nothing to judge"):
        run("--before", str(tmp_path), "--after", str(tmp_path))


def test_what_was_lost_before_is_told_first(tmp_path):
    for side in ("before", "after"):
        shutil.copytree(CORPUS / side, tmp_path / side)
    changed(tmp_path / "before", "quay-a.cfg", "10.10.90.0", "10.10.95.0")
    words = ("--before", str(tmp_path / "before"), "--after", str(tmp_path / "after"))
    status, text = run(*words)
    assert status == 1
    assert text.index("lost before the first job") < text.index("quay-a cannot be managed") < text.index("states:")
    assert text.count("cannot be managed:") == 1
    found = document(*words)
    assert (found["lost"]["device"], found["lost"]["applied"]) == ("quay-a", [])
    assert found["already"] == [found["lost"]]


def test_the_caution_stands_in_both_forms():
    assert run(*STATES)[1].rstrip().endswith("the judgement of the responsible engineer.")
    assert "caution" in document(*STATES)


def test_the_library_asks_the_same():
    found = pathcheck.load(CORPUS / "after").rollout(CORPUS / "before")
    assert found.answer == document(*STATES)["answer"]


def test_a_file_that_is_refused_in_one_state_only_is_no_device_that_has_gone(tmp_path):
    for state in ("before", "after"):
        shutil.copytree(CORPUS / state, tmp_path / state)
    (tmp_path / "after" / "quay-b.cfg").write_bytes(b"\0\1\2")
    words = ["rollout", "--before", str(tmp_path / "before"), "--after", str(tmp_path / "after")]
    result = CliRunner().invoke(app, words, standalone_mode=False)
    assert isinstance(result.exception, InputError)
    assert "`quay-b.cfg` is refused in " in result.exception.message
