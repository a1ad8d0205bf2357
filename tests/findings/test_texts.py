"""The catalogue of sentences: every sentence the code names is there, every one that is there is named, and all can be said."""

from __future__ import annotations

import ast
import re
import string
from pathlib import Path
from typing import TYPE_CHECKING, Final, get_args

import pytest

import deskhand
from deskhand.baseline.kept import MIX
from deskhand.findings import KINDS, say, with_live_advice
from deskhand.findings.finding import Caution
from deskhand.findings.judgements import KIND_OF
from deskhand.findings.kinds import ENTRIES
from deskhand.findings.sound_causes import CAUSE_ADVICE
from deskhand.findings.text import catalogue
from deskhand.house import BLOCKS, ROLES
from tests.support.examples import VALUES, example

if TYPE_CHECKING:
    from collections.abc import Iterator

    Function = ast.FunctionDef | ast.Module

PACKAGE: Final = Path(deskhand.__file__).parent
ELSEWHERE: Final = {
    # what no literal beside the call says: facts of tables
    "tone_advice": {role.tone_advice for role in ROLES.values()} | {"ask-mix"},
    ".kind": set(KIND_OF.values()),
    MIX: {MIX},
    # a level, once moves are planned (moves.level.agreed)
    "planned": {"after-the-source", "level-by-moves"},
    # a changed sound, once its cause is known (findings.sound_causes)
    "causes": {*CAUSE_ADVICE.values(), "cause-same"},
    "live": {name for kind in KINDS.values() for names in kind.live_advice.values() for name in names}
    # a tone that builds up, where the mix is known that it can be (live.ringing)
    | {"mute-then-that-mix", "that-send-down-then-mute", "fader-does-not-reach", "mute-at-once"},
}


class Literals:
    """The strings an expression of a function may be, as far as they are written down in its module."""

    def __init__(self, module: ast.Module, function: Function) -> None:
        self.module, self.function = module, function

    def of(self, node: ast.expr) -> set[str]:
        match node:
            case ast.Constant(value=str(text)):
                return {text}
            case ast.Constant(value=None):
                return set()
            case ast.IfExp(body=body, orelse=orelse):
                return self.of(body) | self.of(orelse)
            case ast.BinOp(left=left, op=ast.Add(), right=right):
                return {first + second for first in self.of(left) for second in self.of(right)}
            case ast.Tuple(elts=parts) | ast.List(elts=parts):
                return set().union(*map(self.of, parts))
            case ast.DictComp():  # a table filled from the files of single kinds, which `said` has by themselves
                return set()
            case ast.Dict(values=values):
                return set().union(*map(self.of, values))
            case ast.Subscript(value=ast.Name(id=table)):
                return self.of(self.table(table))
            case ast.Call(func=ast.Name(id="tuple"), args=[part]):
                return self.of(part)
            case ast.Call(func=ast.Name(id=name)):
                return self.returned(name)
            case ast.Attribute(attr="kind"):
                return ELSEWHERE[".kind"]
            case ast.Name(id=name):
                return set().union(*map(self.of, self.bound(name))) or ELSEWHERE[name]
        raise AssertionError(f"cannot tell what {ast.unparse(node)} is")

    def table(self, name: str) -> ast.expr:
        for node in self.module.body:
            if isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name) and node.target.id == name:
                assert node.value is not None
                return node.value
        raise AssertionError(name)

    def returned(self, name: str) -> set[str]:
        (function,) = (node for node in self.module.body if isinstance(node, ast.FunctionDef) and node.name == name)
        inside = Literals(self.module, function)
        returns = [node.value for node in ast.walk(function) if isinstance(node, ast.Return) and node.value is not None]
        return set().union(*map(inside.of, returns))

    def bound(self, name: str) -> Iterator[ast.expr]:
        """All that is assigned to a name in the function, or appended to it."""
        for node in ast.walk(self.function):
            match node:
                case ast.Assign(targets=targets, value=value):
                    for target in targets:
                        yield from self._matched(target, value, name)
                case ast.AnnAssign(target=ast.Name(id=bound), value=ast.expr() as value) if bound == name:
                    yield value
                case ast.Call(func=ast.Attribute(value=ast.Name(id=bound), attr="append"), args=[value]) if (
                    bound == name
                ):
                    yield value

    @staticmethod
    def _matched(target: ast.expr, value: ast.expr, name: str) -> Iterator[ast.expr]:
        match target, value:
            case ast.Name(id=bound), _ if bound == name:
                yield value
            case ast.Tuple(elts=targets), ast.Tuple(elts=values):
                for part, worth in zip(targets, values, strict=True):
                    if isinstance(part, ast.Name) and part.id == name:
                        yield worth


