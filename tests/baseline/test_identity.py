"""Inputs that sound like another source: exchanged ones are named, both of them; clean ones, and likely doubles, are not."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pytest
from scipy import stats

from deskhand.baseline import identity
from deskhand.baseline.identity import mistaken, upside_down
from deskhand.baseline.model import SourceSpread
from deskhand.baseline.normal import LEAST_PLAYING_S, number_predictive, tone_predictive
from deskhand.baseline.numbers import BY_NAME, IDENTITY_NUMBERS, tone_vector
from deskhand.measure.passages import OCTAVES_HZ
from tests.support.weeks import CYMBALS, PIANO, Weeks, part

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from deskhand.baseline.identity import Mispatch
    from deskhand.baseline.normal import Baseline
    from deskhand.store import KeptPart

    Array = NDArray[np.float64]

VOICE: Final = np.array([-30.0, -22.0, -10.0, -4.0, -5.0, -8.0, -12.0, -16.0])
BASS: Final = np.array([-4.0, -3.0, -8.0, -14.0, -20.0, -28.0, -34.0, -40.0])
SOURCES: Final[dict[str, tuple[str, Array, float, float, float]]] = {
    "piano": ("keys", PIANO, 6.0, 14.0, 6.0),
    "cymbals": ("other", CYMBALS, 12.0, 20.0, 9.0),
    "lead voice": ("lead vocal", VOICE, 9.0, 16.0, 11.0),
    "bass": ("bass", BASS, 3.0, 10.0, 4.0),
}
"""Name to role, tone, articulation, crest and range of levels: an invented band whose members nobody takes for each other."""
LOUD, SOFT = "level_distribution_dbfs.90", "level_distribution_dbfs.10"


def heard(
    name: str,
    *,
    rng: np.random.Generator | None = None,
    like: str | None = None,
    spread: float = 0.6,
    leave_out: Sequence[str] = (),
    width_db: float | Array | None = None,
    player: str | None = None,
    playing_s: float = 600.0,
) -> KeptPart:
    """An input that carries its own source, or what is said, in one week."""
    role = SOURCES[name][0]
    _, tone, articulation, crest, range_db = SOURCES[like or name]
    off = np.zeros(11) if rng is None else spread * rng.standard_normal(11)
    values = {"articulation_db": articulation + off[8], "crest_db": crest + off[9]}
    values |= {LOUD: -12.0, SOFT: -12.0 - range_db - off[10]}
    values = {metric: value for metric, value in values.items() if metric not in leave_out}
    if width_db is not None:
        widths = np.broadcast_to(width_db, (len(OCTAVES_HZ),))
        values["width_db"] = float(np.median(widths))
        values |= {f"width_octave_db.{band}": float(width) for band, width in zip(OCTAVES_HZ, widths, strict=True)}
    return part(tone + off[:8], source=name, role=role, values=values, player=player, playing_s=playing_s)


def band(rng: np.random.Generator, count: int = 8, names: Sequence[str] = tuple(SOURCES), spread: float = 0.6) -> Weeks:
    kept = Weeks()
    for _ in range(count):
        kept.add(*(heard(name, rng=rng, spread=spread) for name in names))
    return kept


def told(found: Sequence[Mispatch]) -> set[tuple[str, str, bool]]:
    return {(one.source, one.like, one.exchanged) for one in found}


def test_two_that_are_exchanged_are_both_named(rng: np.random.Generator) -> None:
    baseline = band(rng).baseline()
    inputs = [
        heard("piano", rng=rng, like="cymbals"),
        heard("cymbals", rng=rng, like="piano"),
        heard("lead voice", rng=rng),
        heard("bass", rng=rng),
    ]
    found = mistaken(baseline, inputs)
    assert told(found) == {("piano", "cymbals", True), ("cymbals", "piano", True)}
    assert found[0].nats == found[1].nats > identity.EXCHANGED_NATS
    # whatever the order of the channels
    assert told(mistaken(baseline, inputs[::-1])) == told(found)


def test_two_pairs_of_exchanged_inputs(rng: np.random.Generator) -> None:
    carried = {"piano": "cymbals", "cymbals": "piano", "lead voice": "bass", "bass": "lead voice"}
    found = mistaken(band(rng).baseline(), [heard(name, rng=rng, like=like) for name, like in carried.items()])
    assert told(found) == {(name, like, True) for name, like in carried.items()}


def test_a_clean_band_is_itself(rng: np.random.Generator) -> None:
    for count in (1, 3, 8):
        for _ in range(8):
            baseline = band(rng, count).baseline()
            assert mistaken(baseline, [heard(name, rng=rng) for name in SOURCES]) == []


@pytest.mark.source("common practice, no source: whoever comes as a guest sounds as nobody did there before")
@pytest.mark.parametrize(
    ("weeks_heard", "told_of"), [pytest.param(2, False, id="a-guest"), pytest.param(8, True, id="every-week")]
)
def test_a_guest_on_a_spare_input_is_nobodys_double(rng: np.random.Generator, weeks_heard: int, told_of: bool) -> None:
    kept = Weeks()
    for week in range(8):
        names = ("piano", "bass", *(["cymbals"] if week < weeks_heard else []))
        kept.add(*(heard(name, rng=rng) for name in names))
    exchanged = [heard("piano", rng=rng, like="cymbals"), heard("cymbals", rng=rng, like="piano")]
    assert bool(mistaken(kept.baseline(), exchanged)) == told_of
    assert identity.guest_inputs(kept.baseline()) == (frozenset() if told_of else {"cymbals"})


def test_likely_doubles_are_not_taken_for_each_other(rng: np.random.Generator) -> None:
    # four sources of one sound: whose is whose cannot be told, and is not
    kept = Weeks()
    names = {"piano": "keys", "organ": "keys", "voice": "lead vocal", "second voice": "backing vocal"}
    for _ in range(8):
        kept.add(*(replace(heard("piano", rng=rng), source=name, role=role) for name, role in names.items()))
    for _ in range(10):
        inputs = [replace(heard("piano", rng=rng), source=name, role=role) for name, role in names.items()]
        assert mistaken(kept.baseline(), inputs) == []


def test_one_input_alone_that_sounds_like_another_source(rng: np.random.Generator) -> None:
    # the piano's channel carries what the cymbals' does as well
    inputs = [heard("piano", rng=rng, like="cymbals"), *(heard(name, rng=rng) for name in ("cymbals", "lead voice"))]
    found = mistaken(band(rng).baseline(), inputs)
    assert told(found) == {("piano", "cymbals", False)}
    assert found[0].nats > identity.MOVED_NATS


@pytest.mark.parametrize(
    "roles",
    [
        pytest.param(("lead vocal", "speech"), id="voices"),
        pytest.param(("guitar", "acoustic guitar"), id="guitars"),
        pytest.param(("kick", "toms"), id="drums"),
    ],
)
def test_one_of_a_family_alone_is_nothing(rng: np.random.Generator, roles: tuple[str, str]) -> None:
    as_now = dict(zip(("piano", "cymbals"), roles, strict=True))

    def named(parts: Sequence[KeptPart]) -> list[KeptPart]:
        return [replace(one, role=as_now[one.source]) for one in parts]

    kept = Weeks()
    for _ in range(8):
        kept.add(*named([heard(name, rng=rng) for name in as_now]))
    alone = named([heard("piano", rng=rng, like="cymbals"), heard("cymbals", rng=rng)])
    assert mistaken(kept.baseline(), alone) == []
    both = named([heard("piano", rng=rng, like="cymbals"), heard("cymbals", rng=rng, like="piano")])
    found = mistaken(kept.baseline(), both)
    assert told(found) == {("piano", "cymbals", True), ("cymbals", "piano", True)}
    assert found[0].nats > identity.ALIKE_NATS > identity.EXCHANGED_NATS


def test_one_of_the_same_role_alone_is_nothing(rng: np.random.Generator) -> None:
    # the same, were the cymbals another keyboard: two of a kind may well sound like each other
    def as_keys(parts: Sequence[KeptPart]) -> list[KeptPart]:
        return [replace(one, role="keys") if one.source == "cymbals" else one for one in parts]

    kept = Weeks()
    for _ in range(8):
        kept.add(*as_keys([heard(name, rng=rng) for name in ("piano", "cymbals")]))
    alone = as_keys([heard("piano", rng=rng, like="cymbals"), heard("cymbals", rng=rng)])
    assert mistaken(kept.baseline(), alone) == []
    # exchanged they are still told
    both = as_keys([heard("piano", rng=rng, like="cymbals"), heard("cymbals", rng=rng, like="piano")])
    assert told(mistaken(kept.baseline(), both)) == {("piano", "cymbals", True), ("cymbals", "piano", True)}


@pytest.mark.parametrize(
    "tone",
    [
        pytest.param(PIANO + 1.6 * np.array([-9.0, -6.0, -3.0, 0.0, 3.0, 6.0, 9.0, 12.0]), id="brighter"),
        pytest.param(0.4 * PIANO + 0.6 * CYMBALS, id="between-two"),
    ],
)
def test_something_new_is_not_another_source(rng: np.random.Generator, tone: Array) -> None:
    # far from itself, and somewhat less far from another source: it is not that one for all that
    baseline = band(rng, 60).baseline()
    new = replace(heard("piano"), values={**heard("piano").values, **part(tone).values})
    vector = tone_vector(new.values)
    others = {name: replace(new, source=name, role=role) for name, (role, *_) in SOURCES.items() if name != "piano"}
    assert all(tone_predictive(baseline, one).tail(vector) < 1e-7 for one in others.values())
    assert mistaken(baseline, [new, *(heard(name, rng=rng) for name in others)]) == []


def test_something_wild_is_not_the_nearest_of_those_it_is_not(rng: np.random.Generator) -> None:
    # a bass with no bottom left: unlike itself, and more unlike anybody else
    baseline = band(rng).baseline()
    thin = replace(
        heard("bass"), values={**heard("bass").values, **part(BASS + np.array([-25.0, -10, 0, 0, 0, 0, 0, 0])).values}
    )
    vector = tone_vector(thin.values)
    own = tone_predictive(baseline, thin)
    assert own.tail(vector) < identity.UNLIKE_ITSELF
    assert mistaken(baseline, [thin, *(heard(name, rng=rng) for name in ("piano", "cymbals", "lead voice"))]) == []


@pytest.mark.parametrize(
    ("reach", "tail", "is_told"),
    [
        pytest.param(1.2, (0.9, 1.0), False, id="well-within"),
        # the two sides of 5 %: a fifth of its own weeks lie further out, and one in sixty does
        pytest.param(0.89, (0.06, 0.4), False, id="on-the-near-side"),
        pytest.param(0.8, (0.005, 0.04), True, id="on-the-far-side"),
    ],
)
def test_what_is_at_home_as_itself_is_left_alone(
    rng: np.random.Generator, reach: float, tail: tuple[float, float], is_told: bool
) -> None:
    # a keyboard of many sounds beside cymbals that are always the same: one of its sounds is much like theirs
    kept = Weeks()
    for _ in range(20):
        tone = PIANO + rng.uniform(0.0, reach) * (CYMBALS - PIANO) + 0.5 * rng.standard_normal(8)
        values = {"articulation_db": float(rng.uniform(5.0, 13.0)), "crest_db": float(rng.uniform(13.0, 21.0))}
        values |= {LOUD: -12.0, SOFT: float(rng.uniform(-17.0, -13.0))}
        kept.add(part(tone, source="piano", role="keys", values=values), heard("cymbals", rng=rng, spread=0.2))
    baseline = kept.baseline()
    inputs = [heard("piano", like="cymbals"), heard("cymbals", rng=rng, spread=0.2)]
    assert log_density(baseline, inputs[0], "cymbals") - log_density(baseline, inputs[0], "piano") > identity.MOVED_NATS
    assert tail[0] < tone_predictive(baseline, inputs[0]).tail(tone_vector(inputs[0].values)) < tail[1]
    assert told(mistaken(baseline, inputs)) == ({("piano", "cymbals", False)} if is_told else set())


def test_a_pair_is_not_compared_with_a_single_input(rng: np.random.Generator) -> None:
    def as_pair(one: KeptPart) -> KeptPart:
        return replace(one, values={**one.values, "width_db": (-6.0, None)}) if one.source == "piano" else one

    kept = Weeks()
    for _ in range(8):
        kept.add(*(as_pair(heard(name, rng=rng)) for name in ("piano", "cymbals")))
    exchanged = [heard("piano", rng=rng, like="cymbals"), heard("cymbals", rng=rng, like="piano")]
    assert told(mistaken(band(rng).baseline(), exchanged)) != set()
    assert mistaken(kept.baseline(), [as_pair(one) for one in exchanged]) == []


def test_what_is_new_or_hardly_plays_is_not_named(rng: np.random.Generator) -> None:
    exchanged = [heard("piano", rng=rng, like="cymbals"), heard("cymbals", rng=rng, like="piano")]
    assert mistaken(Weeks().baseline(), exchanged) == []
    # the cymbals were never kept
    assert mistaken(band(rng, names=("piano", "bass")).baseline(), exchanged) == []
    moment = [replace(exchanged[0], playing_s=identity.LEAST_HEARD_S - 0.1), exchanged[1]]
    # the piano in the cymbals' input is heard; what hardly plays in the piano's says nothing
    assert {one.source for one in mistaken(band(rng).baseline(), moment)} == {"cymbals"}
    # nothing is said of an input by a number alone
    no_tone = [replace(exchanged[0], values={"articulation_db": (12.0, None)}), heard("cymbals", rng=rng)]
    assert mistaken(band(rng).baseline(), no_tone) == []


def test_whoever_plays_the_other_source_tonight(rng: np.random.Generator) -> None:
    # two bass players with sounds of their own; the input that carries the bass is measured by tonight's player of it
    kept = Weeks()
    bright = BASS + np.array([-6.0, -4.0, 0.0, 4.0, 8.0, 10.0, 10.0, 10.0])
    for at in range(12):
        who = ("Ana", "Ben")[at % 2]
        tone = (BASS, bright)[at % 2] + 0.4 * rng.standard_normal(8)
        bass = replace(heard("bass", player=who), values={**heard("bass").values, **part(tone).values})
        kept.add(heard("piano", rng=rng, player="Cyd"), bass)
    now = [
        replace(heard("piano", player="Cyd"), values={**heard("bass").values, **part(bright).values}),
        heard("bass", like="piano", player="Ben"),
    ]
    nats = {who: mistaken(kept.baseline(), [now[0], replace(now[1], player=who)]) for who in ("Ben", "Ana")}
    assert told(nats["Ben"]) == {("piano", "bass", True), ("bass", "piano", True)}
    assert nats["Ben"][0].nats > max((one.nats for one in nats["Ana"]), default=0.0)


def drummer_and_bassist(rng: np.random.Generator) -> Weeks:
    """Twelve weeks of a drummer with three microphones and a bassist, each played by two people."""
    kept = Weeks()
    for week in range(12):
        drums, bass = ("Ana", "Ben")[week % 2], ("Cyd", "Dee")[week // 2 % 2]
        kept.add(*tonight(rng, drums, bass))
    return kept


class CountingSpreads(dict[tuple[str, str], Mapping[str, SourceSpread]]):
    """Spreads of a house that count how often they are asked for."""

    asked = 0

    def get(self, *key: Any) -> Any:
        self.asked += 1
        return super().get(*key)


def test_the_house_is_asked_once_for_each_source_and_not_for_each_two(rng: np.random.Generator) -> None:
    kept = band(rng).baseline()
    spreads = CountingSpreads(kept.spreads)
    now = [heard(name, rng=rng) for name in SOURCES]
    found = mistaken(replace(kept, spreads=spreads), now)
    # arithmetic: tone and each number of each source
    assert spreads.asked <= (1 + len(IDENTITY_NUMBERS)) * len(SOURCES)
    assert found == mistaken(kept, now)


KIT: Final = {"snare": -3.0, "kick": 5.0, "cymbals": 0.0}


def tonight(
    rng: np.random.Generator,
    drummer: str | None,
    bassist: str | None,
    *,
    carried: dict[str, str] | None = None,
    off_db: dict[str, float] | None = None,
) -> list[KeptPart]:
    """Inputs of one week; `carried` says which carry another's sound, `off_db` by how much the highs of some are off."""
    inputs = []
    for name in (*KIT, "bass"):
        sound = (carried or {}).get(name, name)
        tone = BASS if sound == "bass" else CYMBALS + KIT[sound] * np.linspace(1.0, -1.0, 8)
        tone = tone + np.linspace(0.0, (off_db or {}).get(name, 0.0), 8) + 0.6 * rng.standard_normal(8)
        role = {"snare": "snare", "kick": "kick", "cymbals": "overheads"}.get(name, "bass")
        inputs.append(part(tone, source=name, role=role, player=bassist if name == "bass" else drummer))
    return inputs


