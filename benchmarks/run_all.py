"""Run every benchmark; keep the numbers in results.json and, as tables, in README.md beside it."""

import json
import os
import platform
import sys
import time
from pathlib import Path

import numba
import numpy
import scipy
from common import ROOT, say

sys.path.insert(0, str(ROOT))

import bench_balance
import bench_band
import bench_montecarlo
import bench_start
import bench_sweep

HERE = Path(__file__).resolve().parent
RESULTS, README = HERE / "results.json", HERE / "README.md"
MARK = "<!-- measured by run_all.py: do not edit below -->"


def markdown(tables: list[dict], versions: dict[str, str]) -> str:
    """The tables as README.md shows them."""
    setting = ", ".join(f"{name} {version}" for name, version in versions.items())
    lines = [f"Measured on {os.cpu_count()} cores with {setting}."]
    for table in tables:
        lines += ["", f"### {table['title']}", "", "| what | value | target | met |", "|---|---:|---|---|"]
        for r in table["rows"]:
            what = r["what"].strip() if r["what"] == r["what"].strip() else "– " + r["what"].strip()
            lines.append(f"| {what} | {r['value']:.3g} {r['unit']}".rstrip() + f" | {r['target']} | {r['met']} |")
    return "\n".join(lines)


def main() -> None:
    """Run all; exit code 3 where a target is missed."""
    begin = time.perf_counter()
    # The start comes first: it compiles in a process of its own, the others need warm kernels only.
    tables = [bench.main() for bench in (bench_start, bench_balance, bench_montecarlo, bench_band, bench_sweep)]
    versions = {
        "Python": platform.python_version(),
        "numpy": numpy.__version__,
        "numba": numba.__version__,
        "scipy": scipy.__version__,
    }
    results = {"cores": os.cpu_count(), "versions": versions, "tables": tables}
    RESULTS.write_text(json.dumps(results, indent=1, allow_nan=False) + "\n", encoding="utf-8")
    head = README.read_text(encoding="utf-8").split(MARK)[0]
    README.write_text(f"{head}{MARK}\n\n{markdown(tables, versions)}\n", encoding="utf-8")
    say(f"\n{time.perf_counter() - begin:.0f} s in all")
    sys.exit(3 if any(r["met"] == "NO" for table in tables for r in table["rows"]) else 0)


if __name__ == "__main__":
    main()
