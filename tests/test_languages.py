"""Languages: each says everything that English says, with the same values, and nothing in English is left in it.

First the catalogues, then numbers, then every sentence of a finding and of a move filled with values, then the choice of a language.
"""

from __future__ import annotations

import ast
import string
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from deskhand.baseline.numbers import CHARTED, MIX_NUMBERS
from deskhand.errors import HouseError
from deskhand.findings import text as findings_text
from deskhand.findings.drifts import MONTHS
from deskhand.findings.judgements import _LESS, _MORE
from deskhand.findings.kinds import KINDS
from deskhand.house import BLOCKS, ROLES
from deskhand.house.read import read_house
from deskhand.language import LANGUAGES, VARIABLE, choose_language, language, read_catalogue
from deskhand.moves import text as moves_text
from deskhand.report import terminal, words_path
from deskhand.report import words as report_words
from deskhand.report.sheet import pdf
from deskhand.seat import feed_result
from deskhand.units import number, parse
from deskhand.words import filled, phrase

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

PACKAGE = Path(terminal.__file__).parents[1]
OTHERS = [code for code in LANGUAGES if code != "en"]
ENGLISH_ONLY = frozenset(
    [
        "the",
        "and",
        "of",
        "is",
        "are",
        "were",
        "with",
        "from",
        "to",
        "its",
        "it's",
        "this",
        "that",
        "than",
        "above",
        "below",
        "not",
        "for",
        "at",
        "by",
        "on",
        "which",
        "where",
        "while",
        "least",
        "most",
        "more",
        "less",
        "louder",
        "quieter",
        "then",
        "turn",
        "left",
        "right",
        "input",
        "house",
        "week",
        "kept",
        "voice",
        "moves",
        "mute",
    ]
)
"""Words of English that no German sentence holds. Common practice, no source."""
COMMANDS = (
    "house.toml",
    "deskhand history",
    "deskhand keep --measure-again",
    "deskhand serve --lan",
    "deskhand serve",
    "used = false",
    "Tern Street Hall",
)
"""What is typed, or is a name, stays as it is."""


@pytest.fixture(autouse=True)
def _english_again(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.delenv(VARIABLE, raising=False)
    yield
    choose_language("en")


def leaves(tables: Mapping[str, Any], path: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], str]]:
    for name, entry in tables.items():
        if isinstance(entry, dict):
            yield from leaves(entry, (*path, name))
        else:
            yield (*path, name), entry


def placeholders(sentence: str) -> list[str]:
    return sorted({name for _, name, _, _ in string.Formatter().parse(sentence) if name})


CATALOGUES = {
    "findings": (lambda: findings_text._catalogue_in("en"), "deskhand.findings", "texts", ("reading",)),
    "moves": (lambda: moves_text._catalogue_in("en"), "deskhand.moves", "texts", ("reading",)),
    "earlier-moves": (lambda: read_catalogue("deskhand.desk", "texts"), "deskhand.desk", "texts", ()),
    "ring-out": (lambda: read_catalogue("deskhand.live", "ring_out"), "deskhand.live", "ring_out", ()),
    "page-and-report": (lambda: report_words._words_in("en"), "deskhand.report", "words", ("origin",)),
}
"""Catalogue to its English sentences, where the others lie, and the tables that are for whoever writes them."""


@pytest.mark.parametrize("code", OTHERS)
@pytest.mark.parametrize("catalogue", CATALOGUES)
def test_a_language_has_every_sentence_of_a_catalogue_with_the_same_values(code: str, catalogue: str) -> None:
    tables, package, name, unread = CATALOGUES[catalogue]
    english = {path: entry for path, entry in leaves(tables()) if path[0] not in unread and path[-1] != "answers"}
    other = dict(leaves(read_catalogue(package, f"{name}.{code}")))
    missing = [f"[{'.'.join(path[:-1])}] {path[-1]} = {english[path]!r}" for path in english if path not in other]
    assert not missing, f"{name}.{code}.toml lacks:\n" + "\n".join(missing)
    unknown = ["/".join(path) for path in other if path not in english]
    assert not unknown, f"{name}.{code}.toml has what English has not: {unknown}"
    differing = ["/".join(path) for path in english if placeholders(english[path]) != placeholders(other[path])]
    assert not differing, f"{name}.{code}.toml names other values in: {differing}"


