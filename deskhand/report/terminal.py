"""The result for people at a terminal: one sentence, one line a source, and what people forget."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from deskhand.baseline.versions import set_aside_text
from deskhand.findings import short
from deskhand.findings.first import urgency
from deskhand.recording.names import dated
from deskhand.report.chains import print_chains
from deskhand.report.loudspeakers import print_loudspeakers
from deskhand.report.mix_weeks import recorded_mix_line
from deskhand.report.monitors import print_monitors
from deskhand.report.outside import MARK, outside_line, quietly_outside
from deskhand.report.seats import print_seats
from deskhand.report.songs import songs_line
from deskhand.report.turns import answered, entries_at, memory_text
from deskhand.report.words_path import words_text
from deskhand.units import number
from deskhand.words import phrase

if TYPE_CHECKING:
    from rich.console import Console

    from deskhand.mix.clearance import Clearance
    from deskhand.result import CheckResult, SourceResult

FORGOTTEN: Final = (
    "Inputs back on the stage: the desk listens to the stage again, not to the recording.",
    "Scene stored under this week's name.",
    "Players told of every change their monitors hear.",
)
NEXT: Final = "Next, if there is time:"
_WORDS: Final = {
    "missing": "MISSING",
    "silent": "SILENT",
    "fix": "FIX",
    "listen": "listen",
    "adjust": "to adjust",
    "well": "well",
}
_FADER_OFF_DB: Final = 2.5
"""Difference between a measured and a written fader that is worth a line. Common practice, no source."""
_FADER_SURE_DB: Final = 1.0
"""Difference beyond the reading's own uncertainty that is asked for. Common practice, no source."""
_NEARLY_ALL: Final = 0.95
"""Share of the words that is as good as all of them. Common practice, no source."""
_WORTH_SAYING: Final = 0.05
"""Share of the words that is worth a word. Common practice, no source."""
_ORDER: Final = ("missing", "silent", "fix", "listen", "adjust", "well")
_STYLES: Final = {
    "missing": "bold red",
    "silent": "bold red",
    "fix": "bold red",
    "listen": "yellow",
    "adjust": "yellow",
    "well": "dim",
}


def headline(result: CheckResult) -> str:
    """Sentence that says how many things there are to do before doors."""
    count = len(result.first)
    if not count:
        counts = [
            (sum(source.status == status for source in result.sources), words)
            for status, words in (
                (
                    ("listen", "{count} input{count:plural} to listen to"),
                    ("adjust", "{count} input{count:plural} to adjust"),
                )
            )
        ]
        parts = [phrase(words, count=number) for number, words in counts if number]
        listed = phrase(" and ").join(parts)
        return (
            phrase("Nothing urgent; {parts} when there is time.", parts=listed) if parts else phrase("Nothing urgent.")
        )
    return phrase(("One thing before doors:", "Two things before doors:", "Three things before doors:")[count - 1])


def title(result: CheckResult) -> str:
    """House, show, date, phase, length."""
    show = result.show
    return phrase(
        "{house}, {show}: {phase}, {length:clock}, {tracks} track{tracks:plural} at {rate:1} kHz, taken at the {tap}",
        house=result.house,
        show=dated(show.name, show.date),
        phase=phrase(show.phase),
        length=show.duration_s,
        tracks=show.tracks,
        rate=show.sample_rate_hz / 1000,
        tap=phrase(show.tap),
    )


def by_urgency(result: CheckResult) -> list[SourceResult]:
    """Sources: those to see to before doors and next in that order, then by status, otherwise in the order of the house."""
    rank: dict[str, int] = {}
    for index, thing in enumerate((*result.first, *result.next)):
        rank.setdefault(thing.source, index)
    return sorted(result.sources, key=lambda source: (rank.get(source.name, len(rank)), _ORDER.index(source.status)))


def line(source: SourceResult) -> str:
    """State of a source in one line: its most urgent finding, or its level."""
    findings = sorted((finding for finding in source.findings if finding.severity != "note"), key=urgency)
    notes = [finding for finding in source.findings if finding.severity == "note"]
    if findings:
        remainder = phrase(" (and {others} more)", others=len(findings) - 1) if len(findings) > 1 else ""
        return findings[0].text + remainder
    readings = source.before
    if readings is None or readings.level_dbfs is None:
        return notes[0].text if notes else phrase("silent")
    text = f"{number(readings.level_dbfs, 1)} dBFS"
    if readings.mono_loss_db is not None:
        text += phrase(", {loss_db:1} dB lost in mono", loss_db=-readings.mono_loss_db)
    return text + (f"; {notes[0].text}" if notes else "")