SWAP: Final = {"snare": "bass", "bass": "snare"}


@pytest.mark.parametrize(
    ("drummer", "bassist", "sure"),
    [
        pytest.param("Ana", "Cyd", True, id="both-known"),
        pytest.param("Eve", "Cyd", False, id="a-new-drummer"),
        pytest.param("Ana", "Eve", False, id="a-new-bassist"),
    ],
)
def test_a_player_never_heard_before_leaves_doubt(
    rng: np.random.Generator, drummer: str, bassist: str, sure: bool
) -> None:
    found = mistaken(drummer_and_bassist(rng).baseline(), tonight(rng, drummer, bassist, carried=SWAP))
    assert told(found) == {("snare", "bass", True), ("bass", "snare", True)}
    assert {guess.sure for guess in found} == {sure}


@pytest.mark.parametrize("named", [pytest.param(True, id="named"), pytest.param(False, id="nobody-named")])
def test_several_inputs_of_one_person_that_change_together_leave_doubt(rng: np.random.Generator, named: bool) -> None:
    kept = Weeks()
    for _ in range(12):
        kept.add(*tonight(rng, "Ana" if named else None, "Cyd" if named else None))
    # the whole kit sounds otherwise, not only the input that sounds like the bass
    for off_db, sure in (({}, True), ({"kick": 25.0, "cymbals": -25.0}, False)):
        now = tonight(rng, "Ana" if named else None, "Cyd" if named else None, carried=SWAP, off_db=off_db)
        found = mistaken(kept.baseline(), now)
        assert {(guess.source, guess.sure) for guess in found if guess.source in SWAP} == {
            ("snare", sure),
            ("bass", sure),
        }


