"""How long does `propsoff history` take with 10 000 runs? Whole commands, from the shell's point of view.

Target: under 1 s with an index in step, seconds without one. Copies of one real verdict.json, varied in unit,
firmware, plan, date, verdict and figures, lie in a temporary folder:

    nice .venv/bin/python tests/bench/history_speed.py [RUNS]

Cold means without the index; the files themselves may be in the system's cache. Every figure is the median of
three, beside `propsoff --version` on the same machine; on a busy one only processor time says something.
"""

import json
import os
import random
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

REPEATS = 3
UNITS, FIRMWARES, PLANS = 12, 4, 2
INDEX = ".propsoff-index.sqlite"


def propsoff(*words, cwd):
    return subprocess.run(
        [sys.executable, "-m", "harness", *words], cwd=cwd, check=True, capture_output=True, text=True
    ).stdout


def one_run(folder):
    """A real run's document, to be varied."""
    propsoff("run", "first-look", "--seed", "7", "--out", "sample", cwd=folder)
    return json.loads((folder / "sample" / "verdict.json").read_text())


def write_run(runs, sample, number, chance):
    """Write the verdict.json of run `number`, an hour after the one before."""
    sample["started"] = f"{2020 + number // 8760 % 10}-01-01T{number % 24:02d}:00:{number % 60:02d}Z"
    sample["rig"]["hardware"] = True
    sample["rig"]["facts"]["unit"] = f"wing {number % UNITS}"
    sample["units"]["receiver"]["version"] = f"1.{number * FIRMWARES // 10_000}"
    sample["plan"]["name"] = f"plan-{number % PLANS}"
    sample["seed"] = number
    for check in sample["checks"]:
        if check["value"]:
            check["value"] *= 1 + 1e-4 * chance.gauss(0, 1)
    folder = runs / f"run-{number:05d}"
    folder.mkdir()
    (folder / "verdict.json").write_text(json.dumps(sample, indent=2))


def seconds(before, *words, cwd):
    """Median wall and processor time of a command, with `before` called ahead of each."""
    walls, processor = [], []
    for repeat in range(REPEATS):
        before(repeat)
        start, used = time.perf_counter(), sum(os.times()[2:4])
        propsoff(*words, cwd=cwd)
        walls.append(time.perf_counter() - start)
        processor.append(sum(os.times()[2:4]) - used)
    return statistics.median(walls), statistics.median(processor)


def main():
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    folder = Path(tempfile.mkdtemp(prefix="history-speed-"))
    try:
        runs = folder / "propsoff-runs"
        runs.mkdir()
        sample, chance = one_run(folder), random.Random(1)
        for number in range(count):
            write_run(runs, sample, number, chance)
        size = sum(file.stat().st_size for file in runs.glob("*/verdict.json")) / 1e6
        print(f"{count} runs, {size:.0f} MB of verdict.json, {len(sample['checks'])} checks each")

        def nothing(_):
            pass

        def cold(_):
            (runs / INDEX).unlink(missing_ok=True)

        def one_new(repeat):
            write_run(runs, sample, 20_000 + repeat, chance)

        start_up = seconds(nothing, "--version", cwd=folder)
        rows = [
            ("start-up alone", start_up),
            ("cold: no index", seconds(cold, "history", cwd=folder)),
            ("warm: nothing new", seconds(nothing, "history", cwd=folder)),
            ("warm, one new run", seconds(one_new, "history", cwd=folder)),
            (
                "warm, one unit, last 20",
                seconds(nothing, "history", "--unit", "wing 3", "--last", "20", cwd=folder),
            ),
            ("warm, JSON", seconds(nothing, "history", "--json", cwd=folder)),
            ("warm, CSV", seconds(nothing, "history", "--csv", "x.csv", "--overwrite", cwd=folder)),
            (
                "warm, Parquet",
                seconds(nothing, "history", "--parquet", "x.parquet", "--overwrite", cwd=folder),
            ),
        ]
        for what, taken in rows:
            wall, used = taken
            ratio = used / start_up[1]
            print(f"{what:<26} {wall:6.2f} s, {used:6.2f} s of processor: {ratio:6.1f} times start-up")
        print(f"index: {(runs / INDEX).stat().st_size / 1e6:.0f} MB")
    finally:
        shutil.rmtree(folder)


if __name__ == "__main__":
    main()