def fader_lines(result: CheckResult) -> list[str]:
    """Faders of the recorded mix that are not where the house file has them."""
    lines = []
    for fader in result.mix.faders if result.mix else ():
        if fader.measured_db is None or fader.measured_db_pm is None:
            continue
        off_db = fader.measured_db - fader.written_db
        if abs(off_db) > max(_FADER_OFF_DB, _FADER_SURE_DB + fader.measured_db_pm):
            way = phrase("higher" if off_db > 0 else "lower")
            entry = "{source}: {off_db:0} dB {way} in the recorded mix than written down"
            lines.append(phrase(entry, source=fader.source, off_db=abs(off_db), way=way))
    return lines


def voice_line(voice: Clearance) -> str:
    """Intelligibility of one voice in one line: how clear its words are, and who is in the way."""
    total = sum(phrase.end_s - phrase.start_s for phrase in voice.phrases)
    if not total:
        return ""
    shares = {
        word: sum(phrase.end_s - phrase.start_s for phrase in voice.phrases if phrase.word == word) / total
        for word in ("clear", "strained", "covered")
    }
    usual = max(shares, key=lambda word: shares[word])
    if voice.with_moves is not None and voice.with_moves.gives_way:
        # others give way for it: what is hard to hear stands first, and never "clear" beside what is to be turned
        usual = "covered" if shares["covered"] >= _WORTH_SAYING else "strained"
    text = f"{voice.source}: {phrase(usual)}"
    if shares[usual] < _NEARLY_ALL:
        text += phrase(" for {share:0} % of it", share=100 * shares[usual])
        others = [
            f"{phrase(word)} {number(100 * share, 0)} %"
            for word, share in shares.items()
            if share >= _WORTH_SAYING and word != usual
        ]
        text += f" ({', '.join(others)})" if others else ""
    if shares["clear"] < _NEARLY_ALL and voice.by_source and voice.by_source[0].cost_pct > 0:
        first = voice.by_source[0]
        entry = "; most in the way: {source}, {low:hertz} to {high:hertz}"
        text += phrase(entry, source=first.source, low=first.low_hz, high=first.high_hz)
    text += phrase(" ({share:0} % audible in the feed)", share=voice.audible_pct.mono)
    # a sentence of its own: what the moves change may be told on another scale
    if voice.with_moves is None:
        return text
    return phrase("{text}. With this week's moves: {moves}", text=text, moves=voice.with_moves.text)


def voice_lines(result: CheckResult) -> list[str]:
    """One line for each voice that is active."""
    return [text for text in map(voice_line, (*((result.vocal,) if result.vocal else ()), *result.voices)) if text]


def mix_line(result: CheckResult) -> str:
    """The mix in one line; empty when no fader is written down."""
    mix = result.mix
    if mix is None or mix.loudness_lufs is None:
        return ""
    parts = [f"{number(mix.loudness_lufs, 1)} LUFS"]
    if mix.true_peak_dbtp is not None:
        parts.append(phrase("peak {peak:1} dBTP", peak=mix.true_peak_dbtp))
    if mix.mono_loss_db is not None:
        parts.append(phrase("{loss_db:1} dB lost in mono", loss_db=-mix.mono_loss_db))
    if mix.level_dba is not None:
        parts.append(phrase("about {level:0} dBA at the mix position (estimated, not measured)", level=mix.level_dba))
    return ", ".join(parts)


def reference_line(result: CheckResult) -> str:
    """Kept takes that the take was set against, and readings that were set aside; empty while nothing is kept."""
    reference = result.reference
    if reference is None:
        return ""
    dates = ""
    if reference.first_date and reference.kept > 1:
        dates = phrase(" ({first} to {last})", first=reference.first_date, last=reference.last_date)
    takes = phrase(_plural(result.show.phase, reference.kept))
    text = phrase("Set against {kept} kept {takes}{dates}.", kept=reference.kept, takes=takes, dates=dates)
    if not reference.learned:
        text += phrase(" The house is still learning: what is unusual is noted, not raised, until five are kept.")
    if reference.set_aside:
        names = ", ".join(f"{name} ({count})" for name, count in reference.set_aside.items())
        text += phrase(
            " Readings after another chain than today's are set aside: {names}; to have them back, forget those shows and keep "
            "their recordings again.",
            names=names,
        )
    if reference.other_tap:
        names = ", ".join(reference.other_tap)
        text += phrase(" Readings taken at another tap are not compared: {names}.", names=names)
    if reference.set_aside_versions:
        text += f" {set_aside_text(reference.set_aside_versions)}"
    if reference.measured_again:
        text += phrase(" Measured again since they were kept: {count}.", count=reference.measured_again)
    return text


def _plural(phase: str, count: int) -> str:
    return phase if count == 1 else f"{phase}s"


def move_lines(source: SourceResult, result: CheckResult) -> list[str]:
    """Findings of a source with what to turn for each, and what stays; settings only, since instructions are findings already."""
    lines = [
        f"{entry.text if entry.finding not in source.findings else short(entry.finding)}: {line.text} ({line.move.effect})"
        for entry in entries_at(source, result)
        if entry.finding is not None
        for line in entry.moves
        if not line.source
    ]
    return lines + [phrase("stays: {text}", text=text) for text in source.left_over]