@pytest.mark.parametrize(
    ("apart_db", "share", "expected"),
    [
        pytest.param(20.0, 0.55, None, id="somebody-new-is-likelier"),
        pytest.param(10.0, 0.58, False, id="hardly-beats-somebody-new"),
        pytest.param(20.0, 1.0, True, id="exchanged"),
    ],
)
def test_a_likeness_has_to_beat_somebody_new(
    rng: np.random.Generator, apart_db: float, share: float, expected: bool | None
) -> None:
    """A speaker and a singer who sound apart in the kept weeks; tonight each lies so much of the way to the other."""
    kept = Weeks()
    low, high = VOICE, VOICE + np.linspace(-apart_db, apart_db, 8)
    for _ in range(12):
        kept.add(
            part(low + 0.5 * rng.standard_normal(8), source="speaker", role="speech"),
            part(high + 0.5 * rng.standard_normal(8), source="singer", role="lead vocal"),
        )
    inputs = [
        part(low + share * (high - low), source="speaker", role="speech"),
        part(high - share * (high - low), source="singer", role="lead vocal"),
    ]
    found = mistaken(kept.baseline(), inputs)
    assert {(guess.source, guess.sure) for guess in found} == (
        set() if expected is None else {("speaker", expected), ("singer", expected)}
    )


