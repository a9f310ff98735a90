"""The benchmark: gaugeglass, stock PyMC, numpyro and Stan on one model, in one run.

    uv run python -m tests.benchmarks [--repeats N] [--out FOLDER] [--smoke]

DEVELOPERS.md says what is measured. Exit status 1 where values disagree or a row of gaugeglass could not be measured.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

from . import report
from .contenders import CASES, Contender, contenders, lay_out
from .measures import FULL, SMOKE, Bench


def main() -> int:
    """Measure, print, and say by the exit status whether everything agreed."""
    options = _options()
    out = options.out or Path(tempfile.mkdtemp(prefix="benchmark-"))
    out.mkdir(parents=True, exist_ok=True)
    about = report.machine() | {"load_at_start": os.getloadavg()[0]}
    settings = SMOKE if options.smoke else replace(FULL, repeats=options.repeats)
    with tempfile.TemporaryDirectory(prefix="benchmark-work-") as work:
        bench = Bench(Path(work), settings, _quiet if options.smoke else _tell)
        _measure(bench, rivals=not options.smoke)
    about |= {"load_at_end": os.getloadavg()[0], "repeats": settings.repeats, "smoke": options.smoke}
    rows = list(bench.rows.values())
    print(f"{report.heading(about)}\n\n{report.table(rows)}\n")  # noqa: T201
    report.write_json(out / "benchmark.json", about, rows, bench.means, bench.disagreements)
    if not bench.disagreements:
        report.figure(rows, out, about)
        print("values, gradients and posterior means agree")  # noqa: T201
    print("\n".join([*(f"DISAGREES: {text}" for text in bench.disagreements), f"written to {out}"]))  # noqa: T201
    return 1 if bench.disagreements else 0


def _measure(bench: Bench, *, rivals: bool) -> None:
    for name in ("draws", "caches", "matplotlib", "reports"):
        (bench.folder / name).mkdir()
    lay_out(bench.workspaces)
    bench.tell(f"cases: {', '.join(CASES)}; environments are being made")
    found = contenders(bench.folder, rivals=rivals)
    if rivals:
        fonts = [sys.executable, "-c", "import matplotlib.font_manager"]
        subprocess.run(fonts, env=os.environ | {"MPLCONFIGDIR": str(bench.folder / "matplotlib")}, check=True)
        _whole(bench, found)
        bench.infer()
    else:  # after crashes and not after times
        with ThreadPoolExecutor(2) as pool:
            for done in [pool.submit(_whole, bench, found), pool.submit(_others, bench)]:
                done.result()
    bench.refits(found)
    bench.effective_draws()
    bench.gradient()
    bench.growth()


def _whole(bench: Bench, found: list[Contender]) -> None:
    bench.whole_processes(found)
    bench.agreement()


def _others(bench: Bench) -> None:
    bench.look_ahead()
    bench.infer()


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description="One run of the benchmark.")
    parser.add_argument("--repeats", type=int, default=FULL.repeats, help="how often each is measured (default 5)")
    parser.add_argument("--out", type=Path, help="folder of benchmark.json and the figure (default: a temporary one)")
    parser.add_argument("--smoke", action="store_true", help="every row of gaugeglass at a tiny size, without rivals")
    return parser.parse_args()


def _tell(text: str) -> None:
    print(text, file=sys.stderr, flush=True)  # noqa: T201


def _quiet(text: str) -> None:
    pass


if __name__ == "__main__":
    sys.exit(main())