def _print_heading(text: str, console: Console) -> None:
    console.print(phrase(text), style="bold", highlight=False)


def _print_sources(result: CheckResult, console: Console) -> None:
    """Print a line for each source."""
    from rich.table import Table
    from rich.text import Text

    table = Table.grid(padding=(0, 2))
    table.add_column(no_wrap=True)
    table.add_column(no_wrap=True)
    table.add_column(overflow="fold")
    for source in by_urgency(result):
        mark = f" {MARK}" if quietly_outside(source) else ""
        table.add_row(
            Text(phrase(_WORDS[source.status]), _STYLES[source.status]),
            Text(source.name),
            Text(f"{line(source)}{mark}"),
        )
    console.print(table)
    if outside := outside_line(result):
        console.print(Text(outside), style="dim")
    console.print()


def _print_moves(result: CheckResult, console: Console) -> None:
    """Print what to turn, under what it is turned for, and what stays."""
    from rich.text import Text

    sources = by_urgency(result)
    entries = answered(result, sources)
    stays = [(source.name, text) for source in sources for text in source.left_over]
    if entries:
        _print_heading(
            "What to turn, in this order (stopping early still helps); run on the recording and measured again:",
            console,
        )
    for source, entry in entries:
        reason = "" if entry.finding is None else f": {short(entry.finding)}"
        console.print(Text(f"  {source.name}{reason}"), soft_wrap=True)
        for line in entry.moves:
            console.print(Text(f"      {line.text} ({line.move.effect})"), soft_wrap=True)
    if stays:
        _print_heading("What no setting mends:", console)
    for name, text in stays:
        console.print(Text(f"  {name}: {text}"), soft_wrap=True)
    if entries or stays:
        console.print()


def _print_earlier_moves(result: CheckResult, console: Console) -> None:
    """Print what was done or declined at this show before, and what this take says of it: what was not heard first."""
    moves = sorted(
        (move for source in result.sources for move in source.earlier_moves),
        key=lambda move: move.fate != "contradicted",
    )
    if not moves:
        return
    _print_heading("Done or declined before, at this show:", console)
    for move in moves:
        console.print(f"  {move.source}: {move.text} ({move.remark})", highlight=False, markup=False)
    console.print()


def _print_mix(result: CheckResult, console: Console) -> None:
    """Print how the voices are heard, and the mix of the written faders."""
    from rich.text import Text

    voices = voice_lines(result)
    if voices:
        _print_heading("Can the words be heard? (the feed, not the seat; sung is not spoken)", console)
        for text in voices:
            console.print(Text(f"  {text}"))
        for path in result.words:
            console.print(Text("  " + phrase("the words: {text}", text=words_text(path))))
        console.print()
    mix = mix_line(result)
    if mix:
        console.print(Text(phrase("The mix of the written faders: {mix}", mix=mix)), soft_wrap=True)
    recorded = result.recorded_mix
    if recorded is not None:
        console.print(Text(phrase("The recorded mix: {text}.", text=recorded.text)), soft_wrap=True)
    if against_kept := recorded_mix_line(result):
        console.print(Text(phrase("The recorded mix. {text}", text=against_kept)), soft_wrap=True)
    for finding in result.mix.findings if result.mix else ():
        console.print(Text(f"  {finding.text}"))
    for text in fader_lines(result):
        console.print(Text(f"  {text}"))
    if mix or recorded is not None or against_kept:
        console.print()


def print_result(result: CheckResult, console: Console) -> None:
    """Print the result for people."""
    from rich.text import Text

    # as Text: brackets and colons in a name are no markup
    console.print(Text(title(result)), style="dim")
    for note in result.show.notes:
        console.print(Text(phrase("note: {note}", note=note)), style="dim")
    if result.reference is not None:
        console.print(Text(reference_line(result)), style="dim")
    if songs := songs_line(result):
        console.print(Text(songs), style="dim")
    console.print()
    _print_heading(headline(result), console)
    for count, urgent in enumerate(result.first, 1):
        console.print(Text(f"  {count}. {urgent.text}"))
    if result.next:
        _print_heading(NEXT, console)
    for count, thing in enumerate(result.next, len(result.first) + 1):
        console.print(Text(f"  {count}. {thing.text}"))
    console.print()
    _print_moves(result, console)
    print_monitors(result.monitors, console)
    _print_sources(result, console)
    memories = [f"  {source.name}: {text}" for source in result.sources if (text := memory_text(source))]
    if memories:
        _print_heading("Against their turns in the kept line checks:", console)
        for text in memories:
            console.print(Text(text), soft_wrap=True)
        console.print()
    _print_earlier_moves(result, console)
    _print_mix(result, console)
    print_seats(result.seats, console)
    print_loudspeakers(result, console)
    print_chains(result, console)
    _print_heading("Before you leave the desk:", console)
    for reminder in FORGOTTEN:
        console.print(f"  [ ] {phrase(reminder)}", highlight=False, markup=False)
