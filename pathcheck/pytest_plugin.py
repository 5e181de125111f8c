"""The pytest plugin: a file of required flows as test items, one for each, and a fleet as a fixture.

It is loaded by every run of pytest where pathcheck is installed, so nothing
else of pathcheck is imported before a file of required flows is met or a test
asks for the fixture.
"""

from __future__ import annotations

import fnmatch
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from pathcheck.fleet import LoadedFleet
    from pathcheck.library import Fleet
    from pathcheck.model.required_flow import RequiredFlow
    from pathcheck.results.requirement import Requirement

__all__ = ["RequiredFlowItem", "RequiredFlowsFile"]

_PATTERNS = ["required-flows.yaml", "*.flows.yaml"]
_FLEET_FILE = "fleet.yaml"
_UNCERTAIN = "pathcheck_uncertain"
_LOADED: pytest.StashKey[dict[Path, LoadedFleet]] = pytest.StashKey()


class _DoesNotHoldError(Exception):
    """A required flow that does not hold for certain."""

    def __init__(self, requirement: Requirement) -> None:
        super().__init__(requirement.flow.name)
        self.requirement = requirement


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add the settings."""
    parser.addini("pathcheck_fleet", "folder of the fleet, from the folder of the configuration file", default="")
    parser.addini(
        "pathcheck_flows", "names of files of required flows to collect, with wildcards", type="args", default=_PATTERNS
    )
    parser.addini(_UNCERTAIN, "required flows that may hold or not: `refuse` fails, `tolerate` skips", default="refuse")
    group = parser.getgroup("pathcheck", "required flows of a fleet")
    group.addoption("--pathcheck-fleet", metavar="PATH", default=None, help="folder of the fleet, instead of the ini's")


def pytest_configure(config: pytest.Config) -> None:
    """Refuse a setting that means nothing, before anything is run."""
    policy = config.getini(_UNCERTAIN)
    if policy not in ("refuse", "tolerate"):
        raise pytest.UsageError(f"`{_UNCERTAIN}` must be `refuse` or `tolerate`, found `{policy}`")


def pytest_collect_file(file_path: Path, parent: pytest.Collector) -> RequiredFlowsFile | None:
    """Collect a file of required flows by its name."""
    if not file_path.name.endswith((".yaml", ".yml")):
        return None
    if not any(fnmatch.fnmatch(file_path.name, pattern) for pattern in parent.config.getini("pathcheck_flows")):
        return None
    return RequiredFlowsFile.from_parent(parent, path=file_path)


@pytest.fixture(scope="session")
def pathcheck_fleet(pytestconfig: pytest.Config) -> Fleet:
    """The fleet that `pathcheck_fleet` or `--pathcheck-fleet` names, read once in a run.

    Where neither is given it is the folder of the configuration file, if a `fleet.yaml` is there.
    """
    from pathcheck.errors import PathcheckError
    from pathcheck.library import Fleet

    folder = _given(pytestconfig)
    if folder is None and (pytestconfig.rootpath / _FLEET_FILE).is_file():
        folder = pytestconfig.rootpath
    if folder is None:
        pytest.fail(
            "which fleet? set `pathcheck_fleet` in pytest's configuration file, or give `--pathcheck-fleet PATH`",
            pytrace=False,
        )
    try:
        return Fleet(_fleet(pytestconfig, folder))
    except PathcheckError as error:
        pytest.fail(_error_text(error), pytrace=False)


class RequiredFlowsFile(pytest.File):
    """One file of required flows.

    Its fleet is the one that is configured; else that of the nearest folder, from the
    file's own upwards, that holds a `fleet.yaml`; else the file's own folder.
    """

    def collect(self) -> Iterator[RequiredFlowItem]:
        """Yield an item for each required flow."""
        from pathcheck.parser.required_flows import read_required_flows

        name = self.path.relative_to(self.fleet_folder).as_posix() if self._is_inside() else self.path.name
        for required in read_required_flows(name, self.path.read_bytes()):
            # What is tested has an address in one line, whatever its name holds.
            yield RequiredFlowItem.from_parent(self, name=" ".join(required.name.split()), required=required)

    @property
    def fleet_folder(self) -> Path:
        """The folder of the fleet that is asked."""
        given = _given(self.config)
        if given is not None:
            return given
        root = self.config.rootpath
        for folder in (self.path.parent, *self.path.parent.parents):
            if (folder / _FLEET_FILE).is_file():
                return folder
            if folder == root:
                break
        return self.path.parent

    def _is_inside(self) -> bool:
        return self.path.is_relative_to(self.fleet_folder)

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException], style: Any = None) -> Any:  # noqa: ARG002
        """Show a faulty file as its faults, without the way through our code."""
        from pathcheck.errors import PathcheckError

        if isinstance(excinfo.value, PathcheckError):
            return _error_text(excinfo.value)
        return super().repr_failure(excinfo)


class RequiredFlowItem(pytest.Item):
    """One required flow; it passes only if it holds for certain."""

    def __init__(self, *, required: RequiredFlow, **more: Any) -> None:
        super().__init__(**more)
        self.required = required

    def runtest(self) -> None:
        """Ask the fleet."""
        from pathcheck.queries.required_flows import ask_required
        from pathcheck.results.requirement import Standing

        assert isinstance(self.parent, RequiredFlowsFile)
        requirement = ask_required(_fleet(self.config, self.parent.fleet_folder), self.required)
        if requirement.holds:
            return
        if requirement.standing is Standing.UNCERTAIN and self.config.getini(_UNCERTAIN) == "tolerate":
            from pathcheck.reports.requirement_report import first_line

            pytest.skip(f"may hold or not: {first_line(requirement)}")
        raise _DoesNotHoldError(requirement)

    def repr_failure(self, excinfo: pytest.ExceptionInfo[BaseException], style: Any = None) -> Any:  # noqa: ARG002
        """Show the packet, its path and the line that decides."""
        from pathcheck.errors import PathcheckError

        if isinstance(excinfo.value, _DoesNotHoldError):
            from pathcheck.reports.requirement_report import first_line, requirement_text

            requirement = excinfo.value.requirement
            return "\n".join([first_line(requirement), *requirement_text(requirement)])
        if isinstance(excinfo.value, PathcheckError):
            return _error_text(excinfo.value)
        return super().repr_failure(excinfo)

    def reportinfo(self) -> tuple[Path, int, str]:
        """Return where the required flow stands."""
        line = self.required.span.line if self.required.span else 1
        return self.path, line - 1, self.required.name


def _given(config: pytest.Config) -> Path | None:
    """The folder that the command line names, from where it was typed, or the configuration file, from its folder."""
    option = config.getoption("--pathcheck-fleet")
    if option is not None:
        return Path(config.invocation_params.dir, option).resolve()
    ini = config.getini("pathcheck_fleet")
    return Path(config.inipath.parent if config.inipath else config.rootpath, ini).resolve() if ini else None


def _fleet(config: pytest.Config, folder: Path) -> LoadedFleet:
    """Read a fleet once in a run."""
    from pathcheck.fleet import load_fleet

    loaded = config.stash.setdefault(_LOADED, {})
    if folder not in loaded:
        loaded[folder] = load_fleet(folder)
    return loaded[folder]


def _error_text(error: BaseException) -> str:
    """An error of ours as the command line shows it, with all other faults of the file."""
    from pathcheck.errors import PathcheckError
    from pathcheck.reports.diagnostic import render_error

    assert isinstance(error, PathcheckError)
    return "\n".join(render_error(fault) for fault in (error, *getattr(error, "others", ())))