def log_density(baseline: Baseline, one: KeptPart, source: str) -> float:
    """Of all that is read of an input, taken for a source, by another library's Student t."""
    role = SOURCES[source][0]
    taken = replace(one, source=source, role=role)
    tone = tone_predictive(baseline, taken)
    assert tone is not None
    total = float(stats.multivariate_t(tone.location, tone.scale, df=tone.dof).logpdf(tone_vector(one.values)))
    values = {name: one.values[BY_NAME[name].metric][0] for name in ("articulation", "crest")}
    values["range"] = one.values[LOUD][0] - one.values[SOFT][0]
    for name, value in values.items():
        number = number_predictive(baseline, taken, BY_NAME[name])
        assert number is not None
        total += float(stats.t(number.dof, number.location[0], np.sqrt(number.scale[0, 0])).logpdf(value))
    return total


@pytest.mark.source("scipy.stats.multivariate_t")
def test_how_much_more_likely_it_is(rng: np.random.Generator) -> None:
    baseline = band(rng).baseline()
    inputs = [heard("piano", rng=rng, like="cymbals"), heard("cymbals", rng=rng, like="piano")]
    found = mistaken(baseline, inputs)
    expected = sum(
        log_density(baseline, one, other.source) - log_density(baseline, one, one.source)
        for one, other in (inputs, inputs[::-1])
    )
    assert found[0].nats == pytest.approx(expected, rel=1e-9)
    alone = mistaken(baseline, [inputs[0], heard("cymbals")])
    assert alone[0].nats == pytest.approx(
        log_density(baseline, inputs[0], "cymbals") - log_density(baseline, inputs[0], "piano"), rel=1e-9
    )


