"""The line check on a terminal: whose turn it is, large and first; then the patch list, with what is to be done."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from deskhand.findings import has_nominal, say
from deskhand.live.line import summary
from deskhand.report.terminal import by_urgency, headline, line, move_lines
from deskhand.units import clock, number

if TYPE_CHECKING:
    from rich.console import RenderableType
    from rich.text import Text

    from deskhand.live.line import Input
    from deskhand.live.soundcheck import Soundcheck
    from deskhand.live.watch import Watch
    from deskhand.measure.readings import Readings

_STYLES: Final = {
    "waiting": "dim", "sounding": "bold", "skipped": "dim", "not tonight": "dim", "well": "green", "listen": "yellow",
    "fix": "bold red", "silent": "bold red",
}  # fmt: skip
_WORDS: Final = {"sounding": "sounds", "listen": "listen", "fix": "fix", "well": "well", "silent": "silent"}
KEYS: Final = "n next   b back   x not tonight   q done"
_OLD_S: Final = 120.0
_NEW_S: Final = 8.0
_AROUND: Final = 11
"""Lines that are not the patch list."""


def _level(readings: Readings | None) -> str:
    """A level with how sure it is; empty when there is none."""
    if readings is None or readings.level_dbfs is None:
        return ""
    sure = readings.level_dbfs_pm
    about = "" if sure is None else f" ± {number(sure, 1)}"
    return f"{number(readings.level_dbfs, 1)}{about} dBFS"


def level_text(watch: Watch, one: Input) -> str:
    """Its level now against nominal, or what was read of it."""
    nominal = watch.house.nominal_dbfs(one.source) if has_nominal(one.source) else None
    aim = f", nominal {number(nominal, 0)}" if nominal is not None else ""
    if one.heard is not None and (level := _level(one.heard.reading.readings)):
        return level + aim
    if one.sounding:
        newest = watch.levels.newest_dbfs()
        return f"{number(max(float(newest[row]) for row in one.rows), 0)} dBFS{aim}"
    return ""


def view(watch: Watch, *, note: str, height: int, problem: str = "") -> RenderableType:
    """One screen.

    Parameters
    ----------
    watch : Watch
    note : str
        What the device is doing.
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
    out: list[RenderableType] = [
        Text(f"{watch.house.house.name}: line check   {clock(watch.now_s)}   {note}", style="dim"),
        Text(problem, style="bold red") if problem else Text(),
    ]
    if awaited is None:
        out += [Text("EVERYBODY HAS HAD A TURN", style="bold"), Text(), _newest(watch), Text()]
    else:
        word = {"waiting": "please play", "sounding": "sounds"}.get(awaited.state, awaited.verdict)
        out += [
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
    for one in _shown(watch, max(4, height - _AROUND)):
        word = one.verdict
        told = one.findings
        mark = "> " if one is awaited else "  "
        table.add_row(
            Text(f"{mark}{_WORDS.get(word, word)}", _STYLES.get(word, "")),
            Text(one.source.name, "bold" if one is awaited else ""),
            Text("" if one.source.channel is None else str(one.source.channel), "dim"),
            Text(say(told[0]) if told else level_text(watch, one), "" if told else "dim"),
        )
    out += [table, Text(), Text(summary(course)), Text(KEYS, style="dim")]
    return Group(*out)


def _newest(watch: Watch) -> Text:
    """What was told last, for a while."""
    from rich.text import Text

    told = [said for said in watch.said if said.urgent and watch.now_s - said.at_s < _NEW_S]
    return Text(f"    {told[-1].source}: {told[-1].text}", style="bold red") if told else Text()


def _shown(watch: Watch, most: int) -> list[Input]:
    """The whole list where it fits; else what is to fix, and those around whose turn it is."""
    course = watch.line
    if len(course.inputs) <= most:
        return course.inputs
    fix = [one for one in course.inputs if one.state == "arrived" and one.verdict not in ("well", "listen")][
        : most // 2
    ]
    place = course.turn
    near = sorted((one for one in course.inputs if one not in fix), key=lambda one: (abs(one.turn - place), one.turn))
    chosen = {id(one) for one in (*fix, *near[: most - len(fix)])}
    return [one for one in course.inputs if id(one) in chosen]


def soundcheck_view(soundcheck: Soundcheck, *, note: str, height: int, problem: str = "") -> RenderableType:
    """One screen of the soundcheck: the at most three things first, then each source as it was when it last played."""
    from rich.console import Group
    from rich.table import Table
    from rich.text import Text

    result = soundcheck.result()
    checking = "checking" if soundcheck.checking else ""
    out: list[RenderableType] = [
        Text(
            f"{soundcheck.house.house.name}: soundcheck   {clock(soundcheck.now_s)}   {note}   {checking}", style="dim"
        ),
        Text(problem, style="bold red") if problem else Text(),
    ]
    if result is None:
        return Group(*out, Text("Listening: play, and the first look follows in twenty seconds.", style="bold"))
    out.append(Text(headline(result), style="bold"))
    out += [Text(f"  {count}. {thing.text}") for count, thing in enumerate(result.first, 1)]
    out.append(Text())
    table = Table.grid(padding=(0, 2), expand=True)
    for _ in range(3):
        table.add_column(no_wrap=True)
    table.add_column(ratio=1, no_wrap=True, overflow="ellipsis")
    for source in by_urgency(result)[: max(4, height - _AROUND - len(result.first))]:
        said = move_lines(source) or [line(source)]
        ago = soundcheck.age_s(source.name)
        told = said[0] + (f" ({clock(ago)} ago)" if ago > _OLD_S else "")
        table.add_row(
            Text(_WORDS.get(source.status, source.status), _STYLES.get(source.status, "")),
            Text(source.name),
            Text(_level(source.before)),
            Text(told),
        )
    out += [table, Text(), Text("c check now   q done", style="dim")]
    return Group(*out)
