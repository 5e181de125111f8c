"""The published schemas against what each command writes: on the demo, and on a fleet for each kind of finding."""

from __future__ import annotations

import json
import re
import shutil
from functools import lru_cache
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from typer.testing import CliRunner

from pathcheck.cli.main import app
from pathcheck.fleet import load_fleet
from pathcheck.queries.check import full_check
from pathcheck.reports.json_report import findings_document, parse_document

ROOT = Path(__file__).parents[3]
SCHEMAS = ROOT / "docs" / "schemas"
DEMO = ROOT / "corpora" / "ferry-operator" / "fleet"
CASES = sorted(path for path in (ROOT / "tests" / "cases").glob("PC*/fires*"))

COMMANDS = {
    "flow tcp 10.30.20.7 10.10.90.21:443": "flow",
    "flow tcp 10.20.40.9 198.51.100.7:443": "flow",
    "flow tcp counters booking:443": "flow",
    "flow icmp 10.20.20.7 10.10.90.20 --icmp echo --dscp 46": "flow",
    "flow ip any any --acl TICKETS-IN --device terminal-south": "flow",
    "flow udp any any --acl TICKETS-IN --device terminal-south --fragment": "flow",
    "parse": "parse",
    "parse --models": "parse",
    "check": "findings",
    "review --exceptions": "findings",
    "routes": "findings",
    "audit": "findings",
    "routes --lookup border 10.30.20.7": "lookup",
    "routes --lookup terminal-south 203.0.113.9": "lookup",
    "reach --service tcp/443 --reply --from counters": "reach",
    "reach --service icmp/echo --from 10.20.20.0/24": "reach",
    "reach --service tcp --sources-of 10.10.90.21:443": "reach-sources",
    "require": "require",
    "manageable": "manageable",
    "manageable quay-a quay-c": "manageable",
    "tidy TICKETS-IN --device terminal-south": "tidy",
    "compare --acl terminal-south:TICKETS-IN terminal-north:TICKETS-IN": "compare",
    "compare --acl terminal-south:TICKETS-IN terminal-south:TICKETS-IN": "compare",
}


@lru_cache
def validator(name: str) -> jsonschema.protocols.Validator:
    schema = json.loads((SCHEMAS / f"{name}.json").read_text("utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


def faults(document: Any, name: str) -> list[str]:
    found = validator(name).iter_errors(document)
    return [f"{'/'.join(map(str, error.absolute_path))}: {error.message[:200]}" for error in found]


def printed(words: str) -> str:
    fleet = () if words.startswith("explain") else ("--fleet", str(DEMO))
    result = CliRunner().invoke(app, [*words.split(), *fleet, "--json"], standalone_mode=False)
    if result.exception is not None:
        raise result.exception
    return result.stdout


@pytest.mark.parametrize(("words", "name"), COMMANDS.items())
def test_what_commands_write_on_the_demo(words: str, name: str) -> None:
    document = json.loads(printed(words))
    assert faults(document, name) == []
    assert document["schema"] == f"pathcheck/{name}/1"


@pytest.mark.parametrize("words", ["explain", "explain PC101"])
def test_explain(words: str) -> None:
    assert faults(json.loads(printed(words)), "explain") == []


def test_batch(tmp_path: Path) -> None:
    file = tmp_path / "flows"
    file.write_text("tcp 10.30.20.7 10.10.90.21:443\nno flow\nudp any any --acl TICKETS-IN --device terminal-south\n")
    lines = CliRunner().invoke(app, ["flow", "--fleet", str(DEMO), "--batch", str(file)], standalone_mode=False).stdout
    assert len(lines.splitlines()) == 3
    assert [faults(json.loads(line), "flow") for line in lines.splitlines()] == [[], [], []]


EDITS = {
    "nothing": ("core-1.cfg", "", ""),
    "a list": ("core-1.cfg", "10.10.90.0 0.0.0.255 any echo-reply", "10.10.90.0 0.0.0.255 any echo"),
    "a new list": ("core-1.cfg", "line con 0", "ip access-list extended NEW\n deny ip any any\nline con 0"),
    "a required flow": ("required-flows.yaml", "name: controller reaches quay-c", "name: quay-c is reached"),
}


@pytest.mark.parametrize("edit", EDITS)
def test_comparisons_of_two_states(edit: str, tmp_path: Path) -> None:
    """Each other shape of the document is held to its schema where the command is tested."""
    name, old, new = EDITS[edit]
    shutil.copytree(DEMO, tmp_path / "after")
    text = (DEMO / name).read_text("utf-8")
    assert old in text
    (tmp_path / "after" / name).write_text(text.replace(old, new, 1) if old else text, "utf-8")
    words = ["compare", str(DEMO), str(tmp_path / "after"), "--json"]
    result = CliRunner().invoke(app, words, standalone_mode=False)
    assert result.exception is None, result.exception
    document = json.loads(result.stdout)
    assert faults(document, "compare") == []
    assert any(document[key] for key in ("opened", "closed", "acls", "required_flows")) == (edit != "nothing")


@pytest.mark.parametrize("case", CASES, ids=lambda path: path.parent.name)
def test_findings_and_accounts_of_broken_fleets(case: Path) -> None:
    loaded = load_fleet(case)
    for document, name in (
        (findings_document(full_check(loaded)), "findings"),
        (parse_document(loaded.report), "parse"),
    ):
        assert faults(json.loads(json.dumps(document)), name) == []


def test_a_schema_refuses_what_is_not_documented() -> None:
    document = json.loads(printed("audit"))
    document["findings"][0]["colour"] = "red"
    assert len(faults(document, "findings")) == 1
    del document["findings"][0]["colour"], document["findings"][0]["message"]
    assert len(faults(document, "findings")) == 1


def test_one_shape_has_one_name_in_all_schemas() -> None:
    shapes: dict[str, Any] = {}
    for path in sorted(SCHEMAS.glob("*.json")):
        schema = json.loads(path.read_text("utf-8"))
        assert schema["$id"] == f"urn:pathcheck:schema:{path.stem}:1"
        for name, shape in schema.get("$defs", {}).items():
            assert shapes.setdefault(name, shape) == shape, f"{name} of {path.name}"


def test_every_document_has_a_schema_and_the_page_names_it() -> None:
    source = "".join(path.read_text("utf-8") for path in (ROOT / "pathcheck").rglob("*.py"))
    written = set(re.findall(r'"pathcheck/([a-z-]+)/1"', source))
    there = {path.stem for path in SCHEMAS.glob("*.json")}
    assert written <= there
    page = (ROOT / "docs" / "formats.md").read_text("utf-8")
    assert all(f"(schemas/{name}.json)" in page for name in there)
