"""Whatever a recording holds, its pictures are drawn, or left out, and never raise."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1]))

from hostile import HOSTILE
from seen import CUTS, by_key, evidence_of, plot_of, series_of, slow_at

sys.path.insert(0, str(Path(__file__).parents[1] / "measure"))

from scenario import (
    LINK,
    RUN_NS,
    RX,
    TX,
    WX,
    Recording,
    Reset,
    Scenario,
    as_reported,
    drop_every,
    p,
    plan_for,
)

from harness.chance import stream
from harness.clock import S
from harness.devices.telling import PACKET_NUMBERS, Telling
from harness.measure.evidence import Evidence, gather
from harness.plots import KINDS, Plot, Strip, pictures
from harness.recording.model import PortPackets


def check(evidence: Evidence, **more: object) -> None:
    """Every picture keeps the promises of the model."""
    found = pictures(evidence, **more)  # type: ignore[arg-type]
    assert set(found) <= set(KINDS)
    keys = [one.key for drawn in found.values() for one in drawn]
    assert len(keys) == len(set(keys))
    for drawn in found.values():
        for one in drawn:
            assert one.about.endswith(".")
            if isinstance(one, Strip):
                assert (np.diff(one.at_s) >= 0).all()
                assert all(0 <= place < len(one.fate) for place, _ in one.breaks)
                continue
            assert isinstance(one, Plot)
            assert one.series or one.note
            for series in one.series:
                assert (np.diff(series.x) >= 0).all(), (one.key, series.name)
                assert np.isfinite(series.x).all(), (one.key, series.name)
                assert not np.isinf(series.y).any(), (one.key, series.name)
                if one.y.log:
                    assert (series.y > 0).all(), (one.key, series.name)
                if one.x.log:
                    assert (series.x > 0).all(), (one.key, series.name)


def empty(recording: Recording) -> Recording:
    return Recording(recording.header, {}, (), False, ("nothing",))


def test_nothing_at_all_shows_nothing() -> None:
    scenario = Scenario()
    evidence = gather(scenario.plan, empty(scenario.recording()))
    check(evidence)
    assert not any(isinstance(one, Strip) for one in by_key(evidence).values())


ODD = {
    "nothing was sent": Scenario(seconds=1.0, period_ns=1 << 60),
    "everything was lost": Scenario(lost=lambda packet: True),
    "all but one was lost": Scenario(lost=lambda packet: packet.index != 60),
    "everything came late": Scenario(latency_ns=slow_at(*range(1_000))),
    "no receiver": Scenario(drop=lambda role, place, message: role == RX),
    "no transmitter": Scenario(drop=lambda role, place, message: role == TX),
    "reports missing": Scenario(drop=drop_every(RX, 3)),
    "no pings": Scenario(pings=False),
    "no steps": Scenario(seconds=0.0),
    "cut short": Scenario(end_why=None, seconds=7.0, silences=CUTS),
    "cuts without failsafe": Scenario(seconds=8.0, silences=CUTS, failsafe_ns=lambda place: None),
    "restarts": Scenario(seconds=9.0, resets=[Reset(RX, RUN_NS + S), Reset(TX, RUN_NS + 4 * S)]),
    "a witness": Scenario(pins=as_reported),
    "own sticks": Scenario(own=lambda packet: packet.index % 100 < 50),
    "few outputs": Scenario(shown=lambda packet, outputs: outputs[:2]),
    "many outputs": Scenario(shown=lambda packet, outputs: outputs * 4),
    "no outputs": Scenario(shown=lambda packet, outputs: ()),
    "short telemetry": Scenario(telemetry=lambda packet: b"\1" * (packet.index % 9)),
}


@pytest.mark.parametrize("name", ODD)
def test_odd_runs_are_shown(name: str) -> None:
    evidence = evidence_of(ODD[name])
    check(evidence)
    check(evidence, during=("go",))
    check(evidence, during=("no such step",))
    check(evidence, between=(0.5, 0.6))
    check(evidence, between=(1e6, None))
    check(evidence, between=(None, -1e6))


def test_a_witness_is_shown_on_its_channel() -> None:
    evidence = evidence_of(ODD["a witness"])
    assert WX in evidence.heard
    assert len(series_of(plot_of(evidence, "sticks-2"), "pin, by the witness").x) > 50


def test_devices_without_packet_numbers_are_told_in_a_sentence() -> None:
    told = Telling("some kind", frozenset((PACKET_NUMBERS,)))
    found = by_key(replace(evidence_of(), tells={RX: told}))
    for key in ("packets", "latency"):
        one = found[key]
        assert isinstance(one, Plot)
        assert not one.series
        assert "packet numbers" in one.note
    assert "age-within" not in found


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_stay_words(name: str) -> None:
    text = HOSTILE[name].decode("utf-8", "replace")
    link = replace(
        LINK, channels=(p.Channel(name=text, failsafe="centre"),),
        telemetry=(p.TelemetryField(name=text, type="u8", unit=text[:16]),),
    )  # fmt: skip
    plan = plan_for(link=link, steps=(p.PlanStep(action=p.Hold(for_ns=S), name=text, path="steps[0]"),))
    scenario = Scenario(
        plan=plan, seconds=1.0, sticks=lambda place: (1500,), telemetry=lambda packet: b"\1",
        failsafe_outputs=lambda held: (1500,), start_outputs=((1500,),),
    )  # fmt: skip
    for picture in by_key(evidence_of(scenario)).values():
        words = [picture.key, picture.title, picture.about]
        if isinstance(picture, Plot):
            words += [rule.label for rule in picture.rules] + [
                picture.x.label,
                picture.y.label,
                picture.y.unit,
            ]
        assert all(word.isprintable() for word in words), words
        assert picture.key.isascii()


RECORDED = Scenario(seconds=3.0, silences=CUTS[:1], telemetry=lambda _: bytes(8)).recording()
PLAN = Scenario().plan


@pytest.mark.parametrize("seed", range(12))
def test_damaged_bytes_never_raise(seed: int) -> None:
    chance = stream(seed, "damage")
    ports = {}
    for role, port in RECORDED.ports.items():
        data = list(port.data)
        for _ in range(chance.randrange(1, 40)):
            place = chance.randrange(len(data))
            piece = bytearray(data[place])
            if piece:
                piece[chance.randrange(len(piece))] ^= 1 << chance.randrange(8)
            data[place] = bytes(piece) if chance.random() < 0.7 else b""
        keep = chance.randrange(1, len(data) + 1)
        ports[role] = PortPackets(port.at_ns[:keep], port.direction[:keep], data[:keep])
    check(gather(PLAN, Recording(RECORDED.header, ports, RECORDED.marks, False, ("damaged",))))