def test_how_evenly_hits_are_played_is_no_evidence_of_anything_else(rng: np.random.Generator) -> None:
    # the levels of a drum are those of its hits, those of another source all that it plays: not the same thing
    def nats(role: str, range_db: float) -> float:
        def as_role(one: KeptPart) -> KeptPart:
            return replace(one, role=role) if one.source == "cymbals" else one

        fresh = np.random.default_rng(5)
        kept = Weeks()
        for _ in range(8):
            kept.add(*(as_role(heard(name, rng=fresh)) for name in ("piano", "cymbals")))
        inputs = [as_role(heard("piano", like="cymbals")), as_role(heard("cymbals", like="piano"))]
        inputs[0] = replace(inputs[0], values={**inputs[0].values, SOFT: (-12.0 - range_db, None)})
        return mistaken(kept.baseline(), inputs)[0].nats

    assert nats("snare", 9.0) == nats("snare", 5.0)
    assert nats("overheads", 9.0) > nats("overheads", 5.0)


def test_two_singers_are_harder_to_tell_apart_than_a_singer_and_a_speaker(rng: np.random.Generator) -> None:
    # the same two inputs, the same evidence: what it takes to believe it differs
    def found(role: str) -> list[Mispatch]:
        kept = Weeks()
        low, high = VOICE, VOICE + np.array([0.0, 6.0, 5.0, 0.0, -2.0, -4.0, -5.0, -5.0])
        names = {"lead voice": ("lead vocal", low), "other": (role, high)}

        def one(name: str, tone: Array) -> KeptPart:
            return replace(heard("lead voice"), source=name, role=names[name][0], values=dict(part(tone).values))

        kept.add(one("lead voice", low), one("other", high))
        return mistaken(kept.baseline(), [one("lead voice", high), one("other", low)])

    assert told(found("speech")) == {("lead voice", "other", True), ("other", "lead voice", True)}
    assert identity.EXCHANGED_NATS < found("speech")[0].nats < identity.ALIKE_NATS
    assert found("backing vocal") == []


