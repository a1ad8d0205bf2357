"""Wrong changes of single lines of the package: where they can be made, those that are drawn, and those that were tried by hand once.

A change is drawn once, of the code as it is then; where the code has moved since, the change is made where its line is now.
"""

from __future__ import annotations

import ast
import difflib
import random
import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

LEFT_OUT: Final = ("deskhand/demo/", "deskhand/store/migrations/", "deskhand/compare/", "__init__.py", "__main__.py")
"""Invented sounds, steps that ran once, the comparison of recordings, whose study has its own cases, and modules that only gather names."""
NAMED: Final = (
    (
        "findings/kinds.py", '"below_room_db": limit_db(\n                8.0', '"below_room_db": limit_db(\n                16.0',
        "tests/findings/test_limits.py::test_how_far_below_the_room_a_mute_is",
    ),
    ("findings/kinds.py", 'limit_db(12.0, "a larger raise', 'limit_db(18.0, "a larger raise',
     "tests/findings/test_limits.py"),
    ("findings/kinds.py", '"fix_dbtp": limit_db(-0.5', '"fix_dbtp": limit_db(-1.0',
     "tests/findings/test_limits.py"),
    ("findings/faults/steady.py", "abs(hum.frequency_hz - mains_hz) > _OTHER_MAINS_HZ", "False",
     "tests/findings/test_judge.py::test_hum_at_other_mains_than_the_houses_is_said"),
    ("baseline/identity.py", "UNLIKE_ITSELF: Final = 5e-2", "UNLIKE_ITSELF: Final = 0.5",
     "tests/baseline/test_identity.py::test_what_is_at_home_as_itself_is_left_alone"),
    ("live/line.py", "OWN_DB: Final = 15.0", "OWN_DB: Final = 25.0",
     "tests/live/test_line.py"),
    ("live/line.py", 'pause_s > 0.5 and any(rival.sounding and rival.state != "arrived" for rival in self.inputs)', "pause_s > 0.5",
     "tests/live/test_line.py"),
    ("live/levels.py", "np.nanpercentile(noise, 10, axis=1)", "np.nanpercentile(noise, 50, axis=1)",
     "tests/live/test_line.py"),
    ("live/watch.py", "entry.before_s + 0.3, end_s", "end_s",
     "tests/live/test_watch.py::test_what_was_played_before_a_pause_is_not_heard_again"),
    ("moves/week.py", 'if move.on != "both" else {}', "if False else {}",
     "tests/moves/test_sentences.py"),
    ("mix/faders.py", "(written_db - levels_db)[measured])) if measured.any()", "written_db - levels_db)) if measured.any()",
     "tests/mix/test_faders.py::test_those_that_are_not_in_the_mix_do_not_move_the_others"),
    ("moves/equaliser.py", "if gain <= self.most_boost_db", "if gain <= 60.0",
     "tests/moves/test_equaliser.py::test_no_setting_boosts_further_than_the_most"),
    ("moves/tone.py", "_BELOW_LOUDEST_DB: Final = 25.0", "_BELOW_LOUDEST_DB: Final = 15.0",
     "tests/moves/test_plan.py::test_the_lowest_note_lies_within_25_db_of_the_loudest"),
    ("moves/fine.py", "(hz[1] - hz[0]) + 0.5, 0.0", "(hz[1] - hz[0]), 0.0",
     "tests/moves/test_equaliser.py::test_the_edge_of_a_step_lies_between_two_lines"),
    ("report/sheet/cautions.py", "raises |= _raise_db(new_block) > _raise_db(old_block)", "pass",
     "tests/report/test_sheet.py::test_feedback_is_minded_at_open_microphones_that_get_louder"),
    ("chain/meter.py", "sign = -1.0 if -playing_db.min() > playing_db.max() else 1.0", "sign = 1.0",
     "tests/chain/test_run.py::test_the_95th_percentile_of_a_lift_is_of_the_lift"),
    ("measure/tone.py", ".mean(axis=1) >= 0.5\n    weighted", ".mean(axis=1) >= 0.0\n    weighted",
     "tests/measure/test_tone.py::test_the_harshest_moments_are_of_the_playing"),
    ("report/sheet/settings.py", '            and getattr(old[candidate], "on", "both") == getattr(block, "on", "both")\n', "",
     "tests/report/test_sheet.py::test_changes_are_told_block_by_block"),
    ("web/tries.py", "_HEARD_DB: Final = -50.0", "_HEARD_DB: Final = -25.0",
     "tests/web/test_tries.py::test_octaves_that_lie_50_db_below_the_loudest_are_not_heard"),
    ("dsp/decays.py", "_LATEST_LOW: Final = 15", "_LATEST_LOW: Final = 30",
     "tests/dsp/test_decays.py"),
    ("dsp/decays.py", "range(onset, onset + 5)", "range(onset + 1, onset + 6)",
     "tests/dsp/test_decays.py"),
    ("dsp/events.py", "if run >= 16 and", "if run >= 32 and",
     "tests/dsp/test_events.py"),
    ("measure/activity.py", "_LEAST_RUN: Final = 3", "_LEAST_RUN: Final = 2",
     "tests/measure/test_activity.py::test_how_long_what_stands_above_bleed_is_playing"),
    ("measure/activity.py", "if last - first < _LEAST_RUN", "if last - first <= _LEAST_RUN",
     "tests/measure/test_activity.py::test_how_long_what_stands_above_bleed_is_playing"),
    ("measure/hum.py", "_STEADY_DB: Final = 2.5", "_STEADY_DB: Final = 5.0",
     "tests/measure/test_hum.py::test_lines_that_rise_and_fall_are_no_hum"),
    ("measure/hum.py", "return multiple <= 2 and in_place", "return multiple <= 4 and in_place",
     "tests/measure/test_hum.py::test_a_higher_multiple_alone_is_a_note"),
    ("measure/stereo.py", "centre_hz * 10.0**-0.15) & (frequency_hz < centre_hz * 10.0**0.15)", "centre_hz * 10.0**-0.05) & (frequency_hz < centre_hz * 10.0**0.05)",
     "tests/measure/test_stereo.py::test_how_wide_an_octave_is"),
    ("measure/loud_moments.py", "_SETTLED_S: Final = 0.3", "_SETTLED_S: Final = 0.0",
     "tests/measure/test_loud_moments.py"),
)  # fmt: skip
"""Changes that a reviewer tried by hand, and that no test noticed then: (file of the package, what stands there, what takes its place, the tests
that are there to notice it since)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One wrong change of one line."""

    file: str
    line: int
    kind: str
    begin: int
    """Offset in the file, in characters."""
    end: int
    old: str
    new: str

    def applied(self, source: str) -> str:
        """Source with the change."""
        assert source[self.begin : self.end] == self.old
        return source[: self.begin] + self.new + source[self.end :]


