"""A new kind of finding is one file, a new reading one file and one line: both are added to the package as it stands, and used.

In order: the package with a kind, a reading and a judgement added, seen from outside; then what a wrong file is told.
"""

from __future__ import annotations

import difflib
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any, Final

import jsonschema
import numpy as np
import pytest

import deskhand
from deskhand.baseline.normal import Normal
from deskhand.findings import KINDS, standalone
from deskhand.findings.entry import KindEntry, entries, with_entries
from deskhand.findings.judgements import judge_normals
from deskhand.findings.kind import Kind
from deskhand.findings.standalone.presets import ENTRY as PRESETS
from deskhand.findings.text import catalogue, with_sentences
from deskhand.measure import provided
from deskhand.measure.provided.tilt import READING as TILT
from deskhand.measure.provider import providers
from deskhand.report.words import with_readings
from deskhand.result import from_plain
from tests.support.command import HOUSE
from tests.support.signals import amplitude, sine, white
from tests.support.writers import write_wave

PACKAGE: Final = Path(deskhand.__file__).parent
ROOT: Final = PACKAGE.parent

KIND: Final = '''\
"""Rumble: most of what arrives lies below 40 Hz."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from deskhand.findings.context import Context, Gathering
from deskhand.findings.entry import Advice, KindEntry
from deskhand.findings.kind import Kind, kinds, limit_db

if TYPE_CHECKING:
    from collections.abc import Sequence

    from deskhand.findings.finding import Finding
    from deskhand.house import Source
    from deskhand.measure.readings import SourceReading

_KIND: Final = Kind(
    name="rumble",
    words="rumble",
    meaning="what lies below 40 Hz is no further below the whole than {listen_db:size} (*fix*)",
    act="the stand; high-pass",
    urgency=2,
    done_at="rig",
    before="hum",
    explains=kinds("tone"),
    explained_by=kinds("missing"),
    limits={"listen_db": limit_db(-6.0, "against the whole")},
)


def rumble(source: Source, reading: SourceReading, context: Context, earlier: Sequence[Finding]) -> list[Finding]:
    """More below 40 Hz than music has there."""
    gathering = Gathering(source.name, earlier)
    tone_db = reading.readings.tone_db or {}
    power = sum(10 ** (level_db / 10) for band, level_db in tone_db.items() if float(band) <= 40)
    if power > 0 and (share_db := 10 * float(np.log10(power))) > _KIND["listen_db"]:
        gathering.add(
            "rumble", "fix", "steady", advice=("foam", "ground"), facts={"share_db": share_db},
            measured=round(share_db, 1), high=_KIND["listen_db"], unit="dB",
        )
    return gathering.new


ENTRY: Final = KindEntry(
    kind=_KIND,
    sentences={"steady": "rumbles below 40 Hz ({share_db:1} dB against the whole)"},
    who="stage",
    remarks={"wedges": "the wedges may shake it"},
    advice={"foam": Advice(text="set its stand on foam", who="stage")},
    fault=rumble,
)
'''
JUDGEMENT: Final = '''\
"""Rumble against the kept weeks."""

from deskhand.findings.entry import Advice, KindEntry
from deskhand.findings.kind import Kind

ENTRY = KindEntry(
    kind=Kind(
        name="rumble-change", words="change of rumble", meaning="its rumble is outside the house's normal range", act="the stand",
        tier="judgement",
    ),
    sentences={"more": "rumbles {off_db:0} dB more than usual", "less": "rumbles {off_db:0} dB less than usual"},
    number="rumble",
    number_advice={"more": "look-at-stand", "less": "hear-reverb"},
    who="stage",
    advice={"look-at-stand": Advice(text="see what its stand stands on", who="stage")},
)
'''
READING: Final = '''\
"""Rumble: what lies below 40 Hz against the whole."""

from __future__ import annotations

import math

from deskhand.measure.provider import NotMeasured, ReadingProvider, SourceMaterial, WeeklyComparison


def _rumble(material: SourceMaterial) -> float | NotMeasured:
    bands = (material.tone_db or {}).items()
    power = sum(10 ** (level_db / 10) for band, level_db in bands if float(band) <= 40)
    return 10 * math.log10(power) if power > 0 else NotMeasured("nothing sounds below 40 Hz")


READING = ReadingProvider(
    name="rumble_db", unit="dB", label="Rumble", explain="How much of it lies below 40 Hz.", meaning="what lies below 40 Hz",
    method="third-octaves 20 to 40 Hz against the whole", limits="of the average tone", hears="high: the stage is heard",
    measure=_rumble, rates_apart=0.1, digits=2, shown="folded", label_before="noise_dbfs",
    compared=WeeklyComparison(
        number="rumble", label="rumble", stage="tap", scale="linear", jnd=1.0, jnd_source="common practice, no source",
        spread=1.0, sure_after_s=20.0, player_ratio=1.0,
    ),
)
'''
LINE: Final = "    rumble_db: float | None = None\n"
ADDED: Final = {
    "findings/standalone/rumble.py": KIND,
    "findings/standalone/rumble_change.py": JUDGEMENT,
    "measure/provided/rumble.py": READING,
}
SESSION: Final = """\
import importlib.util, json, pathlib, sys
from click.testing import CliRunner
import deskhand
from deskhand.cli import main
from deskhand.findings import KINDS
from deskhand.report.words import words
from deskhand.result import from_plain, json_schema
from deskhand.web.source_view import _FOLDED_READINGS

def run(*arguments):
    outcome = CliRunner().invoke(main, arguments)
    return {"status": outcome.exit_code, "text": outcome.output}

spec = importlib.util.spec_from_file_location("docs_make", sys.argv[1])
docs = importlib.util.module_from_spec(spec)
spec.loader.exec_module(docs)
kept = [run("keep", "clean", "--date", f"2026-01-{day:02}", "--by", "Marit") for day in (4, 11, 18, 25)]
kept.append(run("keep", "clean", "--date", "2026-02-01", "--by", "Marit"))
check = run("check", "rumbling", "--date", "2026-02-08", "--json", "check.json", "--report", "check.html")
assert check["status"] < 2, check["text"]
plain = json.loads(pathlib.Path("check.json").read_text("utf-8"))
from_plain(plain)
print(json.dumps({
    "package": deskhand.__file__, "kept": kept, "check": check, "json": plain, "schema": json_schema(), "kinds": list(KINDS),
    "missing_explains": sorted(KINDS["missing"].explains), "findings_page": docs.findings(), "readings_page": docs.readings(), "sentences_page": docs.sentences(),
    "words": words(), "folded": _FOLDED_READINGS, "report": pathlib.Path("check.html").read_text("utf-8"),
    "weeks": run("history", "voice"),
}))
"""
NOMINAL_DBFS, NOISE_DBFS, RUMBLE_DBFS = -18.0, -26.0, -20.0


