"""The harness's exit codes are those that its page of exit codes says, for every command."""

import re
from pathlib import Path

import pytest

from harness.cli import COMMANDS, main
from harness.errors import ExitCode

PAGE = (Path(__file__).parents[1] / "shared/ci/exit-codes.md").read_text()
ROWS = {
    row[0]: row[1:] for row in re.findall(r"^\| `(\w+)`" + r" \| ([^|]*)" * 6 + r" \|$", PAGE, re.MULTILINE)
}
TABLE = {command: {code for code in range(6) if row[code] != "-"} for command, row in ROWS.items()}

PLAN = """\
propsoff: 1
title: Dunlin in a hurry
link:
  packet_rate: 50 Hz
  channels: {{throttle: {{role: throttle, failsafe: low}}, rudder: {{failsafe: centre}}}}
  failsafe: {{within: 500 ms}}
steps:
  - wait: {{until: linked, deadline: 3 s}}
  - wander: {{for: 2 s}}
checks:
  - {check}
"""
NOWHERE = "propsoff_rig: 1\nbench: serial\ntransmitter: /dev/nowhere-1\nreceiver: /dev/nowhere-2\n"


@pytest.fixture(autouse=True, scope="module")
def runs(tmp_path_factory):
    """Plans, a rig without devices, and a run of each plan, in a folder that every test begins in."""
    folder = tmp_path_factory.mktemp("exit-codes")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        checks = {
            "good": "fidelity",
            "open": "delivery: {at_least: 99.9 %}",
            "wrong": "fidelty",
        }
        for name, check in checks.items():
            Path(f"{name}.yaml").write_text(PLAN.format(check=check))
        Path("nowhere.yaml").write_text(NOWHERE)
        main(["run", "good.yaml", "open.yaml", "--seed", "1", "--out", "runs"])
        main(["run", "good.yaml", "--defect", "channels-swapped", "--seed", "1", "--out", "runs/bad"])
        yield folder


@pytest.fixture(autouse=True)
def there(runs, monkeypatch):
    monkeypatch.chdir(runs)


CASES = [
    ("run good.yaml --seed 2", 0),
    ("run good.yaml --defect channels-swapped --seed 2", 1),
    ("run good.yaml open.yaml --defect channels-swapped --seed 3", 1),
    ("run wrong.yaml", 2),
    ("run good.yaml --out runs/good", 2),
    ("run good.yaml --rig nowhere.yaml --props-off", 3),
    ("run open.yaml --seed 2", 5),
    ("check good.yaml", 0),
    ("check wrong.yaml", 2),
    ("judge runs/good", 0),
    ("judge runs/good --json", 0),
    ("judge runs/good runs/bad runs/open --junit", 1),
    ("judge runs/bad --markdown", 1),
    ("judge good.yaml", 2),
    ("judge runs/open runs/good", 5),
    ("mock --rig nowhere.yaml", 2),
    ("defects", 0),
    ("defects no-such-defect", 2),
    ("scoreboard --rig nowhere.yaml", 2),
    ("explain latency", 0),
    ("explain no-such-check", 2),
    ("ports", 0),
    ("ports /dev/nowhere-1", 3),
    ("rig --check nowhere.yaml", 3),
    ("rig --check no-such-rig.yaml", 2),
    ("history runs", 0),
    ("history runs --unit nobody", 2),
    ("history no-such-folder", 2),
    ("explore --link wrong.yaml", 2),
    *((f"{command} --no-such-option", 2) for command in COMMANDS),
    *((f"{command} --help", 0) for command in COMMANDS),
]


@pytest.mark.parametrize(("words", "code"), CASES, ids=[words for words, _ in CASES])
def test_a_command_ends_with_the_code_of_its_row(words, code):
    try:
        found = main(words.split())
    except SystemExit as left:
        found = left.code
    assert found == code
    assert code in TABLE[words.split()[0]]


@pytest.mark.parametrize("command", COMMANDS)
def test_a_fault_of_our_own_is_4_for_every_command(command, monkeypatch):
    def broken(arguments):
        raise RuntimeError("ours")

    monkeypatch.setattr("harness.cli.COMMANDS", dict.fromkeys(COMMANDS, broken))
    monkeypatch.setattr("harness.cli.parsers.read", lambda words: type("Read", (), {"command": command}))
    assert main([command]) == 4
    assert 4 in TABLE[command]


def test_the_page_has_a_row_for_every_command():
    assert set(COMMANDS) <= set(TABLE)
    assert all(len(row) == 6 for row in ROWS.values())
    assert [int(code) for code in ExitCode] == list(range(6))


def test_a_command_that_is_not_there_yet_is_the_only_one_too_many():
    assert set(TABLE) - set(COMMANDS) <= {"compare", "baseline", "plots"}