_FLIPPED: Final = {"<": ">", ">": "<", "<=": ">=", ">=": "<=", "==": "!=", "!=": "=="}
_EDGE: Final = {"<": "<=", ">": ">=", "<=": "<", ">=": ">"}
_SIGNS: Final[dict[type, tuple[str, str]]] = {
    ast.Add: ("+", "-"),
    ast.Sub: ("-", "+"),
    ast.Mult: ("*", "/"),
    ast.Div: ("/", "*"),
}


class Finder:
    """Places in a module where a wrong change can be made."""

    def __init__(self, file: str, source: str) -> None:
        self.file = file
        self.source = source
        self._starts = [0]
        for line in source.splitlines(keepends=True):
            self._starts.append(self._starts[-1] + len(line))
        self._lines = source.splitlines(keepends=True)

    def _offset(self, line: int, column: int) -> int:
        # columns count bytes
        return self._starts[line - 1] + len(self._lines[line - 1].encode()[:column].decode())

    def _span(self, node: ast.expr | ast.stmt) -> tuple[int, int]:
        assert node.end_lineno is not None
        assert node.end_col_offset is not None
        return self._offset(node.lineno, node.col_offset), self._offset(node.end_lineno, node.end_col_offset)

    def _change(self, kind: str, line: int, span: tuple[int, int], new: str) -> Change:
        return Change(
            file=self.file,
            line=line,
            kind=kind,
            begin=span[0],
            end=span[1],
            old=self.source[span[0] : span[1]],
            new=new,
        )

    def _between(self, left: ast.expr, right: ast.expr, sign: str) -> tuple[int, int] | None:
        """Span of an operator between two expressions."""
        begin, end = self._span(left)[1], self._span(right)[0]
        found = re.search(rf"(?<![<>=!*/+-]){re.escape(sign)}(?![<>=*/])", self.source[begin:end])
        return None if found is None else (begin + found.start(), begin + found.end())

    def changes(self) -> Iterator[Change]:
        """All of them."""
        for node in self._nodes(ast.parse(self.source)):
            yield from self._of(node)

    def _nodes(self, node: ast.AST) -> Iterator[ast.AST]:
        """Nodes of what is run: no annotations, no imports, no decorators."""
        yield node
        if isinstance(node, ast.If) and isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING":
            return
        for name, value in ast.iter_fields(node):
            if name in ("annotation", "returns", "decorator_list", "type_params"):
                continue
            for child in value if isinstance(value, list) else [value]:
                if isinstance(child, ast.AST):
                    yield from self._nodes(child)

    def _of(self, node: ast.AST) -> Iterator[Change]:
        match node:
            case ast.Constant(value=bool()):
                yield self._change("truth", node.lineno, self._span(node), str(not node.value))
            case ast.Constant(value=int(value)):
                yield self._change("off by one", node.lineno, self._span(node), str(value + 1))
            case ast.Constant(value=float(value)) if value:
                for factor in (1.5, 0.6):
                    yield self._change("constant", node.lineno, self._span(node), repr(value * factor))
            case ast.Compare(left=left, ops=[operator], comparators=[right]):
                sign = {ast.Lt: "<", ast.Gt: ">", ast.LtE: "<=", ast.GtE: ">=", ast.Eq: "==", ast.NotEq: "!="}.get(
                    type(operator)
                )
                span = self._between(left, right, sign) if sign else None
                if sign and span:
                    yield self._change("comparison", node.lineno, span, _FLIPPED[sign])
                    if sign in _EDGE:
                        yield self._change("edge", node.lineno, span, _EDGE[sign])
            case ast.BoolOp(op=operator, values=[left, right, *_]):
                word = "and" if isinstance(operator, ast.And) else "or"
                span = self._between(left, right, word)
                if span:
                    yield self._change("and, or", node.lineno, span, "or" if word == "and" else "and")
            case ast.BinOp(left=left, op=operator, right=right) if type(operator) in _SIGNS:
                sign, other = _SIGNS[type(operator)]
                span = self._between(left, right, sign)
                # a union of types is a BinOp too, and text is added
                if span and not any(
                    isinstance(part, ast.Constant | ast.JoinedStr)
                    and not isinstance(getattr(part, "value", 0), int | float)
                    for part in (left, right)
                ):
                    yield self._change("sign", node.lineno, span, other)
            case ast.UnaryOp(op=ast.USub() | ast.Not(), operand=operand):
                begin, _ = self._span(node)
                yield self._change(
                    "sign" if isinstance(node.op, ast.USub) else "not", node.lineno, (begin, self._span(operand)[0]), ""
                )
            case ast.Call(func=ast.Name(id="min" | "max" as name) as function):
                yield self._change("min, max", node.lineno, self._span(function), "max" if name == "min" else "min")
            case ast.Call(func=ast.Attribute(value=value, attr="minimum" | "maximum" as name) as function):
                text = self.source[slice(*self._span(value))]
                yield self._change(
                    "min, max",
                    node.lineno,
                    self._span(function),
                    f"{text}.{'maximum' if name == 'minimum' else 'minimum'}",
                )
            case ast.Expr(value=ast.Call()):
                yield self._change("call left out", node.lineno, self._span(node), "None")


