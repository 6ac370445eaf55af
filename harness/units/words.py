"""What do the words of acceptance sampling say? `size=200,limit=10%` and `n=8,c=0`, with errors that mend."""

from __future__ import annotations

import argparse
from dataclasses import replace
from typing import Final, NoReturn

from harness.plan.units import QuantityError, parse_share
from harness.plan.wording import nearest
from harness.stats.sampling import LOT_MOST
from harness.units.decision import CONSUMER, PRODUCER, Asked

_LOT: Final = {
    "size": "lot size",
    "limit": "limiting quality",
    "aql": "acceptance quality limit",
    "consumer": "consumer's risk",
    "producer": "producer's risk",
}
_SAMPLING: Final = {"n": "sample size", "c": "acceptance number"}


def read_lot(words: str) -> Asked:
    """Return what `size=200,limit=10%` asks; raises ArgumentTypeError."""
    found = _pairs(words, _LOT, "size=200,limit=10%")
    shares = {word: _share(word, told) for word, told in found.items() if word != "size"}
    asked = Asked(
        size=_whole("size", found["size"], 1, LOT_MOST) if "size" in found else None,
        limit=shares.get("limit"),
        aql=shares.get("aql"),
        consumer=shares.get("consumer", CONSUMER),
        producer=shares.get("producer", PRODUCER),
    )
    if asked.aql is not None and asked.limit is None:
        _refuse("aql goes with limit, which is the share of bad units that must not pass; write both")
    if asked.aql is not None and asked.limit is not None and asked.aql >= asked.limit:
        _refuse(
            f"aql={found['aql']} must be less than limit={found['limit']}: good lots pass, bad ones do not"
        )
    return asked


def read_sampling(words: str) -> Asked:
    """Return what `n=8,c=0` asks; raises ArgumentTypeError."""
    found = _pairs(words, _SAMPLING, "n=8,c=0")
    sample = _whole("n", found["n"], 1, LOT_MOST) if "n" in found else None
    if "c" not in found:
        _refuse("c, the acceptance number, is missing; write n=8,c=0 with your own numbers")
    return Asked(sample=sample, acceptance=_whole("c", found["c"], 0, LOT_MOST))


def both(lot: Asked | None, sampling: Asked | None) -> Asked:
    """Return what two options ask together."""
    asked = lot or Asked()
    return replace(asked, sample=sampling.sample, acceptance=sampling.acceptance) if sampling else asked


def _pairs(words: str, allowed: dict[str, str], example: str) -> dict[str, str]:
    found: dict[str, str] = {}
    for pair in words.split(","):
        word, equals, told = (part.strip() for part in pair.partition("="))
        if word not in allowed or not equals or not told:
            meant = ", ".join(f"{name} ({about})" for name, about in allowed.items())
            near = nearest(word, tuple(allowed))
            hint = f"; did you mean {near}?" if near and near != word else ""
            _refuse(f"{pair!r:.60} is not understood; write {example}; words: {meant}{hint}")
        if word in found:
            _refuse(f"{word} stands there twice; write it once")
        found[word] = told
    return found


def _whole(word: str, told: str, least: int, most: int) -> int:
    if told.isascii() and told.isdigit() and len(told) <= 7 and least <= int(told) <= most:
        return int(told)
    raise argparse.ArgumentTypeError(f"{word}={told:.20} is not a whole number from {least} to {most}")


def _share(word: str, told: str) -> float:
    try:
        share = parse_share(told)
    except QuantityError as error:
        _refuse(f"{word}: {error}")
    if not 0 < share < 1:
        _refuse(f"{word}={told:.20} is not between 0 % and 100 %; write a share such as 10 %")
    return float(share)


def _refuse(why: str) -> NoReturn:
    raise argparse.ArgumentTypeError(why)