def test_a_number_that_one_of_two_never_has_is_no_evidence(rng: np.random.Generator) -> None:
    # an organ has no note beginnings to be read; a piano that is hit harder than ever is not an organ for that
    kept = Weeks()
    organ = {"source": "organ", "role": "keys"}
    for _ in range(8):
        kept.add(heard("piano", rng=rng), replace(heard("piano", rng=rng, leave_out=("articulation_db",)), **organ))
    hard = heard("piano")
    hard = replace(hard, values={**hard.values, "articulation_db": (6.0 + 15.0, None)})
    inputs = [hard, replace(heard("piano", leave_out=("articulation_db",)), **organ)]
    assert mistaken(kept.baseline(), inputs) == []


# pairs of which one side is upside down


def pairs(rng: np.random.Generator, width_db: float | Array, count: int = 8, role: str = "keys") -> Baseline:
    kept = Weeks()
    for _ in range(count):
        now = heard("piano", width_db=width_db + 0.5 * rng.standard_normal(len(OCTAVES_HZ)))
        kept.add(replace(now, role=role))
    return kept.baseline()


@pytest.mark.parametrize("width_db", [pytest.param(value, id=f"{value:g}-dB") for value in (-12.0, -6.0, 5.0)])
def test_a_side_that_was_turned_over(rng: np.random.Generator, width_db: float) -> None:
    # sum and difference of the sides change places: the ratio of one to the other in dB changes its sign
    baseline = pairs(rng, width_db)
    turned = upside_down(baseline, [heard("piano", width_db=-width_db)])
    assert set(turned) == {"piano"}
    assert turned["piano"] > identity.TURNED_NATS
    assert upside_down(baseline, [heard("piano", width_db=width_db)]) == {}
    # wider or narrower than ever, but the right way round
    assert upside_down(baseline, [heard("piano", width_db=2.0 * width_db)]) == {}


