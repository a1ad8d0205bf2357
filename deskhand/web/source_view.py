"""A source's page: its chain block by block, and everything that follows when a setting is tried."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from deskhand.baseline.keep import values_of
from deskhand.baseline.numbers import BY_NAME, number_of, tone_vector
from deskhand.baseline.sides import label_of
from deskhand.house import BLOCK_NAMES, BLOCKS, ROLES, defaults_of
from deskhand.house.blocks import unturned_chain
from deskhand.measure.provider import providers
from deskhand.report.chains import block_name
from deskhand.report.outside import told_line
from deskhand.report.page import number_rows, reading_digits
from deskhand.report.pictures import level_picture, taken_picture
from deskhand.report.tone_pictures import change_picture, octave_picture, octave_word, range_picture, tone_picture
from deskhand.report.turns import entries_at
from deskhand.report.words import explained, text, words
from deskhand.units import number
from deskhand.web import render
from deskhand.web.parse import setup_fields
from deskhand.web.week_view import first_moment, moments_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from deskhand.baseline.normal import Normal
    from deskhand.house import HouseFile, RoleName
    from deskhand.measure.readings import Readings
    from deskhand.result import SourceResult
    from deskhand.web.hall import Hall, StoredCheck
    from deskhand.web.kept_moments import KeptMoment
    from deskhand.web.tries import ChainRun

_MOMENTS: Final = 12
"""Moments that are listed below a line of time. Common practice, no source."""
_WIDER_DB: Final = 0.3
"""Change of width that is said: below it nobody hears one. Common practice, no source."""
_STRETCH_READINGS: Final = (
    "level_dbfs", "loud_dbfs", "true_peak_dbtp", "loudness_lufs", "crest_db", "width_db", "balance_db", "mono_loss_db",
    *(provider.name for provider in providers() if provider.shown == "beside the settings"),
)  # fmt: skip
"""Readings of the stretch in the words of the desk, in order."""
_FOLDED_READINGS: Final = (
    *("articulation_db", "tail_s", "sharpness_acum"),
    *(provider.name for provider in providers() if provider.shown == "folded"),
)
"""Readings whose units few people at a desk know: they stand behind a fold."""
_OCTAVE_PICTURES: Final = (
    ("width_octave_db", "source.width_by_octave", -30.0, 12.0, (0.0, -10.0, -20.0, -30.0)),
    ("tail_octave_s", "source.tail_by_octave", 0.0, 4.0, (0.0, 1.0, 2.0, 3.0, 4.0)),
)
"""Reading by octave, its words, and bottom, top and marks of its picture. Common practice, no source."""
ADDED_BLOCKS: Final = tuple(name for name in BLOCK_NAMES if "file" not in BLOCKS[name].page_keys)
"""Blocks that can be added on the page: all but those that read a file."""


def tone_words(normal: Normal | None, bands_db: Mapping[str, float] | None = None) -> str:
    """Tone against the usual here, in words.

    Parameters
    ----------
    normal : Normal, optional
        None while nothing is kept.
    bands_db : mapping, optional
        Octave to level as it is tried; as measured by default.
    """
    if normal is None or normal.bands_db is None:
        return text("source.tone_unknown")
    changes = []
    for band, (measured_db, usual_db, low_db, high_db) in normal.bands_db.items():
        band_db = measured_db if bands_db is None else bands_db.get(band, measured_db)
        if not low_db <= band_db <= high_db:
            off_db = band_db - usual_db
            entry = "source.more" if off_db > 0 else "source.less"
            changes.append(text(entry, off=number(abs(off_db), 0), hz=octave_word(int(band))))
    return text("source.tone_usual") if not changes else text("source.tone_outside", what=", ".join(changes))


def predicted_tone(normal: Normal, checked: Readings, tried: Readings) -> dict[str, float] | None:
    """Tone bands of the whole take as predicted: as measured, and by the change of the stretch; None where it has no tone."""
    checked_tone, tried_tone = (tone_vector(values_of(readings)) for readings in (checked, tried))
    if normal.bands_db is None or checked_tone is None or tried_tone is None:
        return None
    return {
        band: values[0] + float(change_db)
        for (band, values), change_db in zip(normal.bands_db.items(), tried_tone - checked_tone, strict=True)
    }


def predicted_numbers(normals: Sequence[Normal], checked: Readings, tried: Readings) -> list[dict[str, str]]:
    """Judged numbers of the whole take as predicted, each with its range."""
    rows = []
    for normal in normals:
        if normal.bands_db is not None:
            continue
        reading = BY_NAME[normal.name]
        checked_number, tried_number = (number_of(reading, values_of(readings)) for readings in (checked, tried))
        value = normal.measured
        if checked_number is not None and tried_number is not None and normal.stage == "after":
            value = reading.from_scale(reading.to_scale(normal.measured) + tried_number[0] - checked_number[0])
        inside = normal.low <= value <= normal.high
        rows.append(
            {
                "label": label_of(normal),
                "unit": normal.unit,
                "now": reading.told(normal.measured),
                "tried": reading.told(value),
                "usual": reading.told(normal.expected),
                "range": f"{reading.told(normal.low)} … {reading.told(normal.high)}",
                "word": text("source.inside" if inside else "source.outside"),
                "explain": explained(reading.metric) or "",
            }
        )
    return rows


def stretch_numbers(names: Sequence[str], standing: Readings, tried: Readings) -> list[dict[str, str]]:
    """Readings of the stretch through the standing chain and through the one that is tried."""
    rows = []
    for name in names:
        standing_value, tried_value = (_value_shown(name, readings) for readings in (standing, tried))
        if standing_value is None and tried_value is None:
            continue
        digits = reading_digits(name)
        rows.append(
            {
                "label": text(f"reading.{name}"),
                "unit": words()["unit"][name],
                "standing": "–" if standing_value is None else number(standing_value, digits),
                "tried": "–" if tried_value is None else number(tried_value, digits),
                "explain": explained(name) or "",
            }
        )
    return rows


def _value_shown(name: str, readings: Readings) -> float | None:
    value: float | None = getattr(readings, name)
    # what is lost is said as a loss
    return -value if name == "mono_loss_db" and value is not None else value


def step_rows(chain: Sequence[Mapping[str, Any]], tried: ChainRun) -> list[dict[str, Any]]:
    """Levels, gain reduction and picture of each block of a chain; those in front of the tap say so."""
    steps = iter(tried.steps)
    rows = []
    for block, runs in zip(chain, tried.runs, strict=True):
        step = next(steps, None) if runs else None
        if step is None:
            rows.append({"level": "", "reduction": "", "picture": "", "note": text("source.before_the_tap")})
            continue
        stage, reduction = step.stage, step.stage.reduction_db
        peak = "" if stage.true_peak_dbtp is None else text("source.peak", peak=number(stage.true_peak_dbtp, 1))
        level = "–" if stage.level_dbfs is None else text("source.out", level=number(stage.level_dbfs, 1))
        width_db = step.width_db
        rows.append(
            {
                "level": f"{level}{', ' if peak else ''}{peak}",
                "reduction": ""
                if reduction is None
                else text("source.reduced", median=number(reduction.median, 1), p95=number(reduction.p95, 1)),
                "picture": change_picture(block_name(str(block["block"])), step.octave_db),
                "note": ""
                if width_db is None or abs(width_db) < _WIDER_DB
                else text("source.wider" if width_db > 0 else "source.narrower", by=number(abs(width_db), 1)),
            }
        )
    return rows


def tried_parts(
    source: SourceResult | None,
    chain: Sequence[Mapping[str, Any]],
    checked: ChainRun,
    standing: ChainRun,
    tried: ChainRun,
) -> dict[str, Any]:
    """Every part of a source's page that follows its settings.

    Parameters
    ----------
    source : SourceResult, optional
        As it was checked; None where the check has no such source.
    chain : sequence of mapping
        The chain that is tried.
    checked, standing, tried : ChainRun
        The stretch through the chain of the check, of the standing house file, and the one that is tried.
    """
    normals = source.normal if source else ()
    tone = next((normal for normal in normals if normal.bands_db is not None), None)
    bands = predicted_tone(tone, checked.readings, tried.readings) if tone else None
    name = source.name if source else ""
    pictures = {
        "tone": range_picture(name, tone, bands)
        if tone
        else tone_picture(name, tried.readings.tone_db)
        if tried.readings.tone_db
        else ""
    }
    for key, entry, low, high, marks in _OCTAVE_PICTURES:
        standing_octaves, tried_octaves = getattr(standing.readings, key), getattr(tried.readings, key)
        pictures[key] = (
            octave_picture(text(entry), low, high, marks, standing_octaves or {}, tried_octaves or {})
            if standing_octaves or tried_octaves
            else ""
        )
    return {
        "tone_words": " ".join(filter(None, (tone_words(tone, bands), told_line(tone)))),
        "pictures": pictures,
        "steps": step_rows(chain, tried),
        "numbers": stretch_numbers(_STRETCH_READINGS, standing.readings, tried.readings),
        "folded": stretch_numbers(_FOLDED_READINGS, standing.readings, tried.readings),
        "judged": predicted_numbers(normals, checked.readings, tried.readings),
        "in": text("source.in", level="–" if tried.level_in_dbfs is None else number(tried.level_in_dbfs, 1)),
    }


def _block_settings(role: RoleName) -> dict[str, Any]:
    """Blocks as the page's script adds and shows them, and those that a role usually has."""
    return {
        "keys": {name: block.page_keys for name, block in BLOCKS.items()},
        "new": {name: dict(BLOCKS[name].neutral) for name in ADDED_BLOCKS},
        "names": {name: block_name(name) for name in BLOCK_NAMES},
        "words": words()["key"],
        "defaults": {name: defaults_of(name) for name in BLOCK_NAMES},
        "usual": unturned_chain(ROLES[role].usual_blocks),
    }