def package_with(files: dict[str, str], folder: Path) -> Path:
    """The package as it stands, every file a link to it, with these files added and the one line in its place."""
    for path in PACKAGE.rglob("*"):
        target = folder / "deskhand" / path.relative_to(PACKAGE)
        compiled = path.suffix in (".nbi", ".nbc")
        if path.is_file() and (compiled or "__pycache__" not in path.parts):
            target.parent.mkdir(parents=True, exist_ok=True)
            target.symlink_to(path)
    for name, text in files.items():
        target = folder / "deskhand" / name
        assert not target.exists()
        target.write_text(text, "utf-8")
    contract = folder / "deskhand/measure/readings.py"
    text = contract.read_text("utf-8")
    contract.unlink()
    contract.write_text(
        text.replace("    not_measured: dict[str, str]", LINE + "    not_measured: dict[str, str]"), "utf-8"
    )
    return folder


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return package_with(ADDED, tmp_path_factory.mktemp("added"))


@pytest.fixture(scope="module")
def seen(folder: Path) -> dict[str, Any]:
    """What the package with the additions says of a voice that rumbles, after five weeks in which it did not."""
    rng = np.random.default_rng(2026)
    (folder / "house.toml").write_text(HOUSE, "utf-8")
    for show in ("clean", "rumbling"):
        (folder / show).mkdir()
        for name in ("pno l", "pno r", "vox"):
            sound = white(rng, 6.0, NOMINAL_DBFS)
            if show == "rumbling" and name == "vox":
                sound = white(rng, 6.0, NOISE_DBFS) + sine(25.0, 6.0, level_dbfs=RUMBLE_DBFS)
            write_wave(folder / show / f"{name}.wav", sound)
    done = subprocess.run(
        [sys.executable, "-c", SESSION, str(ROOT / "docs/make.py")],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(folder)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    data = json.loads(done.stdout)
    assert Path(data["package"]).is_relative_to(folder)
    assert [take["status"] for take in data["kept"]] == [0] * 5, data["kept"]
    return dict(data)


def of_voice(seen: dict[str, Any], kind: str) -> dict[str, Any]:
    (voice,) = (source for source in seen["json"]["sources"] if source["name"] == "lead voice")
    (finding,) = (finding for finding in voice["findings"] if finding["kind"] == kind)
    return dict(finding)


def test_nothing_else_is_edited(folder: Path) -> None:
    """Known truth: all files of the package are the package's own but the added ones, and one line of the contract."""
    own = {
        path.relative_to(folder / "deskhand").as_posix()
        for path in (folder / "deskhand").rglob("*.*")
        if not path.is_symlink() and path.suffix not in (".pyc", ".nbi", ".nbc")
    }
    assert own == {*ADDED, "measure/readings.py"}
    before, after = (
        (base / "measure/readings.py").read_text("utf-8").splitlines(keepends=True)
        for base in (PACKAGE, folder / "deskhand")
    )
    assert [line for line in difflib.ndiff(before, after) if line[0] in "+-?"] == [f"+ {LINE}"]


def test_a_kind_of_finding_is_one_file(seen: dict[str, Any]) -> None:
    """JSON, terminal, report, first things, order of urgency, consequences, docs and schema follow from the file alone."""
    finding = of_voice(seen, "rumble")
    # known truth: a sine of -20 dBFS over noise of -26 dBFS is all but 1.0 dB of the whole
    whole = amplitude(RUMBLE_DBFS) ** 2 + amplitude(NOISE_DBFS) ** 2
    assert finding["measured"] == pytest.approx(20 * np.log10(amplitude(RUMBLE_DBFS)) - 10 * np.log10(whole), abs=0.3)
    assert (finding["id"], finding["severity"], finding["stage"]) == ("lead voice/rumble", "fix", "tap")
    level_words = f"−{-finding['measured']:.1f} dB against the whole"
    advice = f"set its stand on foam; {catalogue()['advice']['ground']}"
    assert finding["text"] == f"rumbles below 40 Hz ({level_words}); {advice}"
    assert finding["text"] in " ".join(seen["check"]["text"].split())
    assert seen["check"]["status"] == 1
    assert [first["finding"] for first in seen["json"]["first"] if first["source"] == "lead voice"] == [
        "lead voice/rumble"
    ]
    assert "rumbles below 40 Hz" in seen["report"]
    (voice,) = (source for source in seen["json"]["sources"] if source["name"] == "lead voice")
    assert [move["where"] for move in voice["moves"] if move["facts"].get("finding") == finding["id"]] == ["rig"]
    assert seen["kinds"][seen["kinds"].index("rumble") + 1] == "hum"
    assert [kind for kind in seen["kinds"] if kind not in ("rumble", "rumble-change")] == list(KINDS)
    assert "rumble" in seen["missing_explains"]
    # what it explains is not said beside it
    assert not [
        source
        for source in seen["json"]["sources"]
        for other in source["findings"]
        if other["kind"] == "tone" and source["name"] == "lead voice"
    ]
    row = "| `rumble`: rumble | what lies below 40 Hz is no further below the whole than 6 dB (*fix*) | the stand; high-pass |"
    assert row in seen["findings_page"]
    assert (
        "| `rumble: steady` | rumbles below 40 Hz (‹share› dB against the whole) | somebody on stage | yes | yes; the wedges may shake it | yes |"
        in seen["sentences_page"]
    )
    assert "rumble" in seen["schema"]["$defs"]["Finding"]["properties"]["kind"]["enum"]


def test_a_reading_is_one_file_and_one_line(seen: dict[str, Any]) -> None:
    """JSON, schema, docs, words, pages and the comparison with the kept weeks follow from the file and its field."""
    voice, piano = (
        next(source for source in seen["json"]["sources"] if source["name"] == name) for name in ("lead voice", "piano")
    )
    assert voice["before"]["rumble_db"] == pytest.approx(-1.0, abs=0.3)
    # white noise: 20 Hz to 40 Hz with its band edges (IEC 61260-1: 17.8 to 44.7 Hz) of 24 kHz
    assert piano["before"]["rumble_db"] == pytest.approx(10 * np.log10((44.7 - 17.8) / 24000.0), abs=2.0)
    jsonschema.validate(seen["json"], seen["schema"])
    assert "rumble_db" in seen["schema"]["$defs"]["Readings"]["properties"]
    assert (
        "| `rumble_db` | what lies below 40 Hz | third-octaves 20 to 40 Hz against the whole | of the average tone | high: the stage is heard |"
        in seen["readings_page"]
    )
    names = list(seen["words"]["unit"])
    assert names[names.index("rumble_db") + 1] == "noise_dbfs"
    assert seen["words"]["explain"]["rumble_db"] == "How much of it lies below 40 Hz."
    assert seen["folded"][-3:] == ["rumble_db", "side_top_db", "tilt_db_per_octave"]
    assert "Rumble" in seen["report"]
    (normal,) = (normal for normal in voice["normal"] if normal["name"] == "rumble")
    assert normal["kept"] == 5
    assert normal["measured"] == pytest.approx(voice["before"]["rumble_db"], abs=1e-3)
    assert normal["expected"] == pytest.approx(10 * np.log10((44.7 - 17.8) / 24000.0), abs=2.0)


def test_a_result_with_a_kind_that_is_not_there_is_refused(seen: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match="no kind of finding is called rumble, rumble-change"):
        from_plain(seen["json"])


def test_a_judgement_of_a_number_is_one_file(seen: dict[str, Any]) -> None:
    finding = of_voice(seen, "rumble-change")
    assert finding["severity"] == "listen"
    assert finding["metric"] == "rumble_db"
    assert finding["text"].endswith("dB more than usual; see what its stand stands on")


# what a wrong file is told


def entry(**facts: Any) -> KindEntry:
    return KindEntry(
        kind=Kind(name="rumble", words="rumble", meaning="-", act="-", **facts),
        sentences={"steady": "rumbles"},
        who="stage",
    )


def test_a_kind_stands_among_the_equally_urgent() -> None:
    names = list(with_entries(KINDS.values(), [entry(urgency=1)]))
    assert KINDS[names[names.index("rumble") - 1]].urgency == 1
    assert KINDS[names[names.index("rumble") + 1]].urgency == 2
    names = list(with_entries(KINDS.values(), [entry(urgency=0, before="howl")]))
    assert names[names.index("rumble") + 1] == "howl"


def test_a_kind_says_what_it_follows_from() -> None:
    kinds = with_entries(KINDS.values(), [entry(explained_by=frozenset({"hum"}))])
    assert kinds["hum"].explains == KINDS["hum"].explains | {"rumble"}
    assert {**kinds, "hum": KINDS["hum"]} == {**KINDS, "rumble": kinds["rumble"]}


@pytest.mark.parametrize(
    ("facts", "message"),
    [
        pytest.param({"before": "hum", "urgency": 1}, "another urgency", id="other-urgency"),
        pytest.param({"before": "humm"}, "'humm', which is no kind", id="misspelt-place"),
        pytest.param({"explained_by": frozenset({"humm"})}, "'humm', which is no kind", id="misspelt-cause"),
    ],
)
def test_a_misspelt_row_is_refused(facts: dict[str, Any], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        with_entries(KINDS.values(), [entry(**facts)])


def test_a_second_home_is_refused() -> None:
    with pytest.raises(ValueError, match="two kinds of finding are called 'sound-step'"):
        with_entries(KINDS.values(), [PRESETS])
    with pytest.raises(ValueError, match="level-presets, sound-step stand in two files"):
        with_sentences(catalogue(), [PRESETS])
    with pytest.raises(ValueError, match="tilt_db_per_octave stand in two files"):
        with_readings({"reading": {TILT.name: "Tilt"}, "unit": {}, "explain": {}}, [TILT])


def test_a_file_without_its_object_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "empty_kind.py").write_text("", "utf-8")
    (tmp_path / "empty_reading.py").write_text("", "utf-8")
    monkeypatch.setattr(standalone, "__path__", [str(tmp_path)])
    monkeypatch.setattr(provided, "__path__", [str(tmp_path)])
    with pytest.raises(TypeError, match="empty_kind has no ENTRY"):
        entries()
    with pytest.raises(TypeError, match="empty_kind has no READING"):
        providers.__wrapped__()


def test_a_reading_without_its_line_is_refused(tmp_path: Path) -> None:
    folder = package_with({"measure/provided/rumble.py": READING}, tmp_path)
    contract = folder / "deskhand/measure/readings.py"
    contract.write_text(contract.read_text("utf-8").replace(LINE, ""), "utf-8")
    done = subprocess.run(
        [sys.executable, "-c", "import deskhand.measure.readings"],
        env={**os.environ, "PYTHONPATH": str(folder)},
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 1
    assert "Readings has no field rumble_db: a reading needs its line there" in done.stderr


def test_a_number_without_a_kind_is_shown_and_raises_nothing() -> None:
    """What is compared is kept and shown with its range; only a kind of finding makes it a judgement."""
    numbers = [
        Normal(
            name=name, stage="tap", measured=9.0, expected=0.0, low=-2.0, high=2.0, unit="dB", kept=9, by_player=False,
            probability=1e-9, noticeable=9.0,
        )
        for name in ("rumble", "articulation")
    ]  # fmt: skip
    findings = judge_normals(
        {"lead voice": numbers},
        {"lead voice": "lead vocal"},
        learned=True,
        hear_s=lambda _: (0.0, 2.0),
        harsh_s=lambda _: (),
    )
    assert [finding.kind for finding in findings["lead voice"]] == ["articulation"]