def said() -> Iterator[tuple[str, set[str], set[str], set[str]]]:
    """Every place that makes a finding: where, and the kinds, cases and advice it may have."""
    for path in sorted(PACKAGE.rglob("*.py")):
        module = ast.parse(path.read_text("utf-8"))
        for function in (node for node in ast.walk(module) if isinstance(node, ast.FunctionDef)):
            literals = Literals(module, function)
            for call in (node for node in ast.walk(function) if isinstance(node, ast.Call)):
                words = {keyword.arg: keyword.value for keyword in call.keywords}
                match call.func:
                    case ast.Attribute(attr="add") if len(call.args) == 3 and function.name != "_add":
                        kind, case = call.args[0], call.args[2]
                    case ast.Attribute(attr="_add") if len(call.args) == 4:
                        # adds a finding that is counted by its events, which come last
                        kind, case = call.args[0], call.args[2]
                    case ast.Name(id="Finding") if "what" in words and function.name != "add":
                        kind, case = words["kind"], words["what"]
                    case _:
                        continue
                advice = literals.of(words["advice"]) if "advice" in words else set()
                yield f"{path.name}:{call.lineno}", literals.of(kind), literals.of(case), advice
    for entry in ENTRIES:
        if entry.number is not None:
            yield entry.kind.name, {entry.kind.name}, set(entry.sentences), set(entry.number_advice.values())


SAID: Final = tuple(said())
SENTENCES: Final = [(kind, case) for kind, cases in catalogue()["finding"].items() for case in cases]


def test_every_finding_of_the_code_has_its_words() -> None:
    words = catalogue()
    assert len(SAID) > 25
    for place, kinds, cases, advice in SAID:
        assert kinds <= set(KINDS), place
        there = set().union(*(words["finding"][kind] for kind in kinds))
        assert cases
        assert cases <= there, (place, cases - there)
        assert advice <= set(words["advice"]), (place, advice - set(words["advice"]))


def test_every_sentence_of_the_catalogue_is_said_somewhere() -> None:
    spoken = {(kind, case) for _, kinds, cases, _ in SAID for kind in kinds for case in cases}
    assert set(SENTENCES) <= spoken, set(SENTENCES) - spoken
    advice = (ELSEWHERE["live"] | ELSEWHERE["planned"] | ELSEWHERE["causes"]).union(*(advice for *_, advice in SAID))
    assert set(catalogue()["advice"]) == advice
    assert set(catalogue()["caution"]) == set(get_args(Caution))
    assert set(catalogue()["dismissed"]) == {"tonight", "for-good", "done"}
    assert set(catalogue()) == {"finding", "advice", "caution", "dismissed", "reading"}


def test_every_kind_has_sentences_and_an_example() -> None:
    assert set(catalogue()["finding"]) == set(KINDS)
    assert {(kind, case) for kind, cases in VALUES.items() for case in cases} == set(SENTENCES)


SLUGS: Final = sorted(
    {name for name in (*KINDS, *catalogue()["advice"], *(case for _, case in SENTENCES), *BLOCKS) if "-" in name}
    # words of the trade that are written so
    - {"high-pass", "low-pass", "mid-side"}
)


def is_plain(sentence: str) -> None:
    """A sentence for people: no hole, no slug, no name of a value, no word that says less than the trade's."""
    assert sentence == sentence.strip()
    assert not re.search(r"[{}_]|None|nan|  |;;|; ;|\(\)", sentence), sentence
    for slug in SLUGS:
        assert not re.search(rf"(?<![\w-]){re.escape(slug)}(?![\w-])", sentence), (slug, sentence)
    for word in ("upside down", "behind its", "in front of", "flip", "exchanged cable", "takes off"):
        assert word not in sentence, (word, sentence)


@pytest.mark.parametrize(("kind", "case"), [pytest.param(*names, id="/".join(names)) for names in SENTENCES])
def test_every_sentence_can_be_said(kind: str, case: str) -> None:
    finding = example(kind, case=case)
    is_plain(say(finding))
    # nothing that the sentence needs is missing, and nothing that is given is left out of the data
    holes = {hole for _, hole, _, _ in string.Formatter().parse(catalogue()["finding"][kind][case]) if hole}
    own = {"measured", "expected", "change_db", "other", "track", "at_s"}
    assert holes <= own | set(finding.facts)