def source_page(
    hall: Hall,
    check: StoredCheck,
    source: SourceResult,
    *,
    written: Mapping[str, Any],
    house: HouseFile,
    start_s: float,
    index: int,
    kept: Sequence[KeptMoment] = (),
) -> str:
    """HTML of a source's page.

    Parameters
    ----------
    hall : Hall
    check : StoredCheck
    source : SourceResult
    written : mapping
        Its table in this week's house file.
    house : HouseFile
    start_s : float
        Begin of the stretch that is worked on, in seconds of the show.
    index : int
        Place among the sources of the check.
    kept : sequence of KeptMoment
        Kept weeks in which it can be heard.
    """
    sources = check.result.sources
    picture = check.pictures.get(source.name)
    in_house = next((known for known in house.source if known.name == source.name), None)
    return render.page(
        "source",
        **render.page_head(hall, check.shelf, check),
        source=source,
        index=index,
        previous_name=sources[index - 1].name if index else "",
        next_name=sources[index + 1].name if index + 1 < len(sources) else "",
        where=in_house.where if in_house else "",
        player=check.result.show.players.get(source.name, ""),
        entries=entries_at(source, check.result),
        moves=[move for move in source.moves if move.is_setting],
        left_over=source.left_over,
        level=level_picture(source.name, picture, source.findings) if picture is not None else "",
        reductions=[(block_name(block), taken_picture(source.name, picture, block)) for block in picture.taken_db]
        if picture
        else [],
        moments=moments_of(source, of_each=_MOMENTS, limit=_MOMENTS),
        numbers=number_rows(source),
        chain=written.get("chain", []),
        fader=str(written.get("fader", "")),
        has_table=bool(written),
        setup=setup_fields(written),
        start_s=start_s,
        block_names=[(name, block_name(name)) for name in ADDED_BLOCKS],
        usual_names=[block_name(name) for name in ROLES[source.role].usual_blocks],
        settings=_block_settings(source.role),
        first_moment=first_moment,
        kept_moments=kept,
    )
