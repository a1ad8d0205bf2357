"""Screens of the terminal: a line check with its turn large and first, and a soundcheck with the three things first."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from deskhand.findings import has_nominal, say
from deskhand.live.line import summary
from deskhand.report.terminal import NEXT, by_urgency, headline, line, move_lines
from deskhand.report.words import text as words
from deskhand.units import clock, number

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from rich.console import Console, ConsoleOptions, RenderableType, RenderResult
    from rich.text import Text

    from deskhand.live.entry import PatchEntry
    from deskhand.live.ring_out_shared import SharedRingOut
    from deskhand.live.soundcheck import Soundcheck
    from deskhand.live.watch import Watch
    from deskhand.measure.readings import Readings
    from deskhand.result import CheckResult

_STYLES: Final = {
    "waiting": "dim", "sounding": "bold", "skipped": "dim", "not tonight": "dim", "well": "green", "adjust": "yellow", "listen": "yellow",
    "fix": "bold red", "silent": "bold red",
}  # fmt: skip
_WORDS: Final = {
    "adjust": "to adjust",
    "sounding": "sounds",
    "listen": "listen",
    "fix": "fix",
    "well": "well",
    "silent": "silent",
}
KEYS: Final = "n next   b back   x not tonight   q done"
_OLD_S: Final = 120.0
"""Age from which on a source's readings are shown with it. Common practice, no source."""
_NEW_S: Final = 8.0
"""An urgent message stays in the large line so long: read twice. Common practice, no source."""
_LEAST_ROWS: Final = 4
"""Rows of the table that stay in view when sentences are long: whoever has the turn, and the next. Common practice, no source."""
_MOST_LINES: Final = 3
"""Lines of the screen that a sentence has at most; fewer on a small one. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class FittedScreen:
    """Screen that is as high as the terminal: the keys stay in view, long sentences are cut first, then rows left out."""

    head: Sequence[Text]
    table: Callable[[int], RenderableType]
    """Table of so many rows."""
    foot: Sequence[Text]
    height: int

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        """Lines of the head, the table and the foot, cut to the height."""
        width = options.max_width
        for line_count in range(_MOST_LINES, 0, -1):
            head, foot = (
                [line for text in part for line in _cut(text, console, width, line_count)]
                for part in (self.head, self.foot)
            )
            rows = self.height - len(head) - len(foot)
            if rows >= _LEAST_ROWS:
                break
        yield from head[: max(0, self.height - len(foot))]
        if rows > 0:
            yield self.table(rows)
        yield from foot


def _cut(text: Text, console: Console, width: int, line_count: int) -> list[Text]:
    """Lines of a text at a width, with an ellipsis where there are more than so many; an empty text is one line."""
    lines = list(text.wrap(console, width)) or [text]
    if len(lines) > line_count:
        lines = lines[:line_count]
        lines[-1].truncate(width - 1)
        lines[-1].append("…")
    return lines


def _level(readings: Readings | None) -> str:
    """Level with its uncertainty, in words; empty when there is none."""
    if readings is None or readings.level_dbfs is None:
        return ""
    sure = readings.level_dbfs_pm
    uncertainty = "" if sure is None else f" ± {number(sure, 1)}"
    return f"{number(readings.level_dbfs, 1)}{uncertainty} dBFS"


def level_text(watch: Watch, entry: PatchEntry) -> str:
    """Measured level of an input, or its level at this moment, with its nominal."""
    nominal = watch.house.nominal_dbfs(entry.source) if has_nominal(entry.source) else None
    aim = f", nominal {number(nominal, 0)}" if nominal is not None else ""
    if entry.stretch is not None and (level := _level(entry.stretch.reading.readings)):
        memory = entry.memory
        as_before = f"; {memory.text}" if memory is not None and memory.verdict == "as always" else ""
        return level + aim + as_before
    if entry.sounding:
        newest = watch.levels.newest_dbfs()
        return f"{number(max(float(newest[row]) for row in entry.rows), 0)} dBFS{aim}"
    return ""


def line_check_view(
    watch: Watch, *, note: str, height: int, problem: str = "", seats: Sequence[str] = ()
) -> RenderableType:
    """Screen of the line check.

    Parameters
    ----------
    watch : Watch
    note : str
        State of the device.
    height : int
        Lines of the terminal.
    problem : str
        Of the recording, if any.
    seats : sequence of str
        Lines on the sound in the house.
    """
    from rich.text import Text

    course = watch.line
    awaited = course.awaited
    head = [
        Text(f"{watch.house.house.name}: line check   {clock(watch.now_s)}   {note}", style="dim"),
        Text(problem, style="bold red") if problem else Text(),
    ]
    if awaited is None:
        head += [Text("EVERYBODY HAS HAD A TURN", style="bold"), Text(), _newest(watch), Text()]
    else:
        word = {"waiting": "please play", "sounding": "sounds"}.get(awaited.state, awaited.verdict)
        head += [
            Text(f">>  {awaited.source.name.upper()}   {word}", style="bold"),
            Text(f"    {awaited.source.where}   {level_text(watch, awaited)}"),
            _newest(watch),
            Text(),
        ]
    foot = [
        Text(),
        *_seat_texts(seats),
        Text(f"{summary(course)}   r ring-out"),
        Text(watch.answers.prompt or KEYS, style="bold" if watch.answers.prompt else "dim"),
    ]
    return FittedScreen(head, lambda rows: _patch_table(watch, rows), foot, height)


def _seat_texts(seats: Sequence[str]) -> list[Text]:
    """Lines on the sound in the house, with the caution that belongs to them."""
    from rich.text import Text

    return [*map(Text, seats), Text(words("week.estimate"), style="dim")] if seats else []


def _patch_table(watch: Watch, rows: int) -> RenderableType:
    """Table of the patch list: state, source, channel, and its most urgent finding or its level."""
    from rich.table import Table
    from rich.text import Text

    table = Table.grid(padding=(0, 2), expand=True)
    table.add_column(no_wrap=True, width=12)
    table.add_column(no_wrap=True)
    table.add_column(no_wrap=True)
    table.add_column(ratio=1, no_wrap=True, overflow="ellipsis")
    awaited = watch.line.awaited
    for entry in _shown(watch, rows):
        word = entry.verdict
        findings = entry.findings
        mark = "> " if entry is awaited else "  "
        table.add_row(
            Text(f"{mark}{_WORDS.get(word, word)}", _STYLES.get(word, "")),
            Text(entry.source.name, "bold" if entry is awaited else ""),
            Text("" if entry.source.channel is None else str(entry.source.channel), "dim"),
            Text(say(findings[0]) if findings else level_text(watch, entry), "" if findings else "dim"),
        )
    return table


def _newest(watch: Watch | Soundcheck) -> Text:
    """Newest urgent message, for a while."""
    from rich.text import Text

    urgent = [message for message in watch.messages if message.urgent and watch.now_s - message.time_s < _NEW_S]
    return Text(f"    {urgent[-1].source}: {urgent[-1].text}", style="bold red") if urgent else Text()


def _shown(watch: Watch, rows: int) -> list[PatchEntry]:
    """Entries that are shown: all where they fit; else those to fix, and those around the turn."""
    course = watch.line
    if len(course.inputs) <= rows:
        return course.inputs
    to_fix = [entry for entry in course.inputs if entry.state == "arrived" and entry.verdict not in ("well", "listen")][
        : rows // 2
    ]
    near = sorted(
        (entry for entry in course.inputs if entry not in to_fix),
        key=lambda entry: (abs(entry.turn - course.turn), entry.turn),
    )
    chosen = {id(entry) for entry in (*to_fix, *near[: rows - len(to_fix)])}
    return [entry for entry in course.inputs if id(entry) in chosen]


def ring_out_view(
    listener: Watch | Soundcheck, ring_out: SharedRingOut, *, note: str, height: int, problem: str = ""
) -> RenderableType:
    """Screen of the ring-out: the sentence, what rang, the cautions, and the answers by number.

    Parameters
    ----------
    listener : Watch or Soundcheck
        What it was begun from.
    ring_out : SharedRingOut
        One that is going on.
    note : str
        State of the device.
    height : int
        Lines of the terminal.
    problem : str
        Of the recording, if any.
    """
    from rich.text import Text

    shown = ring_out.picture()
    head = [
        Text(f"{listener.house.house.name}: {shown['title']}   {clock(listener.now_s)}   {note}", style="dim"),
        Text(problem, style="bold red") if problem else _newest(listener),
        Text(shown["sentence"], style="bold"),
        *(Text(f"  {told}") for told in (*shown["rang"], shown["left"], *shown["cuts"]) if told),
        *(Text(f"  ! {caution}") for caution in shown["cautions"]),
        Text(),
        Text(shown["question"], style="bold"),
        *(Text(f"  {number}  {answer['label']}") for number, answer in enumerate(shown["answers"], 1)),
    ]
    foot = [Text(), Text(f"r {shown['leave']}   q done", style="dim")]
    return FittedScreen(head, lambda rows: Text("\n" * (rows - 1)), foot, height)


def soundcheck_view(
    soundcheck: Soundcheck, *, note: str, height: int, problem: str = "", seats: Sequence[str] = ()
) -> RenderableType:
    """Screen of the soundcheck: the at most three things first, then each source as it was when it last played."""
    from rich.text import Text

    result = soundcheck.result()
    checking = "checking" if soundcheck.checking else ""
    head = [
        Text(
            f"{soundcheck.house.house.name}: soundcheck   {clock(soundcheck.now_s)}   {note}   {checking}", style="dim"
        ),
        Text(problem, style="bold red") if problem else _newest(soundcheck),
    ]
    foot = [Text(), *_seat_texts(seats), Text("c check now   r ring-out   q done", style="dim")]
    if result is None:
        head.append(Text("Listening: play, and the first look follows in twenty seconds.", style="bold"))
        return FittedScreen(head, lambda rows: Text("\n" * (rows - 1)), foot, height)
    head.append(Text(headline(result), style="bold"))
    head += [Text(f"  {count}. {first.text}") for count, first in enumerate(result.first, 1)]
    if result.next:
        head.append(Text(f"{NEXT} {', '.join(dict.fromkeys(thing.source for thing in result.next))}", style="bold"))
    head.append(Text())
    return FittedScreen(head, lambda rows: _source_table(soundcheck, result, rows), foot, height)


def _source_table(soundcheck: Soundcheck, result: CheckResult, rows: int) -> RenderableType:
    """Table of the sources, most urgent first: status, level, and what is to be done."""
    from rich.table import Table
    from rich.text import Text

    table = Table.grid(padding=(0, 2), expand=True)
    for _ in range(3):
        table.add_column(no_wrap=True)
    table.add_column(ratio=1, no_wrap=True, overflow="ellipsis")
    for source in by_urgency(result)[:rows]:
        sentences = move_lines(source, result) or [line(source)]
        age_s = soundcheck.age_s(source.name)
        sentence = sentences[0] + (f" ({clock(age_s)} ago)" if age_s > _OLD_S else "")
        table.add_row(
            Text(_WORDS.get(source.status, source.status), _STYLES.get(source.status, "")),
            Text(source.name),
            Text(_level(source.before)),
            Text(sentence),
        )
    return table
