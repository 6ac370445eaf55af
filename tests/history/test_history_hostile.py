"""Whatever a verdict.json from anywhere holds, the history lists it or says why it is left out."""

import copy
import io
import json
from pathlib import Path
from tempfile import TemporaryDirectory

from history_samples import document, write
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.history.command import Outputs, history, show
from harness.history.command import write as write_files
from harness.history.rows import Wanted
from harness.report.document import to_json

WHOLE = json.loads(to_json(document()))
JUNK = st.sampled_from([
    "null", "true", "0", "-1", "9223372036854775808", "1" + "0" * 400, "1e308", "-1e999", "5e-324", "NaN",
    '""', '"NaN"', '"pass"', r'"\ud800"', r'"\u001b]0;x\u0007<script>"', f'"{"x" * 5000}"', "[]", "{}",
    "[[]]", "[null]", '["a", 3]', "[1e308, -1e308]", '{"a": {}}', "[" * 3000 + "]" * 3000,
    '"9999-12-31T23:59:60Z"', "]",
])  # fmt: skip
MARK = "a value to be put here"


def places(value, so_far=()):
    """Every place in a document, as the keys that lead there."""
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, below in inner:
        yield (*so_far, key)
        yield from places(below, (*so_far, key))


def mutated(place, junk):
    """The document as text, with junk in one place."""
    at = whole = copy.deepcopy(WHOLE)
    for key in place[:-1]:
        at = at[key]
    at[place[-1]] = MARK
    return json.dumps(whole).replace(json.dumps(MARK), junk)


@settings(max_examples=30)
@given(st.lists(st.tuples(st.sampled_from(tuple(places(WHOLE))), JUNK), min_size=1, max_size=5))
def test_no_verdict_json_hides_the_others_or_gets_through(changes):
    with TemporaryDirectory() as made:
        root = Path(made)
        write(root / "sound", to_json(document()))
        for number, (place, junk) in enumerate(changes):
            write(root / f"odd-{number}", mutated(place, junk))
        told = history(root, Wanted(), lambda _: None, whole=True)
        assert len(told.runs) + len(told.unread) == 1 + len(changes)
        for as_json in (True, False):
            text = show(told, json=as_json, terminal=io.StringIO())
            assert all(char == "\n" or char.isprintable() for char in text)
        write_files(told, Outputs(csv=root / "told.csv", page=root / "told.html"), lambda _: None)
