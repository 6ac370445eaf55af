"""The harness runs whole plans through real ports on devices that print lines, from its command line."""

import pytest
from spoken import PLAN, RX, TEXT_RIG, TX

from harness.cli import main
from harness.plan.reader import parse_plan
from mocks.pair import open_pair
from mocks.ptys import serving
from mocks.speaking import Speaking, text_receiver, text_transmitter

SHORT = (
    PLAN.replace("times: 8", "times: 3")
    .replace("settle: 2 s", "settle: 1 s")
    .replace("period: 3500 ms", "period: 2 s")
)


@pytest.mark.pty
@pytest.mark.slow
def test_a_run_over_ports_is_judged_and_its_recording_gives_the_same(tmp_path, capsys):
    plan, rig = tmp_path / "plan.yaml", tmp_path / "rig.yaml"
    plan.write_text(SHORT)
    pair = open_pair(parse_plan(SHORT, "plan.yaml").link, None, 7, None)
    voices = {TX: text_transmitter(), RX: text_receiver()}
    with serving(Speaking(pair, voices)) as names:
        rig.write_text(TEXT_RIG.replace("/dev/ttyUSB0", names[TX]).replace("/dev/ttyUSB1", names[RX]))
        out = tmp_path / "run"
        code = main(["run", str(plan), "--rig", str(rig), "--props-off", "--seed", "7", "--out", str(out)])
    told = capsys.readouterr()
    assert code in (0, 5), told.out + told.err
    text = " ".join((told.out + told.err).split())
    assert "nothing closes the throttle" in text
    assert "failsafe_outputs pass" in text
    assert main(["judge", str(out)]) == code
    again = " ".join(capsys.readouterr().out.split())
    assert again.partition("To repeat")[0] in text


def test_a_device_kind_that_is_not_there_is_told_before_anything_is_opened(tmp_path, capsys):
    rig = tmp_path / "rig.yaml"
    rig.write_text(
        TEXT_RIG.replace("speaks: text\n  lines:\n    app", "speaks: semaphore\n  lines:\n    app")
    )
    assert main(["run", "first-look", "--rig", str(rig), "--props-off", "--out", str(tmp_path / "run")]) == 2
    told = capsys.readouterr().err
    assert "no device kind is called 'semaphore'; kinds here: bench protocol, text, records" in " ".join(
        told.split()
    )