@pytest.mark.parametrize("name", [pytest.param(name, id=name) for name in catalogue()["advice"]])
def test_every_advice_can_be_said(name: str) -> None:
    values = {
        "near": "key left",
        "turned": "trim",
        "turn_db": 6.0,
        "house_mains_hz": 50.0,
        "inverted": "keys r",
        "peak_dbfs": -10.0,
        "earlier": "bass di",
        "late_ms": 1.4,
        "mix": "wedge 1",
    }
    is_plain(say(example("drift", case="crept", advice=(name,), track="bass", other="keys", facts={
        **VALUES["drift"]["crept"]["facts"], **values,
    })))  # fmt: skip


def test_a_missing_value_is_an_error_and_no_hole() -> None:
    with pytest.raises(KeyError, match="below_db"):
        say(example("hum", facts={"lines_hz": [50.0]}))
    with pytest.raises(KeyError, match="louder"):
        say(example("hum", case="hum", advice=("louder",)))


def test_sentences_as_people_read_them() -> None:
    spoken = {
        (
            "level-low",
            "below",
        ): "6 dB below nominal; raise its trim by 6 dB (open microphone: mind feedback; tell the stage first)",
        (
            "polarity",
            "microphones",
        ): "its polarity is reversed against kick in: mono loses 9.3 dB as it is, 0.4 dB with one reversed; "
        "reverse the polarity of kick out, unless the desk does so already (then write it into its chain)",
        (
            "dynamics",
            "reduction",
        ): "its compressor gives 1.2 dB of gain reduction while it plays, where 2 to 4 dB is wanted; lower its "
        "threshold",
        (
            "wireless-hit",
            "hits",
        ): "1 short interruption at 0:06 (noise or mute), as a radio link makes them; check battery, antennas and "
        "frequency",
        (
            "clicks",
            "clicks",
        ): "6 digital clicks at 0:00, 0:10 and 4 more times up to 0:50; check word clock and digital connections",
    }
    for (kind, case), sentence in spoken.items():
        assert say(example(kind, case=case)) == sentence


def test_every_sentence_was_read_against_three_kinds_of_house() -> None:
    """Whose hand it takes, and a remark where it is not right with in-ears, with wedges or on the stream."""
    words = catalogue()
    reading = words["reading"]
    assert set(reading) == {"finding", "advice", "caution"}
    for part in reading:
        assert set(reading[part]) == set(words[part])
        for name, entry in reading[part].items():
            assert entry["who"] in {"desk", "stage", "player", "recording", "office"}, name
            assert set(entry) <= {"who", "ears", "wedges", "stream"}, name
            for remark in entry.values():
                is_plain(remark)


def test_an_offset_is_looked_for_where_dc_can_come_from() -> None:
    """Common practice, no source: the input of a microphone preamplifier is coupled by capacitors, which pass no DC."""
    sentence = say(example("dc"))
    digital = sentence.index("the converter, the recorder or a digital source first")
    assert digital < sentence.index("high-pass")
    assert "box or cable" not in sentence


@pytest.mark.parametrize(
    ("phase", "words", "absent"),
    [
        pytest.param("line-check", "mute it now, then find out", "3 to 6 dB", id="line-check"),
        pytest.param("rehearsal", "mute it now, then find out", "3 to 6 dB", id="soundcheck"),
        pytest.param(
            "show", "down 3 to 6 dB, with in-ears its fader; mute it if it still grows", "mute it now", id="show"
        ),
    ],
)
@pytest.mark.parametrize("doubt", [(), ("may-be-sung",)], ids=["feedback", "maybe-sung"])
def test_feedback_while_it_happens(phase: str, words: str, absent: str, doubt: tuple[str, ...]) -> None:
    """Common practice, no source: at soundcheck nobody needs the channel; in a show the words go on as long as they can."""
    howl = with_live_advice(example("howl", advice=(*doubt, "nearest-wedge")), phase)
    assert words in say(howl)
    assert absent not in say(howl)
    assert "protect ears" in say(howl)
    assert ("ignore this" in say(howl)) == bool(doubt)
    # anything else is told as in a recording
    hum = example("hum")
    assert with_live_advice(hum, phase) == hum


@pytest.mark.parametrize("kind", ["swapped", "wrong-patch"])
def test_nobody_is_told_to_swap_before_it_is_asked_who_played(kind: str) -> None:
    for case in catalogue()["finding"][kind]:
        sentence = say(example(kind, case=case))
        assert "who was playing" in sentence
        after = sentence.split("? ", 1)[1]
        assert after.startswith("If ")
        for word in ("surely", "certain", "for sure", "must be", "definitely"):
            assert word not in sentence