def written_in(node: ast.expr) -> list[str]:
    """Sentences that an argument can be, as far as they stand there."""
    match node:
        case ast.Constant(value=str(sentence)):
            return [sentence]
        case ast.IfExp(body=body, orelse=orelse):
            return written_in(body) + written_in(orelse)
        case ast.Subscript(value=value):
            return written_in(value)
        case ast.Tuple(elts=entries) | ast.Dict(values=entries):
            return [sentence for entry in entries for sentence in written_in(entry)]
        case ast.Call(args=[_, *others]):
            return [sentence for entry in others for sentence in written_in(entry)]
    return []


def phrases_of_the_code() -> dict[str, str]:
    """Sentences of the code to the file each stands in: what is given to `phrase`, and the tables that are."""
    phrases = {}
    for file in sorted(PACKAGE.rglob("*.py")):
        for node in ast.walk(ast.parse(file.read_text("utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.args:
                if node.func.id in ("phrase", "_print_heading"):
                    phrases |= dict.fromkeys(written_in(node.args[0]), file.name)
            elif isinstance(node, ast.Assign | ast.AnnAssign):
                # a sentence that is chosen before it is filled
                names = [
                    target.id
                    for target in ([node.target] if isinstance(node, ast.AnnAssign) else node.targets)
                    if isinstance(target, ast.Name)
                ]
                if names in (["entry"], ["than"], ["_SONGS"]) and node.value is not None:
                    phrases |= {sentence: file.name for sentence in written_in(node.value) if "{" in sentence}
    tables = {
        "kinds": [kind.words for kind in KINDS.values()],
        "blocks": [name for block in BLOCKS.values() for name in (block.name, block.label) if name],
        "roles": list(ROLES),
        "numbers": [word for entry in (*CHARTED, *MIX_NUMBERS) for word in (entry.label, entry.unit)],
        "months": list(MONTHS),
        "tones": [*_MORE.values(), *_LESS.values()],
        "terminal": [*terminal._WORDS.values(), *terminal.FORGOTTEN, terminal.NEXT],
        "sheet": [*pdf._WORDS.values(), *pdf._CAUTIONS],
        "loudspeakers": list(feed_result._REASONS.values()),
        "words": list(words_path._MOST.values()),
    }
    for table, sentences in tables.items():
        phrases |= dict.fromkeys(sentences, table)
    return {sentence: where for sentence, where in phrases.items() if any(sign.isalpha() for sign in sentence)}


UNITS = ("dB", "dBFS", "LUFS", "%", "s", "dBTP", "LU", "acum", "sone")
"""Written alike in every language (ISO 80000-8:2020, EBU R 128)."""


@pytest.mark.parametrize("code", OTHERS)
def test_a_language_has_every_sentence_of_the_code_with_the_same_values(code: str) -> None:
    other = {
        english: text
        for table in read_catalogue("deskhand", f"phrases.{code}").values()
        for english, text in table.items()
    }
    phrases = {english: where for english, where in phrases_of_the_code().items() if english not in UNITS}
    missing = [f"{where}: {english!r}" for english, where in phrases.items() if english not in other]
    assert not missing, f"phrases.{code}.toml lacks:\n" + "\n".join(missing)
    differing = [english for english in phrases if placeholders(english) != placeholders(other[english])]
    assert not differing, f"phrases.{code}.toml names other values in: {differing}"


def english_words(sentence: str) -> set[str]:
    """Words of a sentence that only English has; what stands in braces is a value's name."""
    for command in COMMANDS:
        sentence = sentence.replace(command, "")
    spoken = "".join(text for text, _, _, _ in string.Formatter().parse(sentence))
    words = "".join(sign if sign.isalpha() or sign == "'" else " " for sign in spoken).lower().split()
    return set(words) & ENGLISH_ONLY


def test_no_english_word_is_left_in_a_german_sentence() -> None:
    files = sorted(PACKAGE.rglob("*.de.toml"))
    assert len(files) == 6
    left = []
    for file in files:
        tables = read_catalogue(
            "deskhand" + "".join(f".{part}" for part in file.relative_to(PACKAGE).parts[:-1]),
            file.name.removesuffix(".toml"),
        )
        left += [f"{file.name} {path}: {entry}" for path, entry in leaves(tables) if english_words(entry) - {"mute"}]
    assert not left, "\n".join(left)


class AnyValue(dict[str, Any]):
    """A value for every name that a sentence asks for, as its form wants it."""

    def __missing__(self, name: str) -> Any:
        if name in ("at_s",):
            return ((1.5, 2.0), (65.0, 66.0))
        if name == "tracks":
            return ("aud l", "aud r")
        if name == "lines_hz":
            return (50.0, 100.0)
        return (
            1.5 if name.endswith(("_db", "_dbfs", "_dbtp", "_hz", "_s", "_ms", "_pct")) or name in NUMBERS else "bass"
        )


NUMBERS = frozenset({"measured", "expected", "count", "q", "turn_db", "tracks_together"})
"""Values of findings and moves that are numbers and whose names carry no unit."""


class Change:
    """A setting from and to."""

    before, after = -3.5, -6.25


@pytest.mark.parametrize("code", LANGUAGES)
def test_every_sentence_of_findings_and_moves_can_be_filled(code: str) -> None:
    choose_language(code)
    settings = dict.fromkeys(("fader", "send", "gain", "frequency", "slope", "threshold", "mid"), Change())
    findings = findings_text._catalogue_in(code)
    moves = moves_text._catalogue_in(code)
    for catalogue, sections in (
        (findings, ("finding", "advice")),
        (moves, ("move", "advice", "remark", "why", "voice", "hand")),
    ):
        for section in sections:
            for path, sentence in leaves(catalogue[section]):
                if path[-1] == "answers":
                    continue
                values = AnyValue(settings)
                if "{q." in sentence:
                    values["q"] = Change()
                spoken = filled(sentence, values)
                assert "{" not in spoken, path
                if code == "de":
                    assert not english_words(spoken), (path, spoken)


@pytest.mark.source("DIN 1333:1992 and ISO 80000-1:2022, 7.3.2: a comma is the decimal sign in German")
def test_german_numbers_have_a_comma_and_are_read_with_one() -> None:
    assert number(-18.55) in ("−18.6", "−18.5")
    choose_language("de")
    assert number(-6.4) == "−6,4"
    assert number(-18.0) == "−18"
    assert (
        filled("{level:1} dB, {gain:+1} dB, {hz:hertz}", {"level": 1.25, "gain": 2.5, "hz": 3150.0})
        == "1,2 dB, +2,5 dB, 3,1 kHz"
    )
    assert parse("1,6 kHz", "frequency_hz") == parse("1.6 kHz", "frequency_hz") == 1600.0
    choose_language("en")
    with pytest.raises(ValueError, match="1,6 kHz"):
        parse("1,6 kHz", "frequency_hz")


@pytest.mark.source("German grammar: Knackser, Störung/Störungen, Kanal/Kanäle")
def test_one_and_several_have_their_own_endings() -> None:
    assert filled("{count} Störung{count:|en}", {"count": 1}) == "1 Störung"
    assert filled("{count} Störung{count:|en}", {"count": 3}) == "3 Störungen"
    assert filled("{count} digitale{count:r|} Knackser", {"count": 1}) == "1 digitaler Knackser"


def test_a_sentence_that_a_language_lacks_is_told_in_english() -> None:
    choose_language("de")
    assert phrase("no such sentence {count}", count=2) == "no such sentence 2"
    assert phrase("{weeks} weeks", weeks=3) == "3 Wochen"


def test_the_house_file_chooses_and_the_environment_goes_before_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "house.toml"
    file.write_text('[house]\nname = "Tern Street Hall"\nlanguage = "de"\n', "utf-8")
    read_house(file)
    assert language() == "de"
    monkeypatch.setenv(VARIABLE, "en_GB.UTF-8")
    read_house(file)
    assert language() == "en"
    file.write_text('[house]\nname = "Tern Street Hall"\nlanguage = "fr"\n', "utf-8")
    with pytest.raises(HouseError, match=r"house.toml, line 3.*language"):
        read_house(file)


def test_a_house_that_names_no_language_is_told_in_english(tmp_path: Path) -> None:
    choose_language("de")
    file = tmp_path / "house.toml"
    file.write_text('[house]\nname = "Tern Street Hall"\n', "utf-8")
    read_house(file)
    assert language() == "en"
