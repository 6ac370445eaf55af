"""Whatever a verdict.json from anywhere holds, a lot is told, or one clear error, and nothing else."""

import json

from hypothesis import given, settings
from hypothesis import strategies as st
from unit_samples import check, delivery, document, kept, latency

from harness.errors import UserError
from harness.report.document import to_json
from harness.units.document import units_document
from harness.units.results import compare_units
from harness.units.telling import render

JUNK = st.sampled_from([
    None, True, 0, -1, 2**63, 10**400, 1e308, -1e308, 5e-324, float("inf"), "", "NaN", "pass", "\ud800",
    "\x1b]0;x\x07<script>", "x" * 5000, [], {}, [[]], [None], ["a", 3], [1e308, -1e308], [5, 1], {"a": {}},
])  # fmt: skip


def places(value, so_far=()):
    """Every place in a document, as the keys that lead there."""
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, below in inner:
        yield (*so_far, key)
        yield from places(below, (*so_far, key))


def entry(n):
    section = {"name": "packet latency, p50", "value": 2.0, "unit": "ms", "interval": [1.0, 3.0]}
    whole = document(
        f"module {n}",
        latency(2 + n / 10),
        delivery(100.0, 98.5, 100.0),
        check("failsafe_entry", 480.0 + n, limit=500.0, ends=[479, 501], doubt=0.1),
    )
    return whole | {"seed": n, "sections": [{"key": "latency", "figures": [section]}]}


PLACES = tuple(places(entry(1)))


def put(whole, place, junk):
    for key in place[:-1]:
        if not isinstance(whole, dict | list) or (isinstance(whole, dict) and key not in whole):
            return  # an earlier change took it away
        if isinstance(whole, list) and not (isinstance(key, int) and key < len(whole)):
            return
        whole = whole[key]
    if isinstance(whole, dict):
        whole[place[-1]] = junk


@settings(max_examples=40)
@given(st.lists(st.tuples(st.integers(0, 5), st.sampled_from(PLACES), JUNK), min_size=1, max_size=4))
def test_no_verdict_json_gets_past_one_clear_error(changes):
    documents = [entry(n % 5) for n in range(6)]
    for number, place, junk in changes:
        put(documents[number], place, junk)
    try:
        found = compare_units(kept(*documents))
    except UserError as error:
        told = str(error)
    else:
        told = render(found, full=True)
        assert json.loads(to_json(units_document(found)))
    assert all(char == "\n" or char.isprintable() for char in told)
