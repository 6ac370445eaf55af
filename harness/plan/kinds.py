"""How a value is written in YAML: one small specification per kind of value.

A specification says what is allowed; `harness.plan.fields` reads by it, `harness.plan.schema` describes it.
"""

from __future__ import annotations

from dataclasses import MISSING, dataclass, field
from fractions import Fraction
from typing import Any


@dataclass(frozen=True, slots=True)
class Duration:
    """`20 ms`: a number with us, ms, s, min or h; read as ns. `word` names an allowed word instead.

    `most_ns` 0 means no upper end. `multiple_ns` is the step that whoever carries it out can count in.
    """

    least_ns: int = 0
    most_ns: int = 0
    word: str = ""
    multiple_ns: int = 1


@dataclass(frozen=True, slots=True)
class Frequency:
    """`50 Hz`: a number with mHz, Hz or kHz; read as mHz."""

    least_mhz: int
    most_mhz: int


@dataclass(frozen=True, slots=True)
class Pulse:
    """`1500 us`: a whole number of us."""

    least_us: int = 500
    most_us: int = 2500


@dataclass(frozen=True, slots=True)
class PulseRange:
    """`1000 us to 2000 us`: two pulses, the shorter first."""


@dataclass(frozen=True, slots=True, init=False)
class PulseOr:
    """A pulse, or one of a few words."""

    words: tuple[str, ...]

    def __init__(self, *words: str) -> None:
        object.__setattr__(self, "words", words)


@dataclass(frozen=True, slots=True)
class Share:
    """`99.5 %`: a percentage, read as an exact fraction."""

    least: Fraction = Fraction(0)
    most: Fraction = Fraction(1)


@dataclass(frozen=True, slots=True)
class Decibel:
    """`-10 dBm` or `20 dB`: a level with one of `units`, read as whole tenths; ends included.

    Which unit it has is not kept: where there are two, something else in the mapping says it.
    """

    least_x10: int
    most_x10: int
    units: tuple[str, ...] = ("dB",)


@dataclass(frozen=True, slots=True)
class Distance:
    """`1 m`: a number with mm, cm, m or km; read as whole mm."""

    least_mm: int
    most_mm: int


@dataclass(frozen=True, slots=True)
class Number:
    """A plain decimal number without a unit, read as an exact fraction; both ends included.

    Without `zero`, numbers nearer to zero than 1e-9 are refused.
    """

    least: Fraction = Fraction(-(10**9))
    most: Fraction = Fraction(10**9)
    zero: bool = True


@dataclass(frozen=True, slots=True)
class Whole:
    """A whole number without a unit, ends included."""

    least: int
    most: int


@dataclass(frozen=True, slots=True)
class Flag:
    """`true` or `false`; `other` says what else may stand there."""

    other: str = ""


@dataclass(frozen=True, slots=True)
class Text:
    """Printable text of `least` to `most` characters, on one line unless `lines`.

    With `bare`, what YAML takes for a number or a truth value is text too. `raw` text is kept as it stands,
    blanks and control characters included.
    """

    most: int
    least: int = 0
    lines: bool = False
    bare: bool = False
    raw: bool = False


@dataclass(frozen=True, slots=True, init=False)
class Choice:
    """One of a few words."""

    words: tuple[str, ...]

    def __init__(self, *words: str) -> None:
        object.__setattr__(self, "words", words)


@dataclass(frozen=True, slots=True)
class Name:
    """The name of something declared elsewhere: a `channel` (by `Each`) or a `step` (by `Variants`)."""

    of: str


@dataclass(frozen=True, slots=True)
class Items:
    """A list of `each`, or one alone; with `value`, a mapping from `each` to `value`.

    At least one entry, no `Name` twice. `all_word` stands for an empty tuple.
    """

    each: Kind
    value: Kind | None = None
    all_word: str = ""


@dataclass(frozen=True, slots=True)
class Nested:
    """A mapping with the keys of a dataclass; with `flag` also `true` for no keys, and `false` for None."""

    of: type
    flag: bool = False


@dataclass(frozen=True, slots=True)
class Each:
    """A mapping from names to the keys of a dataclass, whose `name` field takes the name; 1 to `at_most`.

    `Name` refers to them by the dataclass's own name in lower case.
    """

    of: type
    at_most: int


@dataclass(frozen=True, slots=True)
class Variants:
    """A list of mappings with one key that says which kind of `step` or `check` it is, and maybe `name`."""

    of: str


Kind = (
    Duration | Frequency | Pulse | PulseRange | PulseOr | Share | Decibel | Distance | Number | Whole | Flag
    | Text | Choice | Name | Items | Nested | Each | Variants
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Key:
    """What a dataclass field carries in its metadata under "key"."""

    kind: Kind
    about: str
    yaml: str


def key(kind: Kind, about: str, default: Any = MISSING, *, yaml: str = "") -> Any:
    """Declare a field that is read from YAML: its kind, one sentence about it, its default, its YAML name.

    The YAML name is the field's own name if `yaml` is left out. A field without a default must be given.
    """
    return field(default=default, metadata={"key": Key(kind, about, yaml)}, kw_only=True)
