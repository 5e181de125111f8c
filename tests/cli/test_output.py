"""Formats and files: which goes where, and that no file is written by halves."""

from __future__ import annotations

import os
import stat
from typing import Annotated

import pytest
import typer
from typer.testing import CliRunner

from pathcheck.cli.output import FormatOption, OutputOption, ReportCommand, Target, report_targets, write_reports
from pathcheck.errors import UsageError


def targets(*arguments):
    found = []
    app = typer.Typer()

    @app.command(cls=ReportCommand)
    def command(
        context: typer.Context,
        formats: FormatOption = None,
        outputs: OutputOption = None,
        json: Annotated[bool, typer.Option("--json")] = False,
        other: Annotated[str, typer.Option("--other")] = "",
    ) -> None:
        found.extend(report_targets(context, formats, outputs, json=json, known=("text", "json", "junit")))

    CliRunner().invoke(app, [str(it) for it in arguments], standalone_mode=False, catch_exceptions=False)
    return [(it.format, it.file.name if it.file else None) for it in found]


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        ("", [("text", None)]),
        ("--json", [("json", None)]),
        ("--format junit", [("junit", None)]),
        ("--output a", [("text", "a")]),
        ("--format junit --output a", [("junit", "a")]),
        ("--output a --format junit", [("junit", "a")]),
        ("--format junit --output a --format text", [("junit", "a"), ("text", None)]),
        ("--format text --format junit --output a", [("text", None), ("junit", "a")]),
        ("--format=text --output=- --other --format --format=junit --output=a", [("text", None), ("junit", "a")]),
        ("--format junit --output a --json", [("junit", "a"), ("json", None)]),
    ],
)
def test_an_output_takes_the_format_in_front_of_it(words, expected, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert targets(*words.split()) == expected


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ("--format text --format junit", "two reports go to standard output"),
        ("--format text --json", "two reports go to standard output"),
        ("--format text --output a --format junit --output ./a", "two reports go to `a`"),
        ("--format text --output a --output b", "`--output b` has no format"),
        ("--format txt", "unknown format `txt`; known are `text`, `json`, `junit`"),
        ("--format text --output nowhere/a", "no folder `nowhere` to write `nowhere/a` to"),
        ("--format text --output .", "`.` is a folder"),
    ],
)
def test_what_is_refused_before_any_work(words, message, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(UsageError) as caught:
        targets(*words.split())
    assert message in caught.value.message


def test_no_file_is_written_if_one_report_fails(tmp_path):
    def fail(_):
        raise RuntimeError

    old = tmp_path / "old"
    old.write_text("as it was")
    with pytest.raises(RuntimeError):
        write_reports([Target("text", old), Target("json", tmp_path / "new")], {"text": lambda _: "new", "json": fail})
    assert old.read_text() == "as it was"
    assert os.listdir(tmp_path) == ["old"]


def test_a_file_is_replaced_as_a_whole_with_the_rights_it_had(tmp_path, capsys):
    file, link = tmp_path / "report", tmp_path / "link"
    file.write_text("old")
    file.chmod(0o640)
    link.symlink_to(file)
    write_reports([Target("text", link)], {"text": lambda _: "päckchen \ud800"})
    assert link.is_symlink()
    assert file.read_bytes() == "päckchen \\ud800\n".encode()
    assert stat.S_IMODE(file.stat().st_mode) == 0o640
    fresh = tmp_path / "fresh"
    mask = os.umask(0o027)
    try:
        write_reports([Target("text", fresh)], {"text": lambda _: ""})
    finally:
        os.umask(mask)
    assert stat.S_IMODE(fresh.stat().st_mode) == 0o640
    assert capsys.readouterr().out == ""


def test_a_device_is_written_to_and_stays_one(tmp_path):
    write_reports([Target("text", tmp_path.joinpath("/dev/null"))], {"text": lambda _: "gone"})
    assert stat.S_ISCHR(os.stat("/dev/null").st_mode)


def test_what_cannot_be_written_is_said(tmp_path, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(UsageError, match="cannot be written: no space left on device"):
        write_reports([Target("text", tmp_path / "a")], {"text": lambda _: "a"})
    assert os.listdir(tmp_path) == []