def modules(root: Path) -> dict[str, str]:
    """Sources of the package by their path, without what is left out."""
    return {
        path.relative_to(root).as_posix(): path.read_text("utf-8")
        for path in sorted((root / "deskhand").rglob("*.py"))
        if not any(part in path.relative_to(root).as_posix() for part in LEFT_OUT)
    }


def drawn(root: Path, count: int, seed: int) -> list[Change]:
    """Changes drawn with a seed: modules by their lines, kinds alike, then one of the places."""
    dice = random.Random(seed)
    sources = modules(root)
    places = {file: list(Finder(file, source).changes()) for file, source in sources.items()}
    files = [file for file in sources if places[file]]
    # compiled code takes a minute for each change: a third as often
    weights = [sources[file].count("\n") / (3 if file.startswith("deskhand/dsp/") else 1) for file in files]
    chosen: list[Change] = []
    while len(chosen) < count:
        file = dice.choices(files, weights)[0]
        kinds = sorted({change.kind for change in places[file]})
        kind = dice.choice(kinds)
        change = dice.choice([change for change in places[file] if change.kind == kind])
        if change not in chosen:
            chosen.append(change)
    return chosen


def named(root: Path) -> list[Change]:
    """Changes that were tried by hand once."""
    changes = []
    for name, old, new, _ in NAMED:
        file = f"deskhand/{name}"
        source = (root / file).read_text("utf-8")
        begin = source.find(old)
        if begin < 0 or source.find(old, begin + 1) >= 0:
            raise SystemExit(f"{file}: {old!r} is not there, or twice: bring NAMED up to date")
        line = source.count("\n", 0, begin) + 1
        changes.append(
            Change(file=file, line=line, kind="by hand", begin=begin, end=begin + len(old), old=old, new=new)
        )
    return changes


def moved(change: Change, then: str, now: str) -> Change | None:
    """Change where its line is in the source as it is now; None where the line is no longer there."""
    if then == now:
        return change
    old, new = then.splitlines(keepends=True), now.splitlines(keepends=True)
    first, last = then.count("\n", 0, change.begin), then.count("\n", 0, change.end)
    for block in difflib.SequenceMatcher(a=old, b=new, autojunk=False).get_matching_blocks():
        if block.a <= first and last < block.a + block.size:
            shift = sum(map(len, new[: block.b])) - sum(map(len, old[: block.a]))
            return replace(
                change, line=change.line + block.b - block.a, begin=change.begin + shift, end=change.end + shift
            )
    return None