SPACED: Final = np.array([-13.0, -9.0, -3.0, 0.0, -3.0, 2.0, 1.0, 0.0])
"""Widths of two microphones half a metre apart: one sound where they are closer than half a wave, anything above."""


def test_a_spaced_pair_is_told_by_its_low_octaves(rng: np.random.Generator) -> None:
    for count in (1, 8):
        baseline = pairs(rng, SPACED, count)
        assert set(upside_down(baseline, [heard("piano", width_db=-SPACED)])) == {"piano"}
        assert upside_down(baseline, [heard("piano", width_db=SPACED)]) == {}
    # what was not read in every kept take is left out: nothing is left here
    high = {f"width_octave_db.{band}" for band in (63, 125, 250)}
    low = set(heard("piano", width_db=SPACED).values) - high

    def without(names: set[str], width_db: Array) -> KeptPart:
        one = heard("piano", width_db=width_db)
        return replace(one, values={name: value for name, value in one.values.items() if name not in names})

    kept = Weeks()
    kept.add(without(high, SPACED))
    assert upside_down(kept.baseline(), [without(low, -SPACED)]) == {}
    assert upside_down(pairs(rng, SPACED), [without(low, -SPACED)]) != {}


def test_microphones_in_a_room_have_no_wrong_way_round(rng: np.random.Generator) -> None:
    turned = replace(heard("piano", width_db=-SPACED), role="audience")
    assert upside_down(pairs(rng, SPACED, role="audience"), [turned]) == {}


def test_a_pair_as_wide_as_it_is_narrow_has_no_wrong_way_round(rng: np.random.Generator) -> None:
    baseline = pairs(rng, 0.2)
    for width_db in (-1.0, -0.2, 0.2, 1.0):
        assert upside_down(baseline, [heard("piano", width_db=width_db)]) == {}


def test_what_cannot_be_turned_over_is_not(rng: np.random.Generator) -> None:
    turned = heard("piano", width_db=6.0)
    assert upside_down(Weeks().baseline(), [turned]) == {}
    baseline = pairs(rng, -6.0)
    assert upside_down(baseline, [heard("piano")]) == {}
    assert upside_down(baseline, [replace(turned, playing_s=LEAST_PLAYING_S - 0.1)]) == {}
    assert upside_down(baseline, [replace(turned, stage="after")]) == {}


def test_clean_pairs_are_the_right_way_round(rng: np.random.Generator) -> None:
    for count in (1, 2, 6):
        for _ in range(20):
            width_db = float(rng.uniform(-12.0, 0.0))
            baseline = pairs(rng, width_db, count)
            now = heard("piano", width_db=width_db + 0.7 * rng.standard_normal(len(OCTAVES_HZ)))
            assert upside_down(baseline, [now]) == {}
