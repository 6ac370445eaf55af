"""How long until `propsoff` answers? Against a bare interpreter, in turns, in one run.

Run by hand: `python tests/bench/start_up.py`. Targets: `--help` within 6 times `python -c pass`, and
`check acceptance` under half a second on an idle machine. An A/A control (the bare interpreter against
itself) outside 0.85 to 1.15 voids the run.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time

TURNS = 15
BARE = [sys.executable, "-c", "pass"]
COMMANDS = {
    "python -c pass": BARE,
    "python -c pass, again": BARE,
    "propsoff --help": [sys.executable, "-m", "harness", "--help"],
    "propsoff check acceptance": [sys.executable, "-m", "harness", "check", "acceptance"],
}


def main() -> None:
    seconds: dict[str, list[float]] = {name: [] for name in COMMANDS}
    for _ in range(TURNS):
        for name, words in COMMANDS.items():
            begun = time.perf_counter()
            subprocess.run(words, check=True, stdout=subprocess.DEVNULL)
            seconds[name].append(time.perf_counter() - begun)
    medians = {name: statistics.median(times) for name, times in seconds.items()}
    bare = medians["python -c pass"]
    for name, median in medians.items():
        print(f"{name:<28} {1000 * median:7.1f} ms  {median / bare:5.2f} x bare")
    control = medians["python -c pass, again"] / bare
    if not 0.85 <= control <= 1.15:
        print(f"void: the A/A control is {control:.2f}")


if __name__ == "__main__":
    main()
