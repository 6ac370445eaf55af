"""How much memory does a link of 24 h take, against one of 10 minutes? Target: less than 50 MB more.

    nice .venv/bin/python tests/bench/soak_memory.py [HOURS]

Plays testplans/soak.yaml in virtual time, for 10 minutes and for 24 h (or so many hours), at 50 packets a
second, and judges both recordings; each of the four in a process of its own. Prints each one's peak of
resident memory (the kernel's VmHWM), the time it took, and the differences. Takes about ten minutes and 1.5
GB of disk.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from contextlib import closing
from pathlib import Path
from time import perf_counter

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))
TARGET_MB = 50
SHORT = "10 min"


def main(hours: str) -> int:
    """Measure all four and print a table; returns 1 if the target is missed."""
    peaks: dict[tuple[str, str], float] = {}
    with tempfile.TemporaryDirectory() as folder:
        for length in (SHORT, f"{hours} h"):
            file = str(Path(folder, f"{length}.pcapng".replace(" ", "-")))
            for what in ("play", "judge"):
                done = subprocess.run(
                    [sys.executable, __file__, what, file, length], check=True, capture_output=True, text=True
                )
                words = done.stdout.split(maxsplit=2)
                peaks[what, length] = float(words[0])
                print(
                    f"{what:<6} {length:>7}: {words[0]:>6} MB at most, {words[1]} s; {words[2].strip()}",
                    flush=True,
                )
    grown = {what: peaks[what, f"{hours} h"] - peaks[what, SHORT] for what in ("play", "judge")}
    for what, more in grown.items():
        print(f"{what:<6} grew by {more:.1f} MB; target: less than {TARGET_MB} MB")
    return int(max(grown.values()) >= TARGET_MB)


def play(file: str, length: str) -> str:
    """Play the soak for so long into a file; returns what was played."""
    from harness.bench.rig import find_rig
    from harness.plan.reader import parse_plan
    from harness.recording import RecordingWriter, read_recording
    from harness.report.live import Quiet
    from harness.runner import Runner
    from harness.running import Request, header_for, open_for, rounds_for, timeline_for

    path = ROOT / "testplans" / "soak.yaml"
    text = path.read_text(encoding="utf-8").replace("for: 8 h", f"for: {length}")
    request = Request(plan=parse_plan(text, str(path), "soak"), file=str(path), rig=find_rig("mock"), seed=1)
    timeline = timeline_for(request)
    with closing(open_for(request)) as bench, Path(file).open("wb") as out:
        writer = RecordingWriter(out, header_for(request, bench), bench.now_ns())
        runner = Runner(bench, writer, request.plan, Quiet())
        end = runner.run(timeline, rounds_for(request.plan, timeline, lambda: read_recording(Path(file))))
        writer.close()
        return f"{runner.talk.sent} packets, {end.why}, {Path(file).stat().st_size / 1e6:.0f} MB of file"


def judge(file: str, _length: str) -> str:
    """Judge a recording by its rounds; returns the verdict."""
    from harness.running import judge_file

    judgement = judge_file(Path(file)).judgement
    open_ = [one.name for one in judgement.results if one.verdict != "pass"]
    return f"{judgement.verdict.value}" + (f" (not passed: {', '.join(open_)})" if open_ else "")


def peak_mb() -> float:
    """Return this process's peak of resident memory."""
    lines = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmHWM")) / 1024


if __name__ == "__main__":
    if len(sys.argv) == 4:
        begun = perf_counter()
        said = {"play": play, "judge": judge}[sys.argv[1]](*sys.argv[2:])
        print(f"{peak_mb():.1f} {perf_counter() - begun:.1f} {said}")
    else:
        sys.exit(main(sys.argv[1] if len(sys.argv) > 1 else "24"))
