"""Screens of the terminal: a line check with its turn large and first, and a soundcheck with the three things first."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from deskhand.findings import has_nominal, say
from deskhand.live.line import summary
from deskhand.report.terminal import NEXT, by_urgency, headline, line, move_lines
from deskhand.units import clock, number

if TYPE_CHECKING:
    from rich.console import RenderableType
    from rich.text import Text

    from deskhand.live.line import PatchEntry
    from deskhand.live.soundcheck import Soundcheck
    from deskhand.live.watch import Watch
    from deskhand.measure.readings import Readings

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
_AROUND: Final = 11
"""Lines of a screen that are not the patch list: counted from the layout below."""


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
        return level + aim
    if entry.sounding:
        newest = watch.levels.newest_dbfs()
        return f"{number(max(float(newest[row]) for row in entry.rows), 0)} dBFS{aim}"
    return ""


def line_check_view(watch: Watch, *, note: str, height: int, problem: str = "") -> RenderableType:
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
    """
    from rich.console import Group
    from rich.table import Table
    from rich.text import Text

    course = watch.line
    awaited = course.awaited
    rows: list[RenderableType] = [
        Text(f"{watch.house.house.name}: line check   {clock(watch.now_s)}   {note}", style="dim"),
        Text(problem, style="bold red") if problem else Text(),
    ]
    if awaited is None:
        rows += [Text("EVERYBODY HAS HAD A TURN", style="bold"), Text(), _newest(watch), Text()]
    else:
        word = {"waiting": "please play", "sounding": "sounds"}.get(awaited.state, awaited.verdict)
        rows += [
            Text(f">>  {awaited.source.name.upper()}   {word}", style="bold"),
            Text(f"    {awaited.source.where}   {level_text(watch, awaited)}"),
            _newest(watch),
            Text(),
        ]
    table = Table.grid(padding=(0, 2), expand=True)
    table.add_column(no_wrap=True, width=12)
    table.add_column(no_wrap=True)
    table.add_column(no_wrap=True)
    table.add_column(ratio=1, no_wrap=True, overflow="ellipsis")
    for entry in _shown(watch, max(4, height - _AROUND)):
        word = entry.verdict
        findings = entry.findings
        mark = "> " if entry is awaited else "  "
        table.add_row(
            Text(f"{mark}{_WORDS.get(word, word)}", _STYLES.get(word, "")),
            Text(entry.source.name, "bold" if entry is awaited else ""),
            Text("" if entry.source.channel is None else str(entry.source.channel), "dim"),
            Text(say(findings[0]) if findings else level_text(watch, entry), "" if findings else "dim"),
        )
    rows += [table, Text(), Text(summary(course)), Text(KEYS, style="dim")]
    return Group(*rows)


def _newest(watch: Watch) -> Text:
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


def soundcheck_view(soundcheck: Soundcheck, *, note: str, height: int, problem: str = "") -> RenderableType:
    """Screen of the soundcheck: the at most three things first, then each source as it was when it last played."""
    from rich.console import Group
    from rich.table import Table
    from rich.text import Text

    result = soundcheck.result()
    checking = "checking" if soundcheck.checking else ""
    rows: list[RenderableType] = [
        Text(
            f"{soundcheck.house.house.name}: soundcheck   {clock(soundcheck.now_s)}   {note}   {checking}", style="dim"
        ),
        Text(problem, style="bold red") if problem else Text(),
    ]
    if result is None:
        return Group(*rows, Text("Listening: play, and the first look follows in twenty seconds.", style="bold"))
    rows.append(Text(headline(result), style="bold"))
    rows += [Text(f"  {count}. {first.text}") for count, first in enumerate(result.first, 1)]
    if result.next:
        rows.append(Text(f"{NEXT} {', '.join(dict.fromkeys(thing.source for thing in result.next))}", style="bold"))
    rows.append(Text())
    table = Table.grid(padding=(0, 2), expand=True)
    for _ in range(3):
        table.add_column(no_wrap=True)
    table.add_column(ratio=1, no_wrap=True, overflow="ellipsis")
    for source in by_urgency(result)[: max(4, height - _AROUND - len(result.first) - bool(result.next))]:
        sentences = move_lines(source, result) or [line(source)]
        age_s = soundcheck.age_s(source.name)
        sentence = sentences[0] + (f" ({clock(age_s)} ago)" if age_s > _OLD_S else "")
        table.add_row(
            Text(_WORDS.get(source.status, source.status), _STYLES.get(source.status, "")),
            Text(source.name),
            Text(_level(source.before)),
            Text(sentence),
        )
    rows += [table, Text(), Text("c check now   q done", style="dim")]
    return Group(*rows)
