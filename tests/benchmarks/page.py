"""The page of the benchmarks: what was measured, when, on what, with plots of how the cost grows."""

from __future__ import annotations

import os
import platform
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from textwrap import wrap

from results import Growth, Results, Table

__all__ = ["Machine", "write_page"]


@dataclass(frozen=True, slots=True)
class Machine:
    """What the figures depend on, without a name of the machine or a path on it."""

    day: str
    cores: int
    kind: str
    python: str
    kernel: str
    load: float

    @classmethod
    def here(cls) -> Machine:
        """Return this machine now."""
        return cls(
            date.today().isoformat(),
            len(os.sched_getaffinity(0)),
            platform.machine(),
            platform.python_version(),
            f"{platform.system()} {platform.release().split('-')[0]}",
            os.getloadavg()[0],
        )

    def __str__(self) -> str:
        return (
            f"{self.day}, {self.cores} cores ({self.kind}), Python {self.python}, {self.kernel}; "
            f"load {self.load:.1f} before the first measurement"
        )


def write_page(docs: Path, results: Results, machine: Machine, mode: str, minutes: float) -> None:
    """Write `benchmarks.md` and a plot for each series into a folder."""
    lines = [
        "# Benchmarks",
        "",
        "Written by `python tests/benchmarks --page`; do not edit it. Every figure stands beside another of the same",
        "run: read the ratios, which carry over to other machines, rather than the seconds, which do not.",
        "",
        *wrap(f"Measured on {machine}. The run in mode `{mode}` took {minutes:.1f} minutes. {_honesty(machine)}", 120),
    ]
    for part in results.parts:
        if isinstance(part, Table):
            lines += ["", f"## {part.title}", "", *wrap(part.text, 120), "", *_markdown(part)]
        else:
            _plot(docs / f"benchmarks-{part.name}.svg", part)
            lines += ["", f"![{part.title}](benchmarks-{part.name}.svg)"]
    (docs / "benchmarks.md").write_text("\n".join([*lines, ""]))


def _honesty(machine: Machine) -> str:
    """What the load of the machine means for the figures."""
    if machine.load > 0.5 * machine.cores:
        return (
            "The machine had other work at the time: elapsed seconds are longer than on a quiet one, processor seconds "
            "somewhat, ratios hardly."
        )
    return "The machine had hardly any other work at the time."


def _markdown(table: Table) -> list[str]:
    """A table in Markdown; all columns but the first hold numbers."""
    heads = " | ".join(table.heads)
    rule = "|".join(["---", *["---:"] * (len(table.heads) - 1)])
    return [f"| {heads} |", f"|{rule}|", *(f"| {' | '.join(row)} |" for row in table.rows)]


def _plot(path: Path, growth: Growth) -> None:
    """A plot with two logarithmic axes, the same bytes for the same figures."""
    try:
        import matplotlib as mpl
    except ImportError:
        raise SystemExit("the plots need matplotlib: pip install -e '.[bench]'") from None
    mpl.use("svg")
    mpl.rcParams.update({"svg.hashsalt": "pathcheck", "svg.fonttype": "none", "font.family": "sans-serif"})
    from matplotlib import pyplot
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    figure, axes = pyplot.subplots(figsize=(6.4, 4.0), layout="constrained")
    for place, (name, points) in enumerate(growth.series.items()):
        sizes, seconds = zip(*points, strict=True)
        axes.plot(sizes, seconds, marker="osD^v"[place % 5], label=name.replace("`", ""))
    axes.set_xscale("log")
    axes.set_yscale("log")
    ticks = sorted({size for points in growth.series.values() for size, _ in points})
    axes.set_xticks(ticks, [f"{int(tick):,}" for tick in ticks])
    axes.xaxis.set_minor_formatter(NullFormatter())
    axes.yaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axes.yaxis.set_minor_formatter(NullFormatter())
    axes.set_xlabel(growth.size)
    axes.set_ylabel("processor seconds")
    axes.set_title(growth.title.replace("`", ""))
    axes.grid(visible=True, which="major", alpha=0.3)
    axes.legend()
    figure.savefig(path, metadata={"Date": None, "Creator": None})
    pyplot.close(figure)
    # One line for each path is how others of its kind end: no space at the end of a line.
    path.write_text("\n".join(line.rstrip() for line in path.read_text().splitlines()) + "\n")
