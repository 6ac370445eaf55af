"""How is a device without the bench protocol told what to do? Each message becomes what its template says.

What has no template is answered as a device would that does not know the command. A silence that is to begin
later is written later, for such a device knows no delays. Nothing is answered of a silence: when it began is
not known here, and the judgement then takes the time that a command may need.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from harness.codec import messages as m
from harness.codec.layout import Message
from harness.devices.kind import Answer, Write
from harness.devices.patterns import PatternError
from harness.devices.scales import Scale, scale_of
from harness.devices.templates import Template

CHANNELS: Final = tuple(f"channel {number}" for number in range(1, m.MAX_CHANNELS + 1))
FIELDS: Final[Mapping[str, tuple[str, ...]]] = {
    "sticks": ("set", *CHANNELS),
    "silence": ("ms", "us", "delay ms"),
    "burst": ("packets", "spacing us"),
    "packet_rate": ("hz", "mhz", "period us"),
    "restart": (),
    "keep_alive": (),
    "release": (),
}
"""Which numbers each template may carry."""
ABILITIES: Final = {
    "sticks": m.Ability.STICKS,
    "silence": m.Ability.SILENCE,
    "burst": m.Ability.BURST,
    "packet_rate": m.Ability.SET_PACKET_RATE,
    "restart": m.Ability.RESTART,
}

_KEYS: Final[Mapping[type, str]] = {
    m.Sticks: "sticks",
    m.Silence: "silence",
    m.Burst: "burst",
    m.Setting: "packet_rate",
    m.Restart: "restart",
}


class Commands:
    """The templates of one device; `texts` holds them by the keys of `FIELDS`, raises PatternError."""

    def __init__(
        self, texts: Mapping[str, str], end: bytes, scales: tuple[Scale, ...], rest_us: tuple[int, ...]
    ) -> None:
        self._templates = {key: Template(text, FIELDS[key], end) for key, text in texts.items()}
        self._scales = scales
        self._rest_us = rest_us
        self._set = 0
        sticks = self._templates.get("sticks")
        self.channels = count_channels(sticks.fields) if sticks else 0
        if sticks and not self.channels:
            raise PatternError("no channel in it; write {channel 1} and so on where the values go")

    @property
    def abilities(self) -> int:
        """The abilities that the templates give."""
        return sum(ability for key, ability in ABILITIES.items() if key in self._templates)

    @property
    def lets_go(self) -> bool:
        """Whether the device hears keep-alives, so that it can let go by itself."""
        return "keep_alive" in self._templates

    @property
    def numbers_sets(self) -> bool:
        """Whether stick set numbers reach the device."""
        return "sticks" in self._templates and "set" in self._templates["sticks"].fields

    def told(self, message: Message, at_ns: int) -> Answer:
        """Return what to write for a message that it `knows`."""
        match message:
            case m.Sticks():
                answer = self._sticks(message.set_number, message.pulses_us)
            case m.Release():
                answer = self._release()
            case m.Silence():
                answer = self._silence(message, at_ns)
            case m.Burst():
                answer = self._write("burst", {"packets": message.count, "spacing us": message.spacing_us})
            case m.Setting():
                answer = self._rate(message.value)
            case m.KeepAlive():
                answer = self._write("keep_alive", {}) if self.lets_go else Answer()
            case m.Restart():
                answer = self._write("restart", {})
            case _:
                answer = Answer()
        return answer

    def knows(self, message: Message) -> bool:
        """Return whether a message means anything to this device; others are refused."""
        if isinstance(message, m.Ping | m.KeepAlive | m.Release):
            return True
        if isinstance(message, m.Sticks) and len(message.pulses_us) > self.channels:
            return False
        if isinstance(message, m.Setting) and message.setting != m.SettingId.PACKET_RATE_MHZ:
            return False
        return _KEYS.get(type(message), "") in self._templates

    def _write(self, key: str, values: Mapping[str, int], at_ns: int = 0, *, forget: bool = False) -> Answer:
        return Answer((Write(self._templates[key].written(values), at_ns),), forget=forget)

    def _sticks(self, number: int, pulses_us: tuple[int, ...]) -> Answer:
        given = (*pulses_us, *self._rest_us[len(pulses_us) :])
        values = {"set": number} | dict.fromkeys(CHANNELS, 0)
        for place, name in enumerate(CHANNELS):
            pulse_us = given[place] if place < len(given) else 0
            values[name] = scale_of(self._scales, place + 1).raw(pulse_us)
        self._set = number
        return self._write("sticks", values)

    def _release(self) -> Answer:
        """Write the release, or where there is none the sticks at rest once more."""
        if "release" in self._templates:
            return self._write("release", {}, forget=True)
        if "sticks" in self._templates and self._rest_us:
            return Answer(self._sticks(self._set, self._rest_us[: self.channels]).writes, forget=True)
        return Answer(forget=True)

    def _silence(self, message: m.Silence, at_ns: int) -> Answer:
        values = {
            "ms": -(-message.duration_us // 1000),
            "us": message.duration_us,
            "delay ms": message.delay_us // 1000,
        }
        waits = "delay ms" not in self._templates["silence"].fields
        begins_ns = at_ns + message.delay_us * 1000 if waits else 0
        return self._write("silence", values, begins_ns, forget=True)

    def _rate(self, rate_mhz: int) -> Answer:
        values = {"mhz": rate_mhz, "hz": (rate_mhz + 500) // 1000, "period us": 10**9 // max(1, rate_mhz)}
        written = self._write("packet_rate", values)
        return Answer(written.writes)


def count_channels(fields: tuple[str, ...]) -> int:
    """Return how many channels the fields name; raises PatternError unless they are 1, 2, 3 and so on."""
    found = [name for name in CHANNELS if name in fields]
    if found != list(CHANNELS[: len(found)]):
        missing = next(name for name in CHANNELS if name not in fields)
        raise PatternError(f"{{{missing}}} is missing before {{{found[-1]}}}")
    return len(found)
