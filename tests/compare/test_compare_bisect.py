"""The script for `git bisect run` in the guide finds the commit that made a firmware worse."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from compare_runs import SHORT, play_into

pytestmark = pytest.mark.skipif(shutil.which("git") is None, reason="git is not installed")

SCRIPT = """\
#!/bin/sh
# git bisect run ./bisect.sh: is this commit's firmware worse than the baseline?
out=$(mktemp -d) || exit 128
propsoff run short.yaml --out "$out/run" $(cat firmware.txt) >/dev/null 2>&1
case $? in 0|1|5) ;; *) exit 125 ;; esac    # no run came about: leave this commit out
propsoff compare baseline:good "$out/run" --bisect
"""
"""As in the guide; firmware.txt stands for building and flashing: it holds which mock firmware to play."""
HISTORY = (
    "",
    "# a comment",
    "",
    "--no-such-option",
    "",
    "--defect failsafe-late",
    "--defect failsafe-late",
    "",
)
"""What each commit's firmware is: the fourth does not build, the sixth brings the fault in."""
BAD = 5


@pytest.fixture
def project(tmp_path, monkeypatch):
    (tmp_path / "bin").mkdir()
    word = tmp_path / "bin" / "propsoff"
    word.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m harness "$@"\n')
    word.chmod(0o755)
    home = Path(__file__).parents[2]
    environment = {
        "PATH": f"{tmp_path / 'bin'}{os.pathsep}{os.environ['PATH']}", "PYTHONPATH": str(home),
        "HOME": str(tmp_path), "GIT_CONFIG_NOSYSTEM": "1",
        **{f"GIT_{who}_{what}": "Dunlin" for who in ("AUTHOR", "COMMITTER") for what in ("NAME", "EMAIL")},
    }  # fmt: skip
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    folder = tmp_path / "firmware"
    folder.mkdir()
    monkeypatch.chdir(folder)
    return folder


def git(*words):
    return subprocess.run(["git", *words], check=True, capture_output=True, text=True).stdout


@pytest.mark.slow
def test_the_commit_that_brought_a_late_failsafe_is_found(project):
    git("init", "--quiet")
    Path(".gitignore").write_text("propsoff-baselines/\n")
    Path("short.yaml").write_text(SHORT)
    Path("bisect.sh").write_text(SCRIPT)
    Path("bisect.sh").chmod(0o755)
    commits = []
    for number, options in enumerate(HISTORY[:7]):
        Path("firmware.txt").write_text("" if options.startswith("#") else options)
        Path("version.txt").write_text(str(number))
        git("add", "--all")
        git("commit", "--quiet", "--message", f"Version {number}")
        commits.append(git("rev-parse", "HEAD").strip())
    play_into(Path("propsoff-baselines/good/one"), 1)
    git("bisect", "start", "HEAD", commits[0])
    told = git("bisect", "run", "./bisect.sh")
    assert f"{commits[BAD]} is the first bad commit" in told
