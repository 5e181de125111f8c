"""Markdown, read by an independent CommonMark reader: no text of the fleet becomes markup."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from markdown_it import MarkdownIt
from report_builders import report_of, reported

from pathcheck.fleet import load_fleet
from pathcheck.queries.check import full_check
from pathcheck.reports.markdown import MOST_CHARACTERS, code_span, fenced, plain, render_markdown
from pathcheck.results.finding import Severity

DEMO = Path(__file__).parents[3] / "corpora" / "ferry-operator" / "fleet"


def kinds(text: str) -> set[str]:
    """All kinds of tokens of an inline text."""
    return {child.type for token in MarkdownIt().parse(text) for child in token.children or []}


def words(text: str) -> str:
    """The text that a reader sees of an inline text."""
    return "".join(child.content for token in MarkdownIt().parse(text) for child in token.children or [])


@given(st.text(st.characters(codec="ascii", categories=["L", "N", "P", "S", "Zs"]), max_size=40))
def test_messages_show_as_they_are_and_hold_code_at_most(text: str) -> None:
    made = f"x {plain(text)} x"
    assert kinds(made) <= {"text", "code_inline", "text_special"}
    shown = words(made).replace("\u2060", "")
    assert "".join(shown.replace("`", "").split()) == "".join(f"x {text} x".replace("`", "").split())


@given(st.text(st.sampled_from("`ab <"), min_size=1, max_size=12))
def test_code_is_code_whatever_stands_in_it(text: str) -> None:
    made = MarkdownIt().parse(f"x {code_span(text)} x")[1].children
    (code,) = (child for child in made or [] if child.type == "code_inline")
    assert code.content.strip() == text.strip()


def test_nobody_is_called_and_nothing_is_linked() -> None:
    made = plain("ask @ferry/net, see https://10.1.1.1 and <b>&amp;")
    assert "@ferry" not in made
    assert "://" not in made
    assert "<b" not in MarkdownIt().render(made)


def test_a_fence_ends_where_it_should() -> None:
    text = "a\n````\n</details>\n```\nb"
    (block,) = MarkdownIt().parse(fenced(text))
    assert (block.type, block.content) == ("fence", text + "\n")


def test_demo_openings_first_and_folded_details() -> None:
    text = render_markdown(full_check(load_fleet(DEMO)))
    bullets = [line for line in text.splitlines() if line.startswith("- ")]
    assert "must be closed" in bullets[0], "what is open and should not be comes first"
    assert ["must be open" in line for line in bullets[1:3]] == [True, True]
    assert all(line.startswith(("- **error**", "- **warning**")) for line in bullets[:-1])
    assert text.startswith("### pathcheck check fails: 11 errors, 2 warnings, 17 notes\n")
    folds = [line for line in text.splitlines() if line.startswith("<details>")]
    assert folds == [f"<details><summary>{title}</summary>" for title in ("11 errors", "2 warnings", "17 notes")]
    assert text.count("</details>") == len(folds)


@pytest.mark.parametrize("number", [30, 3000])
def test_it_stays_short(number: int) -> None:
    items = [reported(line, Severity.WARNING) for line in range(1, number + 1)]
    text = render_markdown(report_of(*items, revision="main"))
    assert len(text) <= MOST_CHARACTERS
    assert sum(line.startswith("- **warning**") for line in text.splitlines()) == 10
    assert f"- and {number - 10} more, see below" in text
    assert ("were left out" in text) == (number == 3000)


def test_what_is_known_is_only_counted() -> None:
    text = render_markdown(report_of(reported(1, known=True), replace(reported(2), changed=False), baseline="b"))
    assert "### pathcheck check fails: 1 error, 0 warnings, 0 notes; 1 known from the baseline" in text
    assert text.count("never acts") == 2  # in its row and in the details
    assert "### pathcheck check passes: no findings" in render_markdown(report_of())
